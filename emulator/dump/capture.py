"""A capture: both directions of a line, every byte, with times."""

from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple


class Direction(Enum):
    """Which way bytes go, seen from the unit."""

    __hash__ = object.__hash__  # members of an Enum hash by name otherwise, in slow steps

    TO_UNIT = "to unit"
    FROM_UNIT = "from unit"


class Passage(NamedTuple):
    """Bytes that arrived together: the last at `end_ns`, each 320,000 ns after the one before.

    Where bytes did not follow one another like that, they are several passages.
    """

    direction: Direction
    end_ns: int
    data: bytes


@dataclass(slots=True)
class Capture:
    """What passed, in the order of arrival."""

    passages: list[Passage] = field(default_factory=list)

    def bytes_of(self, direction: Direction) -> bytes:
        """Return everything that went one way, joined."""
        return b"".join(passage.data for passage in self.passages if passage.direction is direction)
