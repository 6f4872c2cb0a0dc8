"""A dump in closed loop over real ports without pace, against the barest loops over such ports.

The bare loops send the same messages and get answers as long as ours.  One polls as ours does; that
is what ours is held against.  The other answers from the library's callback and is shown beside it:
inside the server's own thread an answer now and then catches the same period, but in a busy process
that way loses and doubles messages, so it is none for a transfer.  The server runs in its
synchronous mode: in the other one a bare loop waits for ever when a message is lost.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from typing import Final

from tests.bench import ping_pong, wakeups
from tests.bench.measure import Row
from tests.ports import jack

ROUNDS: Final = 11
NEEDED: Final = 0.8


def run() -> list[Row]:
    """Measure over a server of our own; nothing where there can be none."""
    wakeups.show()
    if reason := jack.why_not():
        print(f"closed loop over a port: not measured: {reason}")
        return []
    return _rows(jack.SYNCHRONOUS)


def _rows(mode: str) -> list[Row]:
    took = rounds_of(mode, ("ours", *ping_pong.BARE), ROUNDS)
    ours = took["ours"]
    rows = []
    for way in ping_pong.BARE:
        rows.append(
            Row(
                what=f"closed loop, {mode}, a packet",
                ours_us=statistics.median(ours) / ping_pong.PACKETS * 1e6,
                other=way,
                other_us=statistics.median(took[way]) / ping_pong.PACKETS * 1e6,
                needed=NEEDED if way == ping_pong.POLLING else None,
                rounds=tuple(other / own for own, other in zip(ours, took[way], strict=True)),
            )
        )
    return rows


def rounds_of(mode: str, ways: Sequence[str], rounds: int) -> dict[str, list[float]]:
    """Return the seconds that each way needed in each round; they take turns."""
    took: dict[str, list[float]] = {way: [] for way in ways}
    with jack.jack_server(mode) as (server, _), ExitStack() as stack:
        pairs = {way: stack.enter_context(_pair(way, server)) for way in ways}
        for number in range(rounds + 1):  # the first one is not counted
            for way in ways if number % 2 else reversed(ways):
                seconds = pairs[way].play()
                if number:
                    took[way].append(seconds)
    return took


class Pair:
    """Two processes joined by their ports."""

    def __init__(self, way: str, unit: subprocess.Popen[str], host: subprocess.Popen[str]) -> None:
        self._way = way
        self._unit = unit
        self._host = host

    def play(self) -> float:
        """Send the dump once; return the seconds it took."""
        tell(self._unit)
        hear(self._unit)
        tell(self._host)
        took_s = float(hear(self._host))
        if self._way == "ours":
            tell(self._unit)
            if hear(self._unit) != ping_pong.digest(ping_pong.words()):
                raise AssertionError("the unit does not hold what was sent")
        return took_s


@contextmanager
def _pair(way: str, server: str) -> Iterator[Pair]:
    with _process("serve", way, server) as unit, _process("play", way, server) as host:
        yield Pair(way, unit, host)


@contextmanager
def _process(part: str, way: str, server: str) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-m", "tests.bench.ping_pong", part, way],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=jack.ROOT,
        env={**os.environ, "JACK_DEFAULT_SERVER": server},
    ) as process:
        try:
            hear(process)
            yield process
            assert process.stdin is not None
            process.stdin.close()
            process.wait(10)
        finally:
            process.kill()  # nothing happens where it has ended


def tell(process: subprocess.Popen[str]) -> None:
    """Let it begin, or end what it does."""
    assert process.stdin is not None
    process.stdin.write("\n")
    process.stdin.flush()


def hear(process: subprocess.Popen[str]) -> str:
    """Return the next line that it says."""
    assert process.stdout is not None
    line = process.stdout.readline().strip()
    assert line, "a process of the benchmark has ended"
    return line
