"""A simulated line that asks as often as a real one whether it is over."""

from __future__ import annotations

from collections.abc import Callable

from dryload.emulator.dump.capture import Capture
from dryload.emulator.dump.endpoint import Endpoint
from dryload.emulator.line.simulate import SimulatedLine

_LOOK_NS = 50_000_000


class Watched:
    """A simulated line is asked between two messages only where both wires are empty."""

    def __init__(self, line: SimulatedLine) -> None:
        self._line = line

    @property
    def now_ns(self) -> int:
        return self._line.now_ns

    @property
    def capture(self) -> Capture:
        return self._line.capture

    def connect(self, endpoint: Endpoint) -> None:
        self._line.connect(endpoint)

    def advance(self, by_ns: int) -> None:
        self._line.advance(by_ns)

    def run(self, is_over: Callable[[], bool], *, until_ns: int | None = None) -> bool:
        while True:
            next_ns = self._line.now_ns + _LOOK_NS
            stop_ns = next_ns if until_ns is None else min(next_ns, until_ns)
            if self._line.run(is_over, until_ns=stop_ns) or is_over():
                return True
            if self._line.now_ns < stop_ns or stop_ns == until_ns:
                return False
