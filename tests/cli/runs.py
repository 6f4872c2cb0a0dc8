"""The command line as people start it: a process of its own, with bounded memory and time."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from msgspec import Struct

from tests.cli.forked import Forked

ROOT = Path(__file__).resolve().parent.parent.parent
COMMAND = (sys.executable, "-m", "dryload.harness.cli.main")
MEMORY_KB = 1 << 20  # 1 GB of addresses, shared libraries counted in
PATIENCE_S = 60
_TOGETHER = 4


class Ran(Struct, frozen=True):
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
    """Run many commands, a few at a time, each in a process that has imported everything."""

    def run_one(name: str) -> Ran:
        process = Forked(cases[name], cwd=folder, env=environment(), memory_kb=MEMORY_KB)
        with process:
            try:
                out, err = process.communicate(PATIENCE_S)
            except subprocess.TimeoutExpired:
                process.kill()
                raise TimeoutError(f"{name} takes more than {PATIENCE_S} s") from None
        assert process.returncode is not None
        return Ran(process.returncode, out, err)

    with ThreadPoolExecutor(_TOGETHER) as pool:
        return dict(zip(cases, pool.map(run_one, cases), strict=True))


def start(words: Sequence[str | bytes], folder: Path) -> subprocess.Popen[bytes]:
    """Start one command, with pipes to read what it says."""
    return subprocess.Popen(
        bounded(words),
        cwd=folder,
        env=environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
