"""What can be the matter: a cause, and the suspicion that it is one.

Theory of operation.  A rule looks at one scene and yields suspicions; it knows nothing of other
rules.  What a cause brings along (`Cause.brings`) says which other suspicions need no cause of
their own once it is suspected.  `ranking` does the rest.
"""

from dataclasses import dataclass
from enum import IntEnum, StrEnum

from harness.judge.finding import Place


class Where(StrEnum):
    """Where the cause lies."""

    WAY_THERE = "on the way to the unit"
    WAY_BACK = "on the way back"
    SENDER = "in the sender"
    FILE = "in the dump itself"
    UNIT = "in the unit"
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One cause, as data."""

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
    faults: tuple[int, ...] = ()
    """Which of the sixty faults of a transfer it stands behind, T01 to T60."""
    explains: frozenset[str] = frozenset()
    """Clauses that a transfer with this cause violates, so that it explains such findings."""
    brings: tuple[str, ...] = ()
    """Causes whose signs this one brings along."""
    is_harmless: bool = False
    """Whether a dump comes to no harm by it: it is told as a remark, never as the cause."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One thing seen that speaks for a suspicion."""

    text: str
    """A whole sentence, plain words first."""
    at: Place | None = None
    shown: str = ""
    """Bytes, in hexadecimal, where they say something."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspicion:
    """A cause, and what speaks for it in this capture."""

    cause: str
    """Name of the cause."""
    strength: Strength
    evidence: tuple[Evidence, ...]
    at: Place | None = None
    """Where it struck first."""
    dump: int | None = None
    """Which dump of the capture, from 0 on; None: the capture as a whole."""
    because: str = ""
    """More exact words for this capture, in place of the cause's sentence."""
