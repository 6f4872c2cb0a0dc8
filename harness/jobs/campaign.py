"""A campaign: very many cases on whatever executes them, counted as their runs come.

Theory of operation.  Runs are handed out in tasks, a few ahead so that no worker ever waits, and
tasks come back in any order.  What is kept of them does not grow with the runs: counts, the first
runs in which a rule did not hold, and a sum over all digests in the order of the numbers, for which
the digests of a task wait until those before it have come.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, wait
from hashlib import sha256
from itertools import islice
from typing import Final

from harness.jobs.campaign_case import CampaignPlan
from harness.jobs.campaign_run import Result, result_of
from harness.jobs.line import never

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
MOST_RESULTS: Final = 10_000
"""Runs that are kept one by one; of more only what they come to, and those that broke a rule."""
MOST_BROKEN: Final = 1_000
AT_ONCE: Final = 25
"""Runs in a task: enough that handing over costs nothing, and soon done."""
_AHEAD: Final = 8  # tasks that are handed over before the first is back
_LOOK_S: Final = 0.1  # how soon a wish to stop is seen


def outcome_name(result: Result) -> str:
    """Return the outcome that a run is counted under."""
    is_verified = result.outcome == "loaded" and result.verified
    return VERIFIED if is_verified else result.outcome


class Campaign:
    """What the runs of `numbers` come to; ValueError where a number is asked for twice."""

    def __init__(
        self, plan: CampaignPlan, numbers: Sequence[int], *, keep: int = MOST_RESULTS
    ) -> None:
        self.plan: Final = plan
        self.asked: Final = len(numbers)
        """How many runs there are to be."""
        self.runs = 0
        """How many there were."""
        self.twice = 0
        """How many of them were made twice to compare them."""
        self.failed: Exception | None = None
        """What the executor ended it with before its end."""
        self._numbers: Final = _in_order(numbers)
        self.tasks: Final = -(-self.asked // AT_ONCE)
        self._keeps: Final = self.asked <= keep
        self._kept: Final[dict[int, Sequence[Result]]] = {}
        self._broken: list[Result] = []
        self._counts: Final[tuple[dict[str, Counter[str]], ...]] = ({}, {}, {})
        self._sum: Final = sha256()
        self._summed = 0  # tasks that are in the sum
        self._early: Final[dict[int, bytes]] = {}  # what came before a task that is still out

    def numbers_of(self, task: int) -> Sequence[int]:
        """Return the runs of a task."""
        return self._numbers[task * AT_ONCE : (task + 1) * AT_ONCE]

    def take(self, task: int, results: Sequence[Result]) -> None:
        """Count the runs of a task; ValueError where they are those of another."""
        wanted = list(self.numbers_of(task))
        if [result.case.number for result in results] != wanted:
            raise ValueError(f"runs {wanted[0]} to {wanted[-1]} were asked for and others came")
        for result in results:
            self._count(result)
        if self._keeps:
            self._kept[task] = results
        self._early[task] = "".join(result.digest for result in results).encode()
        while (digests := self._early.pop(self._summed, None)) is not None:
            self._sum.update(digests)
            self._summed += 1

    def _count(self, result: Result) -> None:
        case = result.case
        self.runs += 1
        self.twice += result.was_twice
        found = ("runs", outcome_name(result), *(["broken"] if result.broken else ()))
        for counts, name in zip(self._counts, (case.profile, case.group, case.kind), strict=True):
            counts.setdefault(name, Counter()).update(found)
        if result.broken:
            self._broken.append(result)
            if len(self._broken) > 2 * MOST_BROKEN:
                self._broken = sorted(self._broken, key=_number)[:MOST_BROKEN]

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
    def broke(self) -> int:
        """In how many runs a rule did not hold."""
        return sum(counts["broken"] for counts in self._counts[0].values())

    @property
    def broken(self) -> Sequence[Result]:
        """The runs in which a rule did not hold, by their numbers; of very many the first."""
        return sorted(self._broken, key=_number)[:MOST_BROKEN]

    @property
    def results(self) -> Sequence[Result] | None:
        """The runs by their numbers; None where they are too many to be kept."""
        if not self._keeps:
            return None
        return [result for task in sorted(self._kept) for result in self._kept[task]]

    @property
    def digest(self) -> str:
        """SHA-256 over those of all runs by their numbers: for the same plan the same anywhere."""
        total = self._sum.copy()
        for task in sorted(self._early):
            total.update(self._early[task])
        return total.hexdigest()

    @property
    def stopped(self) -> bool:
        """Whether it ended before its end."""
        return self.runs < self.asked


def run_campaign(
    plan: CampaignPlan,
    numbers: Sequence[int],
    executor: Executor,
    *,
    twice: bool = False,
    progress: Callable[[int], None] | None = None,
    wants_stop: Callable[[], bool] = never,
    ahead: int = _AHEAD,
) -> Campaign:
    """Run cases on any executor; `progress` is told how many are done.

    After a wish to stop, or where the executor fails, nothing new is begun; what is under way is
    waited for and counted.
    """
    done = Campaign(plan, numbers)
    tasks = iter(range(done.tasks))
    waiting: dict[Future[list[Result]], int] = {}
    is_ending = False
    while True:
        if not is_ending and (wants_stop() or done.failed):
            is_ending = True
            waiting = {future: task for future, task in waiting.items() if not future.cancel()}
        if not is_ending:
            try:
                for task in islice(tasks, ahead - len(waiting)):
                    future = executor.submit(results_of, plan, done.numbers_of(task), twice)
                    waiting[future] = task
            except Exception as problem:  # an executor that takes nothing any more
                done.failed = problem
        if not waiting:
            return done
        finished, _ = wait(waiting, timeout=_LOOK_S, return_when=FIRST_COMPLETED)
        for future in finished:
            try:
                done.take(waiting.pop(future), future.result())
            except (Exception, CancelledError) as problem:  # whatever befalls an executor
                done.failed = done.failed or problem
        if finished and progress is not None:
            progress(done.runs)


def results_of(plan: CampaignPlan, numbers: Sequence[int], twice: bool) -> list[Result]:
    """Run some cases one after another: what a worker does."""
    return [result_of(plan, number, twice=twice) for number in numbers]


def _in_order(numbers: Sequence[int]) -> Sequence[int]:
    """Return the numbers from the lowest on; a range stays one."""
    if isinstance(numbers, range):
        return numbers if numbers.step > 0 else numbers[::-1]
    if len(set(numbers)) < len(numbers):
        raise ValueError("a run is asked for twice")
    return sorted(numbers)


def _number(result: Result) -> int:
    return result.case.number


def _sorted(counts: Mapping[str, Counter[str]]) -> Counts:
    columns = ("runs", *OUTCOMES, "broken")
    return {name: {each: counts[name][each] for each in columns} for name in sorted(counts)}
