"""A campaign: very many cases on whatever executes them, counted in the order of their numbers.

Theory of operation.  Runs are handed out in tasks, some ahead so that no worker ever waits; tasks
that are done before an earlier one wait for it.  What is kept does not grow with the runs: counts,
the first runs in which a rule did not hold, and a sum over all digests.
"""

import gc
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import CancelledError, Executor, Future, wait
from hashlib import sha256
from itertools import islice
from typing import Final

from dryload.harness.jobs.campaign_case import CampaignPlan
from dryload.harness.jobs.campaign_run import CampaignResult, result_of
from dryload.harness.jobs.line import never

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
_COLUMNS: Final = ("runs", *OUTCOMES, "broken")
Counts = dict[str, dict[str, int]]
"""By name: how many `runs`, how many with each of the outcomes, and how many `broken`."""
MOST_RESULTS: Final = 10_000
"""Runs that are kept one by one; of more only what they come to, and those that broke a rule."""
MOST_BROKEN: Final = 1_000
AT_ONCE: Final = 25
"""Runs in a task: enough that handing over costs nothing, and soon done."""
_AHEAD: Final = 8  # tasks that are handed over before the first is back
_LOOK_S: Final = 0.1  # how soon a wish to stop is seen


def outcome_name(result: CampaignResult) -> str:
    """Return the outcome that a run is counted under."""
    is_verified = result.outcome == "loaded" and result.verified
    return VERIFIED if is_verified else result.outcome


class Campaign:
    """What `asked` runs of a plan come to."""

    def __init__(self, plan: CampaignPlan, asked: int, *, keep: int = MOST_RESULTS) -> None:
        self.plan: Final = plan
        self.asked: Final = asked
        """How many runs there are to be."""
        self.runs = 0
        """How many there were."""
        self.twice = 0
        """How many of them were made twice to compare them."""
        self.results: Final[list[CampaignResult] | None] = [] if asked <= keep else None
        """The runs; None where they are too many to be kept."""
        self.broken: Final[list[CampaignResult]] = []
        """The runs in which a rule did not hold; of very many the first."""
        self.failed: Exception | None = None
        """What the executor ended it with before its end."""
        self.by_profile: Final[Counts] = {}
        """Counts by unit."""
        self.by_group: Final[Counts] = {}
        """Counts by where what goes wrong comes from."""
        self.by_kind: Final[Counts] = {}
        """Counts by what goes wrong."""
        self._sum: Final = sha256()

    def take(self, numbers: Sequence[int], results: Sequence[CampaignResult]) -> None:
        """Count the runs of the next numbers; ValueError where they are those of others."""
        if [result.case.number for result in results] != [*numbers]:
            raise ValueError(f"runs {numbers[0]} to {numbers[-1]} were asked for and others came")
        for result in results:
            self._count(result)
        if self.results is not None:
            self.results.extend(results)

    def _count(self, result: CampaignResult) -> None:
        case = result.case
        self.runs += 1
        self.twice += result.was_twice
        self._sum.update(result.digest.encode())
        for by_name, name in (
            (self.by_profile, case.profile),
            (self.by_group, case.group),
            (self.by_kind, case.kind),
        ):
            counts = by_name.setdefault(name, dict.fromkeys(_COLUMNS, 0))
            for column in ("runs", outcome_name(result), *(["broken"] if result.broken else ())):
                counts[column] += 1
        if result.broken and len(self.broken) < MOST_BROKEN:
            self.broken.append(result)

    @property
    def broke(self) -> int:
        """In how many runs a rule did not hold."""
        return sum(counts["broken"] for counts in self.by_profile.values())

    @property
    def digest(self) -> str:
        """SHA-256 over those of all runs by their numbers: for the same plan the same anywhere."""
        return self._sum.hexdigest()

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
    ordered = _in_order(numbers)
    done = Campaign(plan, len(ordered))
    tasks = (ordered[at : at + AT_ONCE] for at in range(0, len(ordered), AT_ONCE))
    waiting: deque[tuple[Sequence[int], Future[list[CampaignResult]]]] = deque()
    is_ending = False
    while True:
        if not is_ending and (wants_stop() or done.failed):
            is_ending = True
            waiting = deque(each for each in waiting if not each[1].cancel())
        if not is_ending:
            try:
                for task in islice(tasks, ahead - len(waiting)):
                    waiting.append((task, executor.submit(results_of, plan, task, twice)))
            except Exception as problem:  # an executor that takes nothing any more
                done.failed = problem
        if not waiting:
            return done
        wait([waiting[0][1]], timeout=_LOOK_S)
        while waiting and waiting[0][1].done():
            task, future = waiting.popleft()
            try:
                done.take(task, future.result())
            except (Exception, CancelledError) as problem:  # whatever befalls an executor
                done.failed = done.failed or problem
            if progress is not None:
                progress(done.runs)


def results_of(plan: CampaignPlan, numbers: Sequence[int], twice: bool) -> list[CampaignResult]:
    """Run some cases one after another: what a worker does.

    A run leaves rings of objects behind; they are cleared away at once, and nothing else is.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        return [_alone(plan, number, twice=twice) for number in numbers]
    finally:
        if was_on:
            gc.enable()


def _alone(plan: CampaignPlan, number: int, *, twice: bool) -> CampaignResult:
    result = result_of(plan, number, twice=twice)
    gc.collect(0)
    return result


def _in_order(numbers: Sequence[int]) -> Sequence[int]:
    """Return the numbers from the lowest on; a range stays one."""
    if isinstance(numbers, range):
        return numbers if numbers.step > 0 else numbers[::-1]
    if len(set(numbers)) < len(numbers):
        raise ValueError("a run is asked for twice")
    return sorted(numbers)
