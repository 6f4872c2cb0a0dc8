"""The hand that strikes one message: what it knows, and what all effects have in common."""

from dataclasses import dataclass, fields
from typing import Final, Protocol

from emulator.line.dice import below
from emulator.line.disturbance import TimedByte
from emulator.line.placement import Placement
from emulator.line.watch import Seen, Sort
from emulator.wire.layout import FIXED
from emulator.wire.messages import DataPacket, Handshake

_DATA: Final = FIXED[DataPacket].span("data")
_KIND: Final = FIXED[Handshake].span("kind").start

Timed = list[TimedByte]
AppliedFault = tuple[int, ...] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Hand:
    """What strikes one message: where to, and the seed with which it picks what is left open."""

    where: Placement
    seen: Seen
    salt: int
    turn: int
    """Which of the messages that are meant it is."""
    byte_ns: int

    def pick(self, limit: int, what: int = 0) -> int:
        """Return a number below `limit`; another one for another `what`."""
        return below(limit, self.where.seed, self.salt, self.turn, 1 + what)

    def data(self, timed: Timed) -> range:
        """Return the places of the data: of a whole packet its words, else all but the frame."""
        if self.seen.sort is Sort.PACKET and len(timed) > _DATA.stop:
            return range(_DATA.start, _DATA.stop)
        return range(_KIND, len(timed) - 1)

    def places(self, timed: Timed) -> list[int]:
        """Return the bytes that may be struck: the named one, or the data within the window."""
        if self.where.byte is not None:
            return [self.where.byte] if self.where.byte < len(timed) else []
        return [at for at in self.data(timed) if self.within(timed[at].at_ns)]

    def within(self, at_ns: int) -> bool:
        """Return whether an instant lies in the window."""
        until_ns = self.where.until_ns
        return at_ns > self.where.from_ns and (until_ns is None or at_ns < until_ns)

    def place(self, timed: Timed) -> int | None:
        """Return the byte to strike, None for none; of an open window the first byte in it."""
        places = self.places(timed)
        if not places:
            return None
        if timed[0].at_ns <= self.where.from_ns:  # it is on its way as the window opens
            return places[0]
        return places[self.pick(len(places))]


class Effect(Protocol):
    """What a disturbance does."""

    def act(self, timed: Timed, hand: Hand) -> AppliedFault:
        """Do it to the bytes of one message."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """Numbers with limits: a field's metadata says which."""

    def __post_init__(self) -> None:
        """Refuse what no line can do."""
        for each in fields(self):
            value, range_ = getattr(self, each.name), each.metadata.get("limits")
            if range_ is not None and value is not None and not range_[0] <= value <= range_[1]:
                raise ValueError(f"{each.name} must be {range_[0]} to {range_[1]}, not {value}")


def limits(least: int, most: int) -> dict[str, tuple[int, int]]:
    """Return the metadata of a field that must lie between these two, both included."""
    return {"limits": (least, most)}


LONGEST_NS: Final = 600_000_000_000
MOST_BYTES: Final = 4_096
