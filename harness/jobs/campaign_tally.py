"""What runs came to, counted as they come: what is kept does not grow with the runs.

Tasks are numbered by the runs in them.  They may come in any order, and one may come twice, where a
worker died and another did its work again: it is counted once.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from hashlib import sha256
from typing import Final

from harness.jobs.campaign_run import Result

VERIFIED: Final = "loaded and read back"
OUTCOMES: Final = (
    VERIFIED,
    "loaded",
    "loaded with changes",
    "refused",
    "incomplete",
    "unconfirmed",
    "error",
)
Counts = Mapping[str, Mapping[str, int]]
"""By name: how many `runs`, how many with each of the outcomes, and how many `broken`."""
_COUNTED: Final = ("runs", *OUTCOMES, "broken")
MOST_RESULTS: Final = 10_000
"""Runs that are kept one by one; of more only what they come to, and those that broke a rule."""
MOST_BROKEN: Final = 1_000


def outcome_name(result: Result) -> str:
    """Return the outcome that a run is counted under."""
    is_verified = result.outcome == "loaded" and result.verified
    return VERIFIED if is_verified else result.outcome


class Tally:
    """Counts tasks of `at_once` runs each, in which `numbers` are divided in their order."""

    def __init__(self, numbers: Sequence[int], *, at_once: int, keep: int = MOST_RESULTS) -> None:
        self._numbers: Final = numbers
        self._at_once: Final = at_once
        self.tasks: Final = -(-len(numbers) // at_once)
        self._came = bytearray(self.tasks)
        self.keeps: Final = len(numbers) <= keep
        self._kept: dict[int, Sequence[Result]] = {}
        self._broken: list[Result] = []
        self._counts: Final[tuple[dict[str, Counter[str]], ...]] = ({}, {}, {})
        self._sum = sha256()
        self._summed = 0  # tasks that are in the sum
        self._early: dict[int, bytes] = {}  # what comes after a task that has not come yet
        self.runs = 0
        self.twice = 0
        """Runs that were made twice to compare them."""
        self.dropped = 0
        """Runs that came once more, and were not counted again."""

    def numbers_of(self, task: int) -> Sequence[int]:
        """Return the runs of a task."""
        return self._numbers[task * self._at_once : (task + 1) * self._at_once]

    def take(self, task: int, results: Sequence[Result]) -> None:
        """Count the runs of a task, once; ValueError where they are those of another."""
        wanted = list(self.numbers_of(task))
        if [result.case.number for result in results] != wanted:
            raise ValueError(f"runs {wanted[0]} to {wanted[-1]} were asked for and others came")
        if self._came[task]:
            self.dropped += len(results)
            return
        self._came[task] = 1
        for result in results:
            self._count(result)
        if self.keeps:
            self._kept[task] = results
        self._early[task] = "".join(result.digest for result in results).encode()
        while (digests := self._early.pop(self._summed, None)) is not None:
            self._sum.update(digests)
            self._summed += 1

    @property
    def digest(self) -> str:
        """SHA-256 over those of all runs by their numbers, in whatever order they came."""
        total = self._sum.copy()
        for task in sorted(self._early):
            total.update(self._early[task])
        return total.hexdigest()

    @property
    def by_profile(self) -> Counts:
        """Counts by unit."""
        return _sorted(self._counts[0])

    @property
    def by_group(self) -> Counts:
        """Counts by where what goes wrong comes from."""
        return _sorted(self._counts[1])

    @property
    def by_kind(self) -> Counts:
        """Counts by what goes wrong."""
        return _sorted(self._counts[2])

    @property
    def results(self) -> tuple[Result, ...]:
        """The runs by their numbers, where they are few enough to be kept."""
        return tuple(result for task in sorted(self._kept) for result in self._kept[task])

    @property
    def broken(self) -> tuple[Result, ...]:
        """The first runs in which a rule did not hold, by their numbers."""
        return tuple(sorted(self._broken, key=_number)[:MOST_BROKEN])

    def _count(self, result: Result) -> None:
        case = result.case
        self.runs += 1
        self.twice += result.was_twice
        outcome = outcome_name(result)
        for counts, name in zip(self._counts, (case.profile, case.group, case.kind), strict=True):
            each = counts.get(name)
            if each is None:
                each = counts[name] = Counter()
            each["runs"] += 1
            each[outcome] += 1
            each["broken"] += bool(result.broken)
        if result.broken:
            self._broken.append(result)
            if len(self._broken) > 2 * MOST_BROKEN:
                self._broken = sorted(self._broken, key=_number)[:MOST_BROKEN]


def _number(result: Result) -> int:
    return result.case.number


def _sorted(counts: Mapping[str, Counter[str]]) -> Counts:
    return {name: {what: counts[name][what] for what in _COUNTED} for name in sorted(counts)}
