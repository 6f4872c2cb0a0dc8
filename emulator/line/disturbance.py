"""Disturbances: what is done to a line on purpose, where, and the truth about what was done.

Theory of operation.  A disturbance is an effect with its settings, and a placement.  As a message
begins to go out, the injector learns of it and asks the aim of every disturbance whether this
message is meant; each that says yes is an injection.  It hands the bytes of the message, each with
its instant, to the effect, which changes them in place and returns which bytes it struck; what it
returns is the truth that `AppliedFault` tells.

What a seed decides follows from the seed, the kind of effect, the messages that are meant and
their count, and from nothing else that is done to the line.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from msgspec import Struct

from dryload.emulator.dump.capture import Direction
from dryload.emulator.line.placement import Aim, Placement
from dryload.emulator.line.watch import Seen, Sort, Watch
from dryload.emulator.unit.dice import below
from dryload.emulator.wire.constants import BYTE_NS
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import DataPacket, Handshake

_DATA: Final = FIXED[DataPacket].span("data")
_KIND: Final = FIXED[Handshake].span("kind").start


Timed = list[tuple[int, int]]
"""Bytes, each behind the instant at which its last bit arrives."""
Places = tuple[int, ...] | None
"""The bytes struck, () for the message as a whole, None where there was nothing to strike."""
Effect = Callable[..., Places]
"""Takes the bytes of a message, the injection and its settings; see `effects`."""


class Disturbance(Struct, frozen=True, kw_only=True):
    """One thing done to the line on purpose: what, and where."""

    effect: Effect
    settings: Mapping[str, Any] = {}
    """Arguments of the effect."""
    where: Placement
    said: str = ""
    """The words in which it was asked for."""


class AppliedFault(NamedTuple):
    """One time that a disturbance struck: the truth about what was done."""

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
    """When the first of them would have been there; of a whole message, when it begins, and of
    what happens to the unit, when the message ends."""

    @property
    def byte(self) -> int | None:
        """The first byte struck, None for a whole message."""
        return self.bytes[0] if self.bytes else None


class FaultInjector:
    """All disturbances of one line, and what they did so far."""

    def __init__(self, disturbances: Sequence[Disturbance], byte_ns: int = BYTE_NS) -> None:
        self.struck: Final[list[AppliedFault]] = []
        self._byte_ns: Final = byte_ns
        self._watch: Final = Watch()
        self._aims: Final = [(each, Aim(each.where, each.effect.__name__)) for each in disturbances]

    def see(
        self, direction: Direction, message: bytes, start_ns: int, end_ns: int
    ) -> "Sequence[Injection]":
        """Learn of a message that begins to go out; return what strikes it, in order."""
        seen = self._watch.see(direction, message, start_ns, end_ns)
        found: list[Injection] = []
        for disturbance, aim in self._aims:
            if direction in aim.directions and (turn := aim.at(seen)) is not None:
                found.append(Injection(disturbance, aim, seen, turn, self._byte_ns, self.struck))
        return found


class Injection(Struct, frozen=True):
    """One disturbance about to be done to one message: what effects know, and have in common."""

    disturbance: Disturbance
    aim: Aim
    seen: Seen
    turn: int
    """Which of the messages that are meant it is."""
    byte_ns: int
    struck: list[AppliedFault]

    @property
    def where(self) -> Placement:
        """Where it was placed."""
        return self.disturbance.where

    def act(self, timed: Timed, *subject: object) -> bool:
        """Do it to the bytes of the message; return whether there was anything to strike.

        `subject` is what it is done to where that is not the line.
        """
        before = list(timed)
        does = self.disturbance
        places = does.effect(timed, self, *subject, **does.settings)
        if places is None:
            return False
        self.aim.strike()
        direction, message, sort, packet, _, start_ns, end_ns = self.seen
        at_ns = end_ns if subject else start_ns
        if places:
            at_ns = before[places[0]][0]
        self.struck.append(AppliedFault(does.said, direction, message, sort, packet, places, at_ns))
        return True

    def pick(self, limit: int, what: int = 0) -> int:
        """Return a number below `limit`, as the seed decides; another one for another `what`."""
        return below(limit, self.where.seed, self.aim.salt, self.turn, 1 + what)

    def data(self, timed: Timed) -> range:
        """Return the places of the data: of a whole packet its words, else all but the frame."""
        if self.seen.sort is Sort.PACKET and len(timed) > _DATA.stop:
            return range(_DATA.start, _DATA.stop)
        return range(_KIND, len(timed) - 1)

    def places(self, timed: Timed) -> list[int]:
        """Return the bytes that may be struck: the named one, or the data within the window."""
        if self.where.byte is not None:
            return [self.where.byte] if self.where.byte < len(timed) else []
        if not self.where.from_ns and self.where.until_ns is None:
            return [*self.data(timed)]  # the window is open all the time
        return [at for at in self.data(timed) if self.within(timed[at][0])]

    def within(self, at_ns: int) -> bool:
        """Return whether an instant lies in the window."""
        until_ns = self.where.until_ns
        return at_ns > self.where.from_ns and (until_ns is None or at_ns < until_ns)

    def place(self, timed: Timed) -> int | None:
        """Return the byte to strike, None for none; of an open window the first byte in it."""
        places = self.places(timed)
        if not places:
            return None
        if timed[0][0] <= self.where.from_ns:  # it is on its way as the window opens
            return places[0]
        return places[self.pick(len(places))]
