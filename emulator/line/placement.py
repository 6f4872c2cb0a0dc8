"""Where and when a disturbance strikes, as frozen data, and the count that goes with it.

Theory of operation.  A placement names messages: by what they are, by their number, by their way,
and by a window of time.  Of these its aim counts every one that passes, and of what it counts takes
every so-many-th, then throws for a chance, and stops when it has struck so often.  A message that
is spared by its count or by chance is counted all the same, so that no throw depends on another.
"""

from enum import Enum
from fractions import Fraction
from typing import Final

from msgspec import Struct
from msgspec.structs import force_setattr

from dryload.emulator.dump.capture import Direction
from dryload.emulator.line.watch import Seen, Sort
from dryload.emulator.unit.dice import happens, salt_of


class Scope(Enum):
    """Which messages are meant."""

    MESSAGES = "messages"
    HEADER = "header"
    PACKETS = "packets"
    REPLIES = "replies"
    HEADER_REPLY = "reply to the header"
    REQUESTS = "requests"


_SORTS: Final = {
    Scope.HEADER: Sort.HEADER,
    Scope.PACKETS: Sort.PACKET,
    Scope.REPLIES: Sort.REPLY,
    Scope.HEADER_REPLY: Sort.REPLY,
    Scope.REQUESTS: Sort.REQUEST,
}
_BACK: Final = (Scope.REPLIES, Scope.HEADER_REPLY)
EVERYWHERE: Final = (Direction.TO_UNIT, Direction.FROM_UNIT)


class Placement(Struct, frozen=True, kw_only=True):
    """Which messages, which byte of them, and when; ValueError for what no line can have."""

    target: Scope = Scope.MESSAGES
    directions: tuple[Direction, ...] = ()
    """() becomes: answers from the unit, everything else to it."""
    first: int = 0
    """From this packet, answered packet or message on, counted from 0."""
    last: int | None = None
    """Up to this one, which is meant too; None: all that follow."""
    every: int = 1
    """Of those that are meant, every so-many-th."""
    byte: int | None = None
    """Which byte, from 0 at F0; None: one that the seed picks."""
    chance: Fraction = Fraction(1)
    seed: int = 1
    from_ns: int = 0
    until_ns: int | None = None
    times: int | None = None
    """It strikes so often and no more."""
    again: bool = True
    """Whether what goes out a second time is meant as well."""
    by_arrival: bool = False
    """Whether the time counts for each byte as it arrives, and not for a message as it goes out."""

    def __post_init__(self) -> None:
        """Refuse what no line can have."""
        for name in ("first", "byte", "from_ns"):
            if (getattr(self, name) or 0) < 0:
                raise ValueError(f"{name} must be 0 or more, not {getattr(self, name)}")
        for name in ("every", "times"):
            if (value := getattr(self, name)) is not None and value < 1:
                raise ValueError(f"{name} must be 1 or more, not {value}")
        if self.last is not None and self.last < self.first:
            raise ValueError(f"there is nothing from {self.first} to {self.last}")
        if self.until_ns is not None and self.until_ns <= self.from_ns:
            raise ValueError("it would have ended before it began")
        if not 0 < self.chance <= 1:
            raise ValueError(f"a chance is more than 0 and at most 1, not {self.chance}")
        if not self.directions:
            usual = Direction.FROM_UNIT if self.target in _BACK else Direction.TO_UNIT
            force_setattr(self, "directions", (usual,))

    def means(self, seen: Seen) -> bool:
        """Return whether a message is one of those that are meant, chance and counts aside."""
        if seen.direction not in self.directions or (seen.again and not self.again):
            return False
        sort = _SORTS.get(self.target)
        if sort is not None and sort is not seen.sort:
            return False
        if self.target is Scope.HEADER_REPLY:
            if seen.packet is not None:
                return False
        elif self.target in (Scope.PACKETS, Scope.REPLIES, Scope.MESSAGES):
            number = seen.message if self.target is Scope.MESSAGES else seen.packet
            if number is None:  # the answer to a header is an answer, and to no packet
                number = 0 if self.last is None and self.first == 0 else -1
            if number < self.first or (self.last is not None and number > self.last):
                return False
        if self.until_ns is not None and seen.start_ns >= self.until_ns:
            return False
        return self.by_arrival or seen.end_ns > self.from_ns


class Aim:
    """A placement at work: counts what is meant, and what was struck."""

    def __init__(self, where: Placement, kind: str) -> None:
        self._where: Final = where
        self.directions: Final = where.directions
        name = kind.title().replace("_", "")  # spelt so in seeds that people keep
        self.salt: Final = salt_of(
            f"{name} {where.target.value} {where.first} {where.last} {where.every}"
        )
        """Makes different disturbances with one seed strike independently."""
        self._meant = 0
        self._struck = 0

    def at(self, seen: Seen) -> int | None:
        """Return which of those that are meant this message is, from 1; None: it is spared."""
        where = self._where
        if where.times is not None and self._struck >= where.times:
            return None
        if not where.means(seen):
            return None
        self._meant += 1
        if self._meant % where.every:
            return None
        if where.chance < 1 and not happens(where.chance, where.seed, self.salt, self._meant):
            return None
        return self._meant

    def strike(self) -> None:
        """Count one that really was struck."""
        self._struck += 1
