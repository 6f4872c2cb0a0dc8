"""The second injector's tape: what left the host and what arrived at either end, with times."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from msgspec import Struct

from dryload.emulator.dump.capture import Direction, Passage
from tests.diagnosis import injector_bytes as b

LOST: Final[tuple[tuple[int, bytes], ...]] = ()
Arrival = Sequence[tuple[int, bytes]]
"""What arrives of a message: runs of bytes, each with its place in the message as it was sent."""


class Tape(Struct):
    """What left the host and what arrived at either end, with times."""

    sent: list[Passage] = []
    arrived: list[Passage] = []
    back: list[Passage] = []
    now_ns: int = 0
    """When the last thing was over, on whichever side."""
    tick_ns: int = 0
    """How often the host puts a real-time byte in; 0: never."""
    tick: int = 0xF8
    _next_tick_ns: int = 0

    def to(self, data: bytes, after_ns: int = 0, arrives: Arrival | None = None) -> bytes:
        """Have the host send something; return it with the real-time bytes that got in."""
        start_ns = self.now_ns + after_ns
        ticked = self._with_ticks(data, start_ns) if self.tick_ns else data
        end_ns = start_ns + len(ticked) * b.BYTE_NS
        self.sent.append(Passage(Direction.TO_UNIT, end_ns, ticked))
        self.now_ns = end_ns
        for at, part in ((0, ticked),) if arrives is None else arrives:
            end_ns = start_ns + (at + len(part)) * b.BYTE_NS
            self.arrived.append(Passage(Direction.TO_UNIT, end_ns, part))
            self.now_ns = max(self.now_ns, end_ns)
        return ticked

    def come(self, data: bytes, after_ns: int = 0) -> None:
        """Have something come from the unit."""
        start_ns = self.now_ns + after_ns
        self.now_ns = start_ns + len(data) * b.BYTE_NS
        self.back.append(Passage(Direction.FROM_UNIT, self.now_ns, data))

    def beside(self, direction: Direction, data: bytes, end_ns: int) -> None:
        """Put in something at an instant of its own, on both tracks."""
        passage = Passage(direction, end_ns, data)
        if direction is Direction.FROM_UNIT:
            self.back.append(passage)
        else:
            self.sent.append(passage)
            self.arrived.append(passage)

    def ticks_until(self, instant_ns: int) -> None:
        """Write the real-time bytes that stand alone before an instant."""
        while self._next_tick_ns + b.BYTE_NS <= instant_ns:
            self.beside(Direction.TO_UNIT, bytes((self.tick,)), self._next_tick_ns + b.BYTE_NS)
            self._next_tick_ns += self.tick_ns

    def _with_ticks(self, data: bytes, start_ns: int) -> bytes:
        self.ticks_until(start_ns)
        made = bytearray(data)
        while (at := max(-(-(self._next_tick_ns - start_ns) // b.BYTE_NS), 0)) < len(made):
            made.insert(at, self.tick)
            self._next_tick_ns += self.tick_ns
        over_ns = start_ns + len(made) * b.BYTE_NS
        self._next_tick_ns = max(self._next_tick_ns, over_ns)
        return bytes(made)
