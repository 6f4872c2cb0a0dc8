"""Two joined ports of every kind there is."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from pathlib import Path
from typing import Final, NamedTuple

from dryload.emulator.ports.clock import Clock, MonotonicClock
from dryload.emulator.ports.midi import open_midi, serve_midi
from dryload.emulator.ports.port import Arrival, Port
from dryload.emulator.ports.tcp import TcpServer, open_tcp
from tests.ports.clockwork import MS
from tests.ports.loopback import loopback

NAME: Final = "Lantern Desk"
SEQUENCER: Final = Path("/dev/snd/seq")
PATIENCE_NS: Final = 5_000 * MS
"""How long bytes that come at once may take on a busy machine."""


class Ends(NamedTuple):
    """A port of the host, one of the unit."""

    here: Port
    there: Port


@contextmanager
def on_loopback() -> Iterator[Ends]:
    here, there = loopback(MonotonicClock())
    yield from _both(here, there)


@contextmanager
def on_tcp() -> Iterator[Ends]:
    clock = MonotonicClock()
    there = TcpServer(0, clock)
    here = open_tcp(*there.address, clock)
    while not there.peer:
        there.receive(MS)
    yield from _both(here, there)


def on_midi(system: str) -> Callable[[], AbstractContextManager[Ends]]:
    @contextmanager
    def on_it() -> Iterator[Ends]:
        clock: Clock = MonotonicClock()
        name = f"{NAME} {os.getpid()}"
        with closing(serve_midi(name, clock, system=system)) as there:
            # Closed by whoever is done with both, or here where there is no way to it.
            yield from _both(open_midi(name, clock, system=system), there)

    return on_it


def _both(here: Port, there: Port) -> Iterator[Ends]:
    try:
        yield Ends(here, there)
    finally:
        here.close()
        there.close()


def collect(port: Port, count: int) -> list[Arrival]:
    """Return arrivals that hold at least so many bytes, or what came within the patience."""
    until_ns = port.clock.now_ns() + PATIENCE_NS
    arrivals: list[Arrival] = []
    while sum(len(arrival.data) for arrival in arrivals) < count:
        if (left_ns := until_ns - port.clock.now_ns()) <= 0:
            break
        arrivals += port.receive(left_ns)
    return arrivals


def joined(arrivals: list[Arrival]) -> bytes:
    """Return their bytes."""
    return b"".join(arrival.data for arrival in arrivals)
