"""The command line as people start it: a process of its own, with bounded memory and time."""

from __future__ import annotations

import multiprocessing
import os
import pkgutil
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

ROOT = Path(__file__).resolve().parent.parent.parent
COMMAND = (sys.executable, "-m", "harness.cli.main")
MEMORY_KB = 1 << 20  # 1 GB of addresses, shared libraries counted in
PATIENCE_S = 60
_TOGETHER = 4

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
_SERVER = multiprocessing.get_context("forkserver")
_SERVER.set_forkserver_preload(
    [
        each.name
        for room in ("emulator", "harness")
        for each in pkgutil.walk_packages([str(ROOT / room)], f"{room}.")
    ]
)


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
    """Run many commands, a few at a time, each in a process that has imported everything."""
    ran: dict[str, Ran] = {}
    waiting = list(cases.items())
    with TemporaryDirectory() as kept:
        while waiting:
            batch, waiting = waiting[:_TOGETHER], waiting[_TOGETHER:]
            started = []
            for number, (name, words) in enumerate(batch):
                said = Path(kept, f"out{number}"), Path(kept, f"err{number}")
                process = _SERVER.Process(target=_command, args=(words, folder, *said))
                process.start()
                started.append((name, process, said))
            for name, process, (out, err) in started:
                process.join(timeout=PATIENCE_S)
                if process.exitcode is None:
                    process.kill()
                    raise TimeoutError(f"{name} takes more than {PATIENCE_S} s")
                ran[name] = Ran(process.exitcode, out.read_text("utf-8"), err.read_text("utf-8"))
    return ran


def _command(words: Sequence[str | bytes], folder: Path, out: Path, err: Path) -> None:
    """Become the command line as `start` would start it."""
    import resource

    os.environ.clear()
    os.environ.update(environment())
    os.chdir(folder)
    for number, path in ((1, out), (2, err)):
        os.dup2(os.open(path, os.O_CREAT | os.O_TRUNC | os.O_WRONLY), number)
    sys.stdout = os.fdopen(1, "w", encoding="utf-8")
    sys.stderr = os.fdopen(2, "w", encoding="utf-8", errors="backslashreplace")
    sys.argv = ["dryload", *map(os.fsdecode, words)]
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_KB * 1024, MEMORY_KB * 1024))
    from harness.cli.main import main

    main()


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
