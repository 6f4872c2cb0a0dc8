"""Commands that a page shows with what they say: run them, compare, or write them in anew.

    python -m tests.examples README.md captures_demo/WHAT-WENT-WRONG.md

An example is a comment and a block: `<!-- checked: WORDS -->` in front of what `dryload WORDS`
prints into a pipe, `<!-- checked, 80 columns: WORDS -->` in front of what a terminal of that width
shows.  Without `--check` the blocks are written anew.
"""

from __future__ import annotations

import argparse
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Final

from msgspec import Struct

ROOT: Final = Path(__file__).parent.parent
_EXAMPLE: Final = re.compile(
    r"(?P<head><!-- checked(?:, (?P<columns>\d+) columns)?: (?P<words>.+?) -->\n)"
    r"```text\n(?P<shown>.*?)```",
    re.DOTALL,
)
_CHUNK: Final = 65_536


class Example(Struct, frozen=True, dict=True):
    """A command and what a page shows of it."""

    words: str
    shown: str
    columns: int | None
    """Of the terminal; None: a pipe."""

    def said(self) -> str:
        """Run it, and return what it says on standard output."""
        words = shlex.split(self.words)
        return _piped(words) if self.columns is None else _on_terminal(words, self.columns)


def examples_in(path: Path) -> list[Example]:
    """Return the examples of a page, in order."""
    return [_example(found) for found in _EXAMPLE.finditer(path.read_text(encoding="utf-8"))]


def filled(text: str) -> str:
    """Return a page with what its commands say now."""
    return _EXAMPLE.sub(
        lambda found: f"{found['head']}```text\n{_example(found).said()}```",
        text,
    )


def _example(found: re.Match[str]) -> Example:
    columns = None if found["columns"] is None else int(found["columns"])
    return Example(words=found["words"], shown=found["shown"], columns=columns)


def _piped(words: list[str]) -> str:
    from tests.cli.runs import run

    done = run(*words, folder=ROOT)
    assert done.err == ""
    assert done.code in (0, 1)
    return done.out


def _on_terminal(words: list[str], columns: int) -> str:
    """Run with a pseudo terminal as standard output, and nothing of its colours."""
    import pty  # only Unix has it

    ours, theirs = pty.openpty()
    try:
        with subprocess.Popen(
            [sys.executable, "-m", "dryload.harness.cli.main", *words],
            cwd=ROOT,
            env=os.environ | {"COLUMNS": str(columns), "LINES": "50", "NO_COLOR": "1"},
            stdin=subprocess.DEVNULL,
            stdout=theirs,
            stderr=subprocess.PIPE,
        ) as process:
            os.close(theirs)
            said = read_to_end(ours)
            assert process.stderr is not None
            assert process.stderr.read() == b""
    finally:
        os.close(ours)
    assert process.returncode in (0, 1)
    return said.decode("utf-8").replace("\r\n", "\n")


def read_to_end(terminal: int) -> bytes:
    """Return all that is written to a pseudo-terminal."""
    said = b""
    while True:
        try:
            chunk = os.read(terminal, _CHUNK)
        except OSError:  # so Linux says that the other side has gone
            return said
        if not chunk:
            return said
        said += chunk


def main() -> int:
    """Write pages anew, or compare; 1 if one differs."""
    parser = argparse.ArgumentParser(prog="python -m tests.examples", description=__doc__)
    parser.add_argument("pages", type=Path, nargs="+")
    parser.add_argument("--check", action="store_true", help="write nothing, only compare")
    wishes = parser.parse_args()
    differs = False
    for page in wishes.pages:
        before = page.read_text(encoding="utf-8")
        after = filled(before)
        if after != before:
            differs = True
            print(f"{page} differs." if wishes.check else f"{page} is written anew.")
            if not wishes.check:
                page.write_text(after, encoding="utf-8")
    return int(differs and wishes.check)


if __name__ == "__main__":
    sys.exit(main())
