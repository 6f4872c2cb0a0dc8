"""Causes that nobody could tell apart, and what of a run a view shows."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

NOTHING: Final = ""
"""Stands among causes for: nothing is named."""


STOPS_BEFORE: Final = ("sender gave up",)
"""Causes whose place is the last packet that there is, and so the one before the first missing."""


class View(StrEnum):
    """What of a run is given to the diagnosis."""

    LINE = "line"
    """Both directions as they arrived, with times."""
    HOST = "host"
    """What the host sent and what arrived at it, with times."""
    TO = "to the unit only"
    FROM = "from the unit only"
    UNTIMED = "no times"
    """Both directions as they arrived, in their order."""
    FILE = "a file"
    """What was to be sent, without times, and no unit."""


@dataclass(frozen=True, slots=True)
class Alike:
    """Causes that leave the same capture."""

    causes: frozenset[str]
    because: str
    has_place: bool = True
    """Whether a packet can be named at all: of several pauses none is the one."""


def alike(because: str, *causes: str) -> Alike:
    return Alike(frozenset(causes), because)


def only(cause: str) -> Alike:
    """Return the class of a cause that nothing else looks like."""
    return alike("Nothing else leaves these bytes.", cause)


def either(because: str, *classes: Alike | str) -> Alike:
    """Return the class of everything in some classes."""
    causes: set[str] = set()
    for each in classes:
        causes |= {each} if isinstance(each, str) else each.causes
    return Alike(frozenset(causes), because)


def of_file(because: str, *causes: str) -> Alike:
    """Return the class of a fault in the dump itself."""
    return alike(because or "The words or the numbers themselves say it.", *causes)


def known(classes: Iterable[Alike]) -> frozenset[str]:
    """Return every cause in some classes."""
    return frozenset().union(*(each.causes for each in classes)) - {NOTHING}
