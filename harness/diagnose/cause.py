"""A cause, as data: what it is called, what to do about it, and by which signs it is known."""

from collections.abc import Mapping
from enum import IntEnum, StrEnum

from msgspec import Struct

from dryload.harness.diagnose.sign import Sign, Value


class Where(StrEnum):
    """Where the cause lies."""

    WAY_THERE = "on the way to the unit"
    WAY_BACK = "on the way back"
    SENDER = "in the sender"
    FILE = "in the dump itself"
    UNIT = "in the unit"
    UNIT_OR_WAY = "in the unit or on the way to it"
    """Nothing on the line tells the two apart: what has no checksum may have been altered."""
    BENCH = "at the bench"
    """Ports, settings, cables in the wrong socket, people."""


class Strength(IntEnum):
    """How much speaks for a cause, by what was seen and not by how often it happens."""

    WEAK = 1
    """It would explain what was seen, and so would much else."""
    FAIR = 2
    """What was seen is usual for it and unusual for anything else."""
    STRONG = 3
    """Several things that were seen speak for it, or one that little else brings about."""
    SURE = 4
    """What was seen is the thing itself."""


class Want(Struct, frozen=True, kw_only=True):
    """A sign that a row of the table asks for: what it is, and what its values have to be."""

    names: tuple[str, ...]
    """A kind of sign, or clauses of which one is violated."""
    values: Mapping[str, tuple[Value, ...]]
    """By name, what the value may be; one of several is enough."""
    at_least: Mapping[str, int]
    """By name, how large a number has to be."""

    def fits(self, sign: Sign) -> bool:
        """Whether a sign is the one that is asked for."""
        return (
            sign.name in self.names
            and all(sign.values.get(name) in allowed for name, allowed in self.values.items())
            and all(int(sign.values[name]) >= least for name, least in self.at_least.items())
        )


class CauseRow(Struct, frozen=True, kw_only=True):
    """One way in which a cause shows."""

    sign: Want
    """What raises the suspicion: its evidence is told, and its place is that of the cause."""
    beside: tuple[Want, ...]
    """What has to be there in the same dump as well."""
    unless: tuple[Want, ...]
    """What may not be there in the same dump."""
    strength: Strength
    because: str
    """More exact words for what shows like this, in place of the cause's sentence; "" for none."""


class Cause(Struct, frozen=True, kw_only=True):
    """One cause."""

    name: str
    """What to call it: a few plain words, the same in programs."""
    where: Where
    sentence: str
    """The one plain sentence that a user reads."""
    tells: str
    """How it comes about, in one or two sentences without a foreign word."""
    remedy: tuple[str, ...]
    """What to do, the first thing first; `dryload ...` where there is a command."""
    experiment: str
    """What tells it from its likely rivals."""
    rows: tuple[CauseRow, ...]
    explains: frozenset[str] = frozenset()
    """Kinds of signs, and clauses, that come of it and need no cause of their own."""
    is_harmless: bool = False
    """Whether a dump comes to no harm by it: it is told as a remark, never as the cause."""
