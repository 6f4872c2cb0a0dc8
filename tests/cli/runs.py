"""The command line as people start it: a process of its own, with bounded memory and time."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import IO

ROOT = Path(__file__).resolve().parent.parent.parent
COMMAND = (sys.executable, "-m", "harness.cli.main")
MEMORY_KB = 1 << 20  # 1 GB of addresses, shared libraries counted in
PATIENCE_S = 60
_TOGETHER = 4


@dataclass(frozen=True, slots=True)
class Ran:
    """What a process said and how it ended; below 0 is a signal."""

    code: int
    out: str
    err: str

    @property
    def lines(self) -> list[str]:
        """What it said on standard error, line by line."""
        return self.err.splitlines()


def environment() -> dict[str, str]:
    """As a user's, but numpy keeps no stacks for threads that the limit would count."""
    plain = {key: value for key, value in os.environ.items() if not key.startswith("COV")}
    return {
        **plain,
        "PYTHONPATH": str(ROOT),
        "OPENBLAS_NUM_THREADS": "1",
        "PYTHONIOENCODING": "utf-8",
        "COLUMNS": "100",
    }


def bounded(arguments: Sequence[str | bytes]) -> list[str | bytes]:
    """Return the words that run the command line within the limit; the shell becomes it."""
    # A shell sets the limit: Python code between fork and exec is not safe beside threads.
    limit = f'ulimit -v {MEMORY_KB} && exec "$@"'
    return ["/bin/sh", "-c", limit, "sh", *COMMAND, *arguments]


def run(*arguments: str | bytes, folder: Path) -> Ran:
    """Run one command in a folder."""
    return run_all({"it": arguments}, folder=folder)["it"]


def run_all(cases: Mapping[str, Sequence[str | bytes]], *, folder: Path) -> dict[str, Ran]:
    """Run many commands, a few at a time."""
    ran: dict[str, Ran] = {}
    waiting = list(cases.items())
    while waiting:
        batch, waiting = waiting[:_TOGETHER], waiting[_TOGETHER:]
        with ExitStack() as stack:
            started = [(name, _start(words, folder, stack)) for name, words in batch]
            for name, (process, out, err) in started:
                code = process.wait(PATIENCE_S)
                ran[name] = Ran(code, _text(out), _text(err))
    return ran


_Started = tuple["subprocess.Popen[bytes]", IO[bytes], IO[bytes]]


def _start(words: Sequence[str | bytes], folder: Path, stack: ExitStack) -> _Started:
    # Files and no pipes: nobody reads while several are running.
    out = stack.enter_context(tempfile.TemporaryFile())
    err = stack.enter_context(tempfile.TemporaryFile())
    process = stack.enter_context(
        subprocess.Popen(
            bounded(words),
            cwd=folder,
            env=environment(),
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=err,
        )
    )
    return process, out, err


def _text(file: IO[bytes]) -> str:
    file.seek(0)
    return file.read().decode("utf-8")
