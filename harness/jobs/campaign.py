"""A campaign: very many cases on whatever executes them, each judged by the same rules."""

from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from dataclasses import dataclass
from hashlib import sha256
from itertools import islice
from typing import Final

from harness.jobs.campaign_case import Plan
from harness.jobs.campaign_run import Result, result_of
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
    results: tuple[Result, ...]
    """In the order of their numbers."""

    @property
    def broken(self) -> tuple[Result, ...]:
        """The runs in which a rule did not hold."""
        return tuple(result for result in self.results if result.broken)

    @property
    def stopped(self) -> bool:
        """Whether it ended before its end."""
        return len(self.results) < self.asked

    @property
    def digest(self) -> str:
        """SHA-256 over those of all runs: the same plan gives the same everywhere."""
        return sha256("".join(result.digest for result in self.results).encode()).hexdigest()


def run_campaign(  # each is a choice of its own
    plan: Plan,
    numbers: Sequence[int],
    executor: Executor,
    *,
    twice: bool = False,
    progress: Callable[[int], None] | None = None,
    wants_stop: Callable[[], bool] = never,
    ahead: int = _AHEAD,
) -> Campaign:
    """Run cases on any executor; `progress` is told how many are done.

    After a wish to stop nothing new is begun, and what is under way is waited for and counted.
    """
    tasks = (numbers[at : at + _AT_ONCE] for at in range(0, len(numbers), _AT_ONCE))
    done: list[Result] = []
    waiting: set[Future[list[Result]]] = set()
    while True:
        if wants_stop():
            waiting = {future for future in waiting if not future.cancel()}
        else:
            for some in islice(tasks, ahead - len(waiting)):
                waiting.add(executor.submit(results_of, plan, some, twice))
        if not waiting:
            break
        finished, waiting = wait(waiting, timeout=_LOOK_S, return_when=FIRST_COMPLETED)
        for future in finished:
            done += future.result()
            if progress is not None:
                progress(len(done))
    done.sort(key=lambda result: result.case.number)
    return Campaign(plan=plan, asked=len(numbers), results=tuple(done))


def results_of(plan: Plan, numbers: Sequence[int], twice: bool) -> list[Result]:
    """Run some cases one after another: what a worker does."""
    return [result_of(plan, number, twice=twice) for number in numbers]
