"""A capture: both directions of a line, every byte, with times."""

from enum import Enum
from typing import NamedTuple

from msgspec import Struct


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


class Capture(Struct):
    """What passed, in the order of arrival."""

    passages: list[Passage] = []

    def bytes_of(self, direction: Direction) -> bytes:
        """Return everything that went one way, joined."""
        return b"".join(passage.data for passage in self.passages if passage.direction is direction)
