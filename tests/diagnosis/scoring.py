"""Counting: what was right, added up as it comes, with intervals.

The intervals are Wilson's score intervals (E. B. Wilson, Journal of the American Statistical
Association 22, 1927, p. 209-212), 95 %, z = 1.959964.
"""

from collections import Counter
from dataclasses import dataclass, field
from math import sqrt
from typing import Final

from harness.diagnose.confidence import Confidence
from harness.diagnose.diagnose import Answer, Diagnosis, diagnose
from tests.diagnosis.alike import NOTHING, STOPS_BEFORE
from tests.diagnosis.baseline import naive
from tests.diagnosis.runs import Run

Z_95: Final = 1.959964
_TOP: Final = 3
_SHOWN: Final = 400
"""Wrong runs of a family that are remembered."""


def wilson(right: int, of: int, z: float = Z_95) -> tuple[float, float]:
    """Return the score interval of a share, from 0 to 1; of nothing, all of it."""
    if of == 0:
        return 0.0, 1.0
    share, square = right / of, z * z
    middle = (share + square / (2 * of)) / (1 + square / of)
    half = z / (1 + square / of) * sqrt(share * (1 - share) / of + square / (4 * of * of))
    return max(middle - half, 0.0), min(middle + half, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """How one run was answered."""

    named: tuple[str, ...]
    """The causes, the likeliest first."""
    first: bool
    """Whether the first answer is right; naming nothing is an answer."""
    among: bool
    """Whether one of the first three is."""
    undecided: bool
    """Whether it says itself that it is not sure, or names nothing."""
    place: bool | None
    """Whether the packet is right; None where there is none, or the cause is not."""
    word: Confidence | None
    is_broken: bool
    baseline: bool
    """Whether the naive rules are right."""
    alike: int = 1
    """How many causes nobody could tell from the right one, itself among them."""


def verdict_of(run: Run, diagnosis: Diagnosis | None = None) -> Verdict:
    """Diagnose a run and compare with its label."""
    found = diagnose(run.recorded, run.sources) if diagnosis is None else diagnosis
    named = tuple(each.name for each in found.causes)
    answers = named or (NOTHING,)
    first = answers[0] in run.accepted
    place = None
    if run.packet is not None and first and found.first is not None:
        at = found.first.suspicion.at
        packets = (run.packet, run.packet - 1) if answers[0] in STOPS_BEFORE else (run.packet,)
        place = at is not None and at.packet in packets
    unsure = found.answer in (Answer.UNDECIDED, Answer.NOT_ENOUGH) or not named
    return Verdict(
        named=named,
        first=first,
        among=any(name in run.accepted for name in answers[:_TOP]),
        undecided=unsure or found.confidence is Confidence.POSSIBLE,
        place=place,
        word=found.confidence,
        is_broken=found.scene.verdicts.is_broken,
        baseline=naive(run.recorded) in run.accepted,
        alike=len(run.accepted),
    )


@dataclass(slots=True)
class Count:
    """What the runs of one family came to."""

    runs: int = 0
    first: int = 0
    among: int = 0
    undecided: int = 0
    """Wrong, and said to be not sure."""
    wrong: int = 0
    """Wrong, and sure of it."""
    placed: int = 0
    """Runs with a packet whose cause was found."""
    place: int = 0
    baseline: int = 0
    alike: int = 0
    """Causes that were right, of all runs together."""

    def add(self, verdict: Verdict) -> None:
        """Count a run."""
        self.runs += 1
        self.first += verdict.first
        self.among += verdict.among
        self.undecided += not verdict.first and verdict.undecided
        self.wrong += not verdict.first and not verdict.undecided
        self.placed += verdict.place is not None
        self.place += verdict.place is True
        self.baseline += verdict.baseline
        self.alike += verdict.alike

    def merge(self, other: "Count") -> None:
        """Add another count to this one."""
        for name in self.__slots__:
            setattr(self, name, getattr(self, name) + getattr(other, name))


@dataclass(slots=True)
class Tally:
    """What many runs came to; two tallies can be added."""

    faults: dict[str, Count] = field(default_factory=dict)
    """Runs in which something is wrong, by family."""
    open: Count = field(default_factory=Count)
    """Runs in which something is there that may as well be nothing."""
    clean: dict[str, Count] = field(default_factory=dict)
    """Runs in which nothing may be named."""
    views: dict[str, Count] = field(default_factory=dict)
    """The same as `faults`, by view, with and without the source."""
    broken: int = 0
    """Clean runs of the healthy set in which the judge calls something broken."""
    words: Counter[tuple[str, bool]] = field(default_factory=Counter)
    confusion: Counter[tuple[str, str]] = field(default_factory=Counter)
    missed: list[tuple[str, int, str]] = field(default_factory=list)
    """Wrong runs: family, number, what was named."""
    misplaced: list[tuple[str, int, str]] = field(default_factory=list)

    def add(self, run: Run, verdict: Verdict) -> None:
        """Count a run."""
        if run.is_open:
            self.open.add(verdict)
        else:
            group = self.clean if run.is_clean else self.faults
            group.setdefault(run.family, Count()).add(verdict)
        if not (run.is_open or run.is_clean):
            view = f"{run.view}, with the source" if run.sources else str(run.view)
            self.views.setdefault(view, Count()).add(verdict)
        if verdict.word is not None:
            self.words[str(verdict.word), verdict.first] += 1
        named = verdict.named[0] if verdict.named else "(nothing)"
        if run.is_clean and verdict.is_broken:
            self.broken += 1
            self.missed.append((run.family, run.number, "the judge calls something broken"))
        if not verdict.first:
            self.confusion[run.family, named] += 1
            if len(self.missed) < _SHOWN:
                self.missed.append((run.family, run.number, named))
        elif verdict.place is False and len(self.misplaced) < _SHOWN:
            self.misplaced.append((run.family, run.number, named))

    def merge(self, other: "Tally") -> None:
        """Add another tally to this one."""
        for mine, theirs in (
            (self.faults, other.faults),
            (self.clean, other.clean),
            (self.views, other.views),
        ):
            for name, count in theirs.items():
                mine.setdefault(name, Count()).merge(count)
        self.open.merge(other.open)
        self.broken += other.broken
        self.words += other.words
        self.confusion += other.confusion
        self.missed += other.missed[: max(_SHOWN - len(self.missed), 0)]
        self.misplaced += other.misplaced[: max(_SHOWN - len(self.misplaced), 0)]


def total_of(counts: dict[str, Count]) -> Count:
    """Return the sum of all families."""
    total = Count()
    for each in counts.values():
        total.merge(each)
    return total
