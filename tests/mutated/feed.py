"""Runs commands in this process and says what a user would never have wanted to meet."""

from __future__ import annotations

import io
import os
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import BinaryIO, Final

from msgspec import Struct

from dryload.harness.cli.app import run

MOST_S: Final = 10
MOST_BYTES: Final = 400 << 20
_CODES: Final = (0, 1, 2, 3)
_NO_MEMORY: Final = "not enough memory"


class Fed(Struct, frozen=True):
    """What came of one input."""

    faults: tuple[str, ...]
    code: int | None
    seconds: float
    """Of computing."""
    grown: int
    """Bytes by which the process was larger than before, at most."""


class _TooLong(BaseException):
    """An input takes too long."""


class _Open(io.BytesIO):
    """What was printed; it stays open whoever lets go of it."""

    def close(self) -> None:
        """Stay open."""


def feed(work: Callable[[], int]) -> Fed:
    """Do what uses an input, and return what came of it; `work` returns an exit code."""
    faults: list[str] = []
    code: int | None = None
    out, err = (io.TextIOWrapper(_Open(), encoding="utf-8") for _ in range(2))
    _, before = _high_water()
    began = time.process_time()
    with _streams(out, err) as below, warnings.catch_warnings(record=True) as warned, _hurry():
        warnings.simplefilter("always")
        try:
            code = work()
        except _TooLong:
            faults.append(f"more than {MOST_S} s\n{_told()}")
        except BaseException:  # noqa: BLE001, RUF100  # whatever comes out of it is the fault
            faults.append(_told())
        below.seek(0)
        said_below = below.read().decode("utf-8", "replace")
    seconds = time.process_time() - began
    grown = _high_water()[0] - before
    err.flush()
    said = err.buffer.getvalue().decode()
    if said_below:
        faults.append(f"from below Python: {said_below[-300:]}")
    faults += [f"warning: {each.filename}:{each.lineno}: {each.message}" for each in warned]
    if code not in (*_CODES, None):
        faults.append(f"exit code {code}: {said[-300:]}")
    if "Traceback" in said or _NO_MEMORY in said:
        faults.append(said[-1_000:])
    if grown > MOST_BYTES:
        faults.append(f"{grown >> 20} MB")
    return Fed(tuple(faults), code, seconds, grown)


def command(*words: str) -> Callable[[], int]:
    """Return what runs the command line with these words."""
    return lambda: run(words)


@contextmanager
def _streams(out: io.TextIOWrapper, err: io.TextIOWrapper) -> Iterator[BinaryIO]:
    """Catch what is printed; yield what libraries below Python write to standard error."""
    before = sys.stdout, sys.stderr
    kept = os.dup(2)
    with tempfile.TemporaryFile() as below:
        os.dup2(below.fileno(), 2)
        sys.stdout, sys.stderr = out, err
        try:
            yield below
        finally:
            sys.stdout, sys.stderr = before
            os.dup2(kept, 2)
            os.close(kept)


@contextmanager
def _hurry() -> Iterator[None]:
    """Break off what computes for too long; the time of other processes does not count."""

    def stop(number: int, frame: FrameType | None) -> None:
        raise _TooLong

    before = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, MOST_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def _told() -> str:
    """Return the last lines of this project that an exception came through, and what it says."""
    lines = traceback.format_exc().splitlines()
    ours = [each.strip() for each in lines if "/harness/" in each or "/emulator/" in each]
    return "\n".join((*dict.fromkeys(ours[-6:]), lines[-1][:200]))


def _high_water() -> tuple[int, int]:
    """Return how large the process was at most since this was asked before, and is, in bytes."""
    try:
        status = Path("/proc/self/status").read_text(encoding="ascii")
        with open("/proc/self/clear_refs", "w", encoding="ascii") as marks:
            marks.write("5")  # the mark is where the water is now
    except OSError:
        return 0, 0
    peak, now = (int(status.partition(key)[2].split()[0]) << 10 for key in ("VmHWM:", "VmRSS:"))
    return peak, now


def in_folder(folder: Path, files: Sequence[tuple[str, bytes]]) -> None:
    """Write files for commands to read; the folder becomes the one that names are looked for in."""
    os.chdir(folder)
    for name, data in files:
        (folder / name).write_bytes(data)
