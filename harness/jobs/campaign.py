"""A campaign: very many cases on whatever executes them, each judged by the same rules."""

from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, wait
from dataclasses import dataclass
from typing import Final

from harness.jobs.campaign_case import Plan
from harness.jobs.campaign_run import Result, result_of
from harness.jobs.campaign_tally import MOST_RESULTS, Counts, Tally
from harness.jobs.line import never

_AT_ONCE: Final = 25  # cases in a task: enough that handing over costs nothing, and soon done
_AHEAD: Final = 8  # tasks waiting, so that no worker ever does
_LOOK_S: Final = 0.1  # how soon a wish to stop is seen


@dataclass(frozen=True, slots=True, kw_only=True)
class Campaign:
    """What a campaign came to."""

    plan: Plan
    asked: int
    """How many runs there were to be."""
    runs: int
    """How many there were."""
    twice: int
    """How many of them were made twice."""
    by_profile: Counts
    by_group: Counts
    by_kind: Counts
    broken: tuple[Result, ...]
    """The runs in which a rule did not hold, by their numbers; of very many the first."""
    results: tuple[Result, ...] | None
    """All of them by their numbers; None where they are too many to be kept."""
    digest: str
    """SHA-256 over those of all runs: the same plan gives the same everywhere."""
    dropped: int = 0
    """Runs that came a second time and were not counted again."""
    failed: Exception | None = None
    """What the executor ended it with before its end."""

    @property
    def broke(self) -> int:
        """In how many runs a rule did not hold."""
        return sum(counts["broken"] for counts in self.by_profile.values())

    @property
    def stopped(self) -> bool:
        """Whether it ended before its end."""
        return self.runs < self.asked


def run_campaign(  # each is a choice of its own
    plan: Plan,
    numbers: Sequence[int],
    executor: Executor,
    *,
    twice: bool = False,
    progress: Callable[[int], None] | None = None,
    wants_stop: Callable[[], bool] = never,
    ahead: int = _AHEAD,
    keep: int = MOST_RESULTS,
) -> Campaign:
    """Run cases on any executor; `progress` is told how many are done.

    After a wish to stop nothing new is begun, and what is under way is waited for and counted,
    unless the executor drops it.  More than `keep` results are counted and not kept.
    ValueError where a number is asked for twice.
    """
    tally = Tally(_in_order(numbers), at_once=_AT_ONCE, keep=keep)
    handing = _Handing(plan, tally, executor, twice=twice, ahead=ahead)
    while handing.goes_on(begins_more=not wants_stop()):
        if handing.collect() and progress is not None:
            progress(tally.runs)
    return campaign_of(plan, tally, len(numbers), handing.failed)


def results_of(plan: Plan, numbers: Sequence[int], twice: bool) -> list[Result]:
    """Run some cases one after another: what a worker does."""
    return [result_of(plan, number, twice=twice) for number in numbers]


def campaign_of(plan: Plan, tally: Tally, asked: int, failed: Exception | None = None) -> Campaign:
    """Return what was counted."""
    return Campaign(
        plan=plan,
        asked=asked,
        runs=tally.runs,
        twice=tally.twice,
        by_profile=tally.by_profile,
        by_group=tally.by_group,
        by_kind=tally.by_kind,
        broken=tally.broken,
        results=tally.results if tally.keeps else None,
        digest=tally.digest,
        dropped=tally.dropped,
        failed=failed,
    )


def only(plan: Plan, result: Result) -> Campaign:
    """Return a campaign of one run."""
    tally = Tally([result.case.number], at_once=1)
    tally.take(0, [result])
    return campaign_of(plan, tally, 1)


class _Handing:
    """Hands tasks to an executor, a few ahead, and what comes back to the tally."""

    def __init__(
        self, plan: Plan, tally: Tally, executor: Executor, *, twice: bool, ahead: int
    ) -> None:
        self._plan: Final = plan
        self._tally: Final = tally
        self._executor: Final = executor
        self._twice: Final = twice
        self._ahead: Final = ahead
        self._next = 0  # task to be begun
        self._waiting: dict[Future[list[Result]], int] = {}
        self._has_cancelled = False
        self.failed: Exception | None = None

    def goes_on(self, *, begins_more: bool) -> bool:
        """Begin what there is room for, or cancel what has not begun; False when all is back."""
        if begins_more and self.failed is None:
            try:
                self._begin()
            except Exception as problem:  # an executor that takes nothing any more
                self.failed = problem
        elif not self._has_cancelled:
            self._has_cancelled = True
            kept = {future: task for future, task in self._waiting.items() if not future.cancel()}
            self._waiting = kept
        return bool(self._waiting)

    def collect(self) -> bool:
        """Wait a little and count what has come; whether something has."""
        finished, _ = wait(self._waiting, timeout=_LOOK_S, return_when=FIRST_COMPLETED)
        for future in finished:
            task = self._waiting.pop(future)
            try:
                self._tally.take(task, future.result())
            except (Exception, CancelledError) as problem:  # whatever befalls an executor
                self.failed = self.failed or problem
        return bool(finished)

    def _begin(self) -> None:
        while self._next < self._tally.tasks and len(self._waiting) < self._ahead:
            numbers = self._tally.numbers_of(self._next)
            future = self._executor.submit(results_of, self._plan, numbers, self._twice)
            self._waiting[future] = self._next
            self._next += 1


def _in_order(numbers: Sequence[int]) -> Sequence[int]:
    """Return the numbers from the lowest on; a range stays one."""
    if isinstance(numbers, range):
        return numbers if numbers.step > 0 else numbers[::-1]
    if len(set(numbers)) < len(numbers):
        raise ValueError("a run is asked for twice")
    return sorted(numbers)
