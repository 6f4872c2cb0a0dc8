"""Counting: what was right, added up as it comes, with intervals.

The intervals are Wilson's score intervals (E. B. Wilson, Journal of the American Statistical
Association 22, 1927, p. 209-212), 95 %, z = 1.959964.
"""

from collections import Counter
from math import sqrt
from typing import Final, Self

from msgspec import Struct, field
from msgspec.structs import fields

from dryload.harness.diagnose.confidence import Confidence
from dryload.harness.diagnose.diagnose import Answer, CaptureDiagnosis, diagnose
from tests.diagnosis.injector import Double
from tests.diagnosis.injector_kinds import NOTHING, Case

Z_95: Final = 1.959964
TOP: Final = 3
SURE: Final = (Confidence.CERTAIN, Confidence.VERY_LIKELY)
"""Words that a user acts upon."""
STOPS_BEFORE: Final = ("sender gave up",)
"""Causes whose place is the last packet that there is, and so the one before the first missing."""
_SHOWN: Final = 400
"""Wrong cases that are remembered."""


def wilson(right: int, of: int, z: float = Z_95) -> tuple[float, float]:
    """Return the score interval of a share, from 0 to 1; of nothing, all of it."""
    if of == 0:
        return 0.0, 1.0
    share, square = right / of, z * z
    middle = (share + square / (2 * of)) / (1 + square / of)
    half = z / (1 + square / of) * sqrt(share * (1 - share) / of + square / (4 * of * of))
    return max(middle - half, 0.0), min(middle + half, 1.0)


class Sum(Struct):
    """Counts that can be added to others of their kind."""

    def merge(self, other: Self) -> None:
        """Add another count to this one."""
        for each in fields(self):
            mine, theirs = getattr(self, each.name), getattr(other, each.name)
            if isinstance(mine, dict) and not isinstance(mine, Counter):
                for name, count in theirs.items():
                    mine.setdefault(name, type(count)()).merge(count)
            elif isinstance(mine, Sum):
                mine.merge(theirs)
            elif isinstance(mine, list):
                mine += theirs[: max(_SHOWN - len(mine), 0)]
            else:
                setattr(self, each.name, mine + theirs)


class Mark(Struct, frozen=True, kw_only=True):
    """How one case was answered."""

    named: tuple[str, ...]
    """The causes, the likeliest first."""
    first: bool
    """Whether the first answer is right; naming nothing is an answer."""
    among: bool
    """Whether one of the first three is."""
    sure: bool
    """Whether it says that it is sure."""
    nothing: bool
    """Whether it says that nothing is wrong."""
    place: bool | None
    """Whether the packet is right; None where there is none, or the cause is not."""
    word: Confidence | None
    is_broken: bool


def mark_of(case: Case, diagnosis: CaptureDiagnosis | None = None) -> Mark:
    """Diagnose a case and compare with its label.

    Where several causes leave the same bytes, to leave it undecided and name the one that it is
    among the first three is right as well.
    """
    found = diagnose(case.recorded, case.sources) if diagnosis is None else diagnosis
    named = tuple(each.name for each in found.causes)
    answers = named or (NOTHING if found.answer is not Answer.UNDECIDED else "(unexplained)",)
    first = answers[0] in case.accepted
    place = None
    if case.packet is not None and first and found.first is not None:
        at = found.first.at
        packets = (case.packet, case.packet - 1) if answers[0] in STOPS_BEFORE else (case.packet,)
        place = at is not None and at.packet in packets
    is_left_open = found.answer is Answer.UNDECIDED and case.own in named[:TOP]
    return Mark(
        named=named,
        first=first or is_left_open,
        among=any(name in case.accepted for name in answers[:TOP]),
        sure=bool(named) and found.confidence in SURE,
        nothing=found.answer is Answer.NOTHING_WRONG,
        place=place,
        word=found.confidence,
        is_broken=found.scene.verdicts.is_broken,
    )


class Count(Sum):
    """What the cases of one kind came to."""

    runs: int = 0
    first: int = 0
    among: int = 0
    unsure: int = 0
    """Wrong, and said to be not sure."""
    wrong: int = 0
    """Wrong, and sure of it."""
    nothing: int = 0
    """Wrong, for nothing is wrong, it says."""
    placed: int = 0
    """Cases with a packet whose cause was found."""
    place: int = 0
    accepted: int = 0
    """Causes that were right, of all cases together."""

    def add(self, case: Case, mark: Mark) -> None:
        """Count a case."""
        self.runs += 1
        self.first += mark.first
        self.among += mark.among
        if not mark.first:
            self.wrong += mark.sure
            self.nothing += mark.nothing
            self.unsure += not (mark.sure or mark.nothing)
        self.placed += mark.place is not None
        self.place += mark.place is True
        self.accepted += len(case.accepted)


class Tally(Sum):
    """What many cases came to; two tallies can be added."""

    faults: dict[str, Count] = field(default_factory=dict)
    """Cases in which something is wrong, by kind."""
    open: Count = field(default_factory=Count)
    """Cases in which something is there that may as well be nothing."""
    clean: dict[str, Count] = field(default_factory=dict)
    """Cases in which nothing may be named."""
    views: dict[str, Count] = field(default_factory=dict)
    """The same as `faults`, by view, with and without the source."""
    broken: int = 0
    """Clean cases in which the judge calls something broken."""
    words: Counter[tuple[str, bool]] = field(default_factory=Counter)
    confusion: Counter[tuple[str, str]] = field(default_factory=Counter)
    missed: list[str] = field(default_factory=list)
    """Wrong cases."""

    def add(self, case: Case, mark: Mark | None = None) -> None:
        """Count a case."""
        mark = mark_of(case) if mark is None else mark
        named = mark.named[0] if mark.named else "(nothing)" if mark.nothing else "(no cause)"
        if case.is_open:
            self.open.add(case, mark)
        else:
            group = self.clean if case.is_clean else self.faults
            group.setdefault(case.kind, Count()).add(case, mark)
        if not (case.is_open or case.is_clean):
            view = f"{case.view}, with the source" if case.sources else str(case.view)
            self.views.setdefault(view, Count()).add(case, mark)
        if mark.word is not None:
            self.words[str(mark.word), mark.first] += 1
        where = f'--only "{case.kind}" --case {case.number}'
        if case.is_clean and mark.is_broken:
            self.broken += 1
            self.missed.append(f"the judge calls something broken: {where}")
        if not mark.first:
            self.confusion[case.kind, named] += 1
            self.missed.append(f"{named}: {where}")
        elif mark.place is False:
            self.missed.append(f"another packet of {named}: {where}")
        del self.missed[_SHOWN:]


def total_of(counts: dict[str, Count]) -> Count:
    """Return the sum of all kinds."""
    total = Count()
    for each in counts.values():
        total.merge(each)
    return total


class Doubles(Sum):
    """What captures with two faults came to."""

    runs: int = 0
    hidden: int = 0
    """Draws in which the two cannot follow each other, or one is open; they are not counted."""
    first: int = 0
    """One of the two is named first."""
    among: int = 0
    """One of the two is among the first three."""
    both: int = 0
    """Both are."""
    missed: list[str] = field(default_factory=list)

    def add(self, double: Double | None) -> None:
        """Count a draw."""
        if double is None or any(NOTHING in each for each in double.accepted):
            self.hidden += 1
            return
        causes = diagnose(double.recorded, double.sources).causes
        named = [each.name for each in causes][:TOP]
        right = [bool(set(named) & each) for each in double.accepted]
        is_first = bool(named) and any(named[0] in each for each in double.accepted)
        self.runs += 1
        self.first += is_first
        self.among += any(right)
        self.both += all(right)
        if not (is_first and all(right)):
            self.missed.append(f"{named}: {double.told}")
            del self.missed[_SHOWN:]
