"""A small terminal: what stands on the screen after a program has written to it."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

from tests.cli.runs import environment
from tests.examples import read_to_end


def on_screen(written: str) -> list[str]:
    """Return the lines of a screen without end; it knows what progress bars write."""
    lines, row, column = [""], 0, 0
    for part in re.findall(r"\x1b\[\??[\d;]*[A-Za-z]|\r|\n|[^\x1b\r\n]+", written):
        if part == "\r":
            column = 0
        elif part == "\n":
            row += 1
            lines += [""] if row == len(lines) else []
        elif part.startswith("\x1b["):
            if part.endswith("A"):
                row -= int(part[2:-1] or 1)
            elif part.endswith("K"):
                assert part == "\x1b[2K"
                lines[row] = ""
            else:
                assert part[-1] in "mhl", repr(part)
        else:
            lines[row] = lines[row][:column].ljust(column) + part + lines[row][column + len(part) :]
            column += len(part)
    return [line.rstrip() for line in lines]


def run_on_screen(code: str, *, folder: Path, columns: int = 80) -> list[str]:
    """Run Python code with a terminal for what it says; return what stands there at its end."""
    import pty  # only Unix has it

    ours, theirs = pty.openpty()
    surroundings = {key: value for key, value in environment().items() if key != "COLUMNS"}
    with subprocess.Popen(
        [sys.executable, "-c", code],
        cwd=folder,
        env=surroundings | {"TERM": "xterm", "COLUMNS": str(columns), "LINES": "50"},
        stdin=subprocess.DEVNULL,
        stdout=theirs,
        stderr=theirs,
    ):
        os.close(theirs)
        written = read_to_end(ours)
    os.close(ours)
    return on_screen(written.decode("utf-8").replace("\r\n", "\n\r"))
