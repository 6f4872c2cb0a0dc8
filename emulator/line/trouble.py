"""Trouble inside a unit: a thin wrapper between the line and the unit, which knows nothing of it.

What is a habit of a unit is a trait of its profile and no matter of this file.

Theory of operation.  A trouble is a disturbance whose effect is done to the unit and not to the
line: as a message arrives whole, it strikes by the same rules of placement.  Messages are counted
here as they arrive: what the line has lost is not among them.  A unit that is off meets none.
"""

from collections.abc import Callable, Sequence
from functools import reduce
from heapq import heappop, heappush
from operator import xor
from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.events import Event
from dryload.emulator.line.disturbance import (
    AppliedFault,
    Disturbance,
    FaultInjector,
    Injection,
    Places,
    Timed,
)
from dryload.emulator.line.placement import Scope
from dryload.emulator.line.watch import Sort
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.wire.constants import BYTE_NS, PACKET_BYTES
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import DataPacket
from dryload.emulator.wire.splitter import PieceKind, Splitter

_DATA: Final = FIXED[DataPacket].span("data")
_CHECKSUM: Final = FIXED[DataPacket].span("checksum").start
_LONGEST: Final = 1 << 16
_ALWAYS_USED: Final = 0x40
"""The bit of a data byte that is significant whatever the width of a word (WRD-06)."""


class Trouble(Disturbance, frozen=True, kw_only=True):
    """What happens inside the unit, and with which message that arrives there."""

    def __post_init__(self) -> None:
        """Refuse what a unit cannot meet."""
        stores, byte = self.effect is stores_wrong, self.where.byte
        if self.where.directions != (Direction.TO_UNIT,):
            raise ValueError("only what goes to the unit can meet trouble in it")
        if stores and self.where.target is not Scope.PACKETS:
            raise ValueError("only packets are stored")
        if byte is not None and not stores:
            raise ValueError("it happens to the unit and not to a byte")
        if byte is not None and not _DATA.start <= byte < _DATA.stop:
            raise ValueError(f"the data of a packet are bytes {_DATA.start} to {_DATA.stop - 1}")


class TroubledUnit:
    """An endpoint: `unit` with troubles; `struck` is what happened."""

    def __init__(self, unit: RackUnit, troubles: Sequence[Trouble]) -> None:
        self.unit: Final = unit
        self._injector: Final = FaultInjector(troubles)
        self.struck: Final[list[AppliedFault]] = self._injector.struck
        self._splitter: Final = Splitter(limit=_LONGEST)
        self._later: Final[list[tuple[int, int, Callable[[int], object]]]] = []
        self._serial = 0
        self.message_left: Final = unit.message_left
        self.bytes_to_send: Final = unit.bytes_to_send

    def receive_bytes(self, data: bytes, now_ns: int) -> Sequence[Event]:
        """Take bytes from the line; what happens with a message happens as its end arrives."""
        for piece in self._splitter.feed(data):
            if piece.kind is PieceKind.EXCLUSIVE:
                start_ns = now_ns - len(piece.raw) * BYTE_NS
                injections = self._injector.see(Direction.TO_UNIT, piece.body, start_ns, now_ns)
                if injections:
                    data = self._meet(data, injections, is_whole=piece.raw == data)
        return self.unit.receive_bytes(data, now_ns)

    def handle_deadline(self, now_ns: int) -> Sequence[Event]:
        """Let happen what is due, here and in the unit."""
        while self._later and self._later[0][0] <= now_ns:
            heappop(self._later)[2](now_ns)
        return self.unit.handle_deadline(now_ns)

    def next_deadline_ns(self) -> int | None:
        """Return when something is due, here or in the unit."""
        theirs = self.unit.next_deadline_ns()
        if not self._later:
            return theirs
        ours = self._later[0][0]
        return ours if theirs is None or ours < theirs else theirs

    def _meet(self, data: bytes, injections: Sequence[Injection], *, is_whole: bool) -> bytes:
        start_ns = injections[0].seen.start_ns
        timed = [
            (start_ns + (at + 1) * BYTE_NS, value)
            for at, value in enumerate(data if is_whole else b"")
        ]
        for injection in injections:
            if self.unit.panel.powered:
                injection.act(timed, self)
        return bytes(value for _, value in timed) if is_whole else data

    def at(self, instant_ns: int, action: Callable[[int], object]) -> None:
        """Call `action` with the time at an instant."""
        self._serial += 1
        heappush(self._later, (instant_ns, self._serial, action))


def power_fails(
    timed: Timed, injection: Injection, unit: TroubledUnit, for_ns: int | None = None
) -> Places:
    """Let the power go as a message arrives, and come back after a time, if at all."""
    panel, now_ns = unit.unit.panel, injection.seen.end_ns
    panel.power_off(now_ns)
    if for_ns is not None:
        unit.at(now_ns + for_ns, panel.power_on)
    return ()


def forgets_header(timed: Timed, injection: Injection, unit: TroubledUnit) -> Places:
    """Let the unit know of no dump any more as a message arrives."""
    unit.unit.panel.interrupt(injection.seen.end_ns)
    return ()


def stores_wrong(timed: Timed, injection: Injection, unit: TroubledUnit) -> Places:
    """Let the unit take a packet for good (PKT-05) and keep another byte than came."""
    if len(timed) != PACKET_BYTES or injection.seen.sort is not Sort.PACKET:
        return None
    if reduce(xor, (value for _, value in timed[1 : _CHECKSUM + 1])):
        return None
    at = injection.where.byte
    if at is None:
        at = _DATA.start + injection.pick(_DATA.stop - _DATA.start)
    for each in (at, _CHECKSUM):  # a sum that fits what is stored
        at_ns, value = timed[each]
        timed[each] = at_ns, value ^ _ALWAYS_USED
    return (at,)
