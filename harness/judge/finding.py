"""One thing observed, tied to a clause and a place."""

from dataclasses import dataclass, field
from enum import StrEnum


class Verdict(StrEnum):
    """What a finding is worth."""

    BROKEN = "broken"
    """A must of the standard is violated."""
    BENT = "bent"
    """A should is missed."""
    NOTED = "noted"
    """Legal, or left open by the standard, but worth knowing."""
    RIG = "rig"
    """Cable, port or harness at fault; never held against the unit or the file."""


class Answerable(StrEnum):
    """Who has to mend it."""

    FILE = "file"
    SENDER = "sender"
    UNIT = "unit"
    RIG = "rig"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where: what is not known is None."""

    byte: int | None = None
    """Offset in the file or stream."""
    packet: int | None = None
    """Data packet of its dump, counted from 0; never wraps."""
    packet_number: int | None = None
    """The number that the packet carries, 0 to 127."""
    time_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One observation in plain words, with what was expected and found."""

    clause: str
    verdict: Verdict
    message: str
    answerable: Answerable
    at: Place = field(default_factory=Place)
    expected: str = ""
    found: str = ""
    do: str = ""
