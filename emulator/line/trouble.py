"""Trouble inside a unit: a thin wrapper between the line and the unit, which knows nothing of it.

What is a habit of a unit is a trait of its profile and no matter of this file.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import reduce
from heapq import heappop, heappush
from operator import xor
from typing import Final

from emulator.dump.capture import Direction
from emulator.dump.events import Event
from emulator.line.applied import AppliedFault, struck_at
from emulator.line.dice import below
from emulator.line.placement import Aim, Placement, Target
from emulator.line.watch import Seen, Sort, Watch
from emulator.unit.board import RackUnit
from emulator.wire.constants import BYTE_NS, PACKET_BYTES
from emulator.wire.layout import FIXED
from emulator.wire.messages import DataPacket
from emulator.wire.splitter import PieceKind, Splitter

_DATA: Final = FIXED[DataPacket].span("data")
_CHECKSUM: Final = FIXED[DataPacket].span("checksum").start
_LONGEST: Final = 1 << 16
_ALWAYS_USED: Final = 0x40
"""The bit of a data byte that is significant whatever the width of a word (WRD-06)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerFails:
    """The power goes as a message arrives, and comes back after a time, if at all."""

    for_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ForgetsHeader:
    """As a message arrives the unit knows of no dump any more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoresWrong:
    """The unit takes a packet for good and keeps another byte than came."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """What happens inside the unit, and with which message that arrives there.

    Messages are counted here as they arrive whole: what the line has lost is not among them.
    """

    effect: PowerFails | ForgetsHeader | StoresWrong
    where: Placement
    said: str = ""

    def __post_init__(self) -> None:
        """Refuse what a unit cannot meet."""
        if self.where.directions != (Direction.TO_UNIT,):
            raise ValueError("only what goes to the unit can meet trouble in it")
        if isinstance(self.effect, StoresWrong) and self.where.target is not Target.PACKETS:
            raise ValueError("only packets are stored")
        byte = self.where.byte
        if byte is not None:
            if not isinstance(self.effect, StoresWrong):
                raise ValueError("it happens to the unit and not to a byte")
            if not _DATA.start <= byte < _DATA.stop:
                last = _DATA.stop - 1
                raise ValueError(f"the data of a packet are bytes {_DATA.start} to {last}")


class TroubledUnit:
    """An endpoint: `unit` with troubles; `struck` is what happened."""

    def __init__(self, unit: RackUnit, troubles: Sequence[Trouble]) -> None:
        self.unit: Final = unit
        self.struck: Final[list[AppliedFault]] = []
        self._watch: Final = Watch()
        self._splitter: Final = Splitter(limit=_LONGEST)
        self._aims: Final = [
            (each, Aim(each.where, each.where.salt(type(each.effect).__name__)))
            for each in troubles
        ]
        self._later: Final[list[tuple[int, int, Callable[[int], object]]]] = []
        self._serial = 0

    def receive_bytes(self, data: bytes, now_ns: int) -> Sequence[Event]:
        """Take bytes from the line; what happens with a message happens as its end arrives."""
        for piece in self._splitter.feed(data):
            if piece.kind is PieceKind.EXCLUSIVE:
                start_ns = now_ns - len(piece.raw) * BYTE_NS
                seen = self._watch.see(Direction.TO_UNIT, piece.body, start_ns, now_ns)
                data = self._meet(data, seen, is_whole=piece.raw == data)
        return self.unit.receive_bytes(data, now_ns)

    def message_left(self, now_ns: int) -> Sequence[Event]:
        """Pass it on."""
        return self.unit.message_left(now_ns)

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

    def bytes_to_send(self) -> bytes:
        """Return what the unit says."""
        return self.unit.bytes_to_send()

    def _meet(self, data: bytes, seen: Seen, *, is_whole: bool) -> bytes:
        for trouble, aim in self._aims:
            turn = aim.at(seen)
            if turn is None or not self.unit.panel.powered:
                continue
            places: tuple[int, ...] = ()
            match trouble.effect:
                case PowerFails(for_ns=for_ns):
                    self._power_fails(seen.end_ns, for_ns)
                case ForgetsHeader():
                    self.unit.panel.interrupt(seen.end_ns)
                case StoresWrong():
                    is_packet = is_whole and len(data) == PACKET_BYTES
                    if not is_packet or seen.sort is not Sort.PACKET or _sum(data):
                        continue
                    data, places = _stored_wrong(data, trouble.where, aim.salt, turn)
            aim.strike()
            at_ns = seen.end_ns
            if places:
                at_ns -= (len(data) - 1 - places[0]) * BYTE_NS
            self.struck.append(struck_at(trouble.said, seen, places, at_ns))
        return data

    def _power_fails(self, now_ns: int, for_ns: int | None) -> None:
        panel = self.unit.panel
        panel.power_off(now_ns)
        if for_ns is not None:
            self._serial += 1
            heappush(self._later, (now_ns + for_ns, self._serial, panel.power_on))


def _sum(packet: bytes) -> int:
    """Return 0 for a packet whose checksum is right (PKT-05)."""
    return reduce(xor, packet[1 : _CHECKSUM + 1])


def _stored_wrong(
    packet: bytes, where: Placement, salt: int, turn: int
) -> tuple[bytes, tuple[int, ...]]:
    """Return a packet with one bit of its data another, and a checksum that fits."""
    at = where.byte
    if at is None:
        size = _DATA.stop - _DATA.start
        at = _DATA.start + below(size, where.seed, salt, turn, 1)
    wrong = bytearray(packet)
    wrong[at] ^= _ALWAYS_USED
    wrong[_CHECKSUM] ^= _ALWAYS_USED
    return bytes(wrong), (at,)
