"""Disturbances with a place: what and where together, at work on the cables of one line."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from emulator.dump.capture import Direction
from emulator.line.hand import Effect, Hand, Timed
from emulator.line.placement import Aim, Placement
from emulator.line.watch import Seen, Sort, Watch


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A disturbance: what is done, and where.

    What the seed decides follows from the seed, the kind of effect, the messages that are meant and
    their count, and from nothing else that is done to the line.
    """

    effect: Effect
    where: Placement
    said: str = ""
    """The words in which it was asked for."""


class AppliedFault(NamedTuple):
    """One time that a disturbance struck: the truth about what was done to the line."""

    said: str
    """The words in which the disturbance was asked for."""
    direction: Direction
    message: int
    """Which message in its direction, from 0."""
    sort: Sort
    packet: int | None
    """Which data packet it is, or answers."""
    bytes: tuple[int, ...]
    """Which bytes of the message, as it was when this struck; () for all of it."""
    at_ns: int
    """When the first of them would have been there; of a whole message, when it begins."""

    @property
    def byte(self) -> int | None:
        """The first byte struck, None for a whole message."""
        return self.bytes[0] if self.bytes else None


def struck_at(said: str, seen: Seen, places: tuple[int, ...], at_ns: int) -> AppliedFault:
    """Return what struck a message."""
    return AppliedFault(said, seen.direction, seen.message, seen.sort, seen.packet, places, at_ns)


class Strikes:
    """Everything placed on one line, and what it did so far."""

    def __init__(self, placed: Sequence[Placed]) -> None:
        self.struck: Final[list[AppliedFault]] = []
        self._watch: Final = Watch()
        self._aims: Final = [
            (each, Aim(each.where, each.where.salt(type(each.effect).__name__))) for each in placed
        ]

    def see(
        self, direction: Direction, message: bytes, start_ns: int, end_ns: int
    ) -> "Sequence[Strike]":
        """Learn of a message that begins to go out; return what strikes it, in order."""
        seen = self._watch.see(direction, message, start_ns, end_ns)
        return [
            Strike(placed, aim, seen, turn, self.struck)
            for placed, aim in self._aims
            if (turn := aim.at(seen)) is not None
        ]


@dataclass(frozen=True, slots=True)
class Strike:
    """One disturbance about to strike one message."""

    placed: Placed
    aim: Aim
    seen: Seen
    turn: int
    struck: list[AppliedFault]

    def act(self, timed: Timed, byte_ns: int) -> bool:
        """Do it to the bytes of the message; return whether there was anything to strike."""
        placed, seen = self.placed, self.seen
        hand = Hand(
            where=placed.where, seen=seen, salt=self.aim.salt, turn=self.turn, byte_ns=byte_ns
        )
        before = list(timed)
        places = placed.effect.act(timed, hand)
        if places is None:
            return False
        self.aim.strike()
        at_ns = before[places[0]].at_ns if places else seen.start_ns
        self.struck.append(struck_at(placed.said, seen, places, at_ns))
        return True
