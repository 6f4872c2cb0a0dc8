"""What is read takes memory by what it holds; what can be nothing is refused early."""

from __future__ import annotations

import io
import sys
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from dryload.harness.files import capture_file, dumpfile, given
from dryload.harness.files.problem import Problem
from tests import oracle

MB = 1 << 20
DUMP = oracle.dump(bits=16, words=range(-100, 100), sample_number=1, period_ns=22_676)


class Endless(io.RawIOBase):
    """A pipe that never ends; it counts what was read from it."""

    def __init__(self, first: bytes = b"", then: bytes = b"\0") -> None:
        self.first, self.then = first, then
        self.taken = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: object) -> int:
        view = memoryview(buffer)  # type: ignore[arg-type]
        part = (self.first + self.then * len(view))[: len(view)]
        self.first = self.first[len(view) :]
        view[:] = part
        self.taken += len(view)
        return len(view)


@contextmanager
def memory() -> Iterator[Callable[[], int]]:
    tracemalloc.start()
    try:
        yield lambda: tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("read", [dumpfile.load, capture_file.load, lambda _: given.given(["-"])])
@pytest.mark.parametrize("then", [b"\0", b"\xf0", b"A", b" ", b"\xf0\x7e\x00", b"{", b"12 "])
def test_a_pipe_that_never_ends_is_refused_early(
    read: Callable[[str], object], then: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    pipe = Endless(then=then)
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BufferedReader(pipe)))
    with memory() as most, pytest.raises(Problem):
        read("-")
    assert most() < 100 * MB
    assert pipe.taken <= 65 * MB


def test_a_dump_without_end_is_refused_for_its_size(monkeypatch: pytest.MonkeyPatch) -> None:
    pipe = Endless(first=DUMP)
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BufferedReader(pipe)))
    with memory() as most, pytest.raises(Problem, match="too large"):
        dumpfile.load("-")
    assert most() < 300 * MB


def test_a_small_file_takes_little(tmp_path: Path) -> None:
    path = tmp_path / "thunder.syx"
    path.write_bytes(DUMP)
    for read in (dumpfile.load, capture_file.load):
        read(str(path))  # what is loaded on the way is loaded once
        with memory() as most:
            read(str(path))
        assert most() < 3 * MB


@pytest.mark.parametrize(
    "form", [b"%02X ", b"0x%02X, ", b"%02x", b"%02Xh "], ids=["apart", "0x", "together", "h"]
)
@pytest.mark.parametrize("front", [b"", b"> ", b"1.5 s > ", b"00000000: "])
def test_a_line_of_a_megabyte_takes_few_times_its_length(
    tmp_path: Path, form: bytes, front: bytes
) -> None:
    path = tmp_path / "thunder.txt"
    text = front + b"".join(form % byte for byte in DUMP) * (MB // len(DUMP) // len(form % 7))
    path.write_bytes(text)
    with memory() as most:
        loaded = capture_file.load(str(path))
    assert sum(len(each.data) for each in loaded.recorded.capture.passages) % len(DUMP) == 0
    assert most() < 15 * MB
