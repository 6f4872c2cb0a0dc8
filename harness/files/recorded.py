"""A capture and what is known about it."""

from enum import StrEnum
from typing import Final

from msgspec import Struct

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.emulator.wire.constants import BYTE_NS

BOTH: Final = tuple(Direction)
LONGEST_ABOUT: Final = 500
"""The longest description in characters, so that the kind of a file shows at its beginning."""


class TakenAt(StrEnum):
    """Where a capture was taken: damage on the way is visible only after the damaged place."""

    LINE = "line"
    """Each direction as it arrived at the other end."""
    HOST = "host"
    """What the host sent, and what arrived at it."""
    UNIT = "unit"
    """What arrived at the unit, and what it sent."""
    UNKNOWN = "unknown"


class Recorded(Struct, frozen=True, kw_only=True, eq=False):
    """A capture and what is known about it."""

    capture: Capture
    directions: tuple[Direction, ...] = BOTH
    """The directions that were listened to; of the others nothing is known."""
    is_timed: bool = True
    """Whether times are known; if not, the bytes follow each other at the speed of the line."""
    rounded_ns: int = 0
    """By how much the time between two bytes may be wrong because times were rounded."""
    late_ns: int = 0
    """How late the recorder may have been: the times of what arrived may be too late by this much.
    """
    start_ns: int = 0
    """When the recording began, by the clock of its times."""
    taken_at: TakenAt = TakenAt.UNKNOWN
    about: str = ""
    """A description by whoever recorded it."""
    remarks: tuple[str, ...] = ()
    """What was odd about the file, in plain words."""

    @property
    def is_from_port(self) -> bool:
        """Whether a clock gave its times, so that they scatter: virtual time begins at 0."""
        return self.is_timed and self.start_ns != 0


def back_to_back(parts: list[tuple[Direction, bytes]]) -> list[Passage]:
    """Return passages for bytes without times: one after another, as one line would carry them."""
    now_ns = 0
    passages = []
    for direction, data in parts:
        now_ns += len(data) * BYTE_NS
        passages.append(Passage(direction, now_ns, data))
    return passages
