"""Counting runs as they come: in any order, once each, and without keeping them all."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future
from hashlib import sha256
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from dryload.harness.jobs.campaign import AT_ONCE, MOST_BROKEN, Campaign, run_campaign
from dryload.harness.jobs.campaign_case import CampaignPlan, case_of
from dryload.harness.jobs.campaign_run import Broken, CampaignResult
from tests.jobs.test_campaign import Here

PLAN = CampaignPlan(seed=5, profiles=("lantern-desk", "old-curtain"))
RUNS = 4 * AT_ONCE + 3
CASES = [case_of(PLAN, number) for number in range(2)]


def result(number: int, *, is_broken: bool = False) -> CampaignResult:
    """What a run may come to, without making it."""
    rule = Broken(name="is blue", sentence="It is blue.", found="it is red")
    return CampaignResult(
        case=replace(CASES[number % 2], number=number),
        outcome=("loaded", "refused")[number % 2],
        verified=True,
        reason="",
        digest=sha256(str(number).encode()).hexdigest(),
        took_ns=number,
        was_twice=number % 4 == 0,
        struck=0,
        broken=(rule,) if is_broken else (),
    )


def results(numbers: Sequence[int]) -> list[CampaignResult]:
    return [result(number, is_broken=number % 7 == 3) for number in numbers]


class InAnyOrder(Here):
    """An executor whose tasks are done in an order of its own, once it has all of them."""

    def __init__(self, order: list[int]) -> None:
        self.order = order
        self.given: list[tuple[Future[Any], Sequence[int]]] = []

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        self.given.append((Future(), args[1]))
        if len(self.given) == len(self.order):
            for task in self.order:
                future, numbers = self.given[task]
                future.set_result(results(numbers))
        return self.given[-1][0]


def counted(*, keep: int = 1000) -> Campaign:
    tally = Campaign(PLAN, RUNS, keep=keep)
    tally.take(range(RUNS), results(range(RUNS)))
    return tally


def everything(tally: Campaign) -> tuple[object, ...]:
    by = (tally.by_profile, tally.by_group, tally.by_kind)
    return (tally.runs, tally.twice, *by, tally.digest, tally.broken, tally.results)


@given(st.permutations(range(5)))
def test_the_order_in_which_tasks_are_done_makes_no_difference(order: list[int]) -> None:
    tally = run_campaign(PLAN, range(RUNS), InAnyOrder(order), ahead=5)
    # Beside it: the sum over all digests by number, from the numbers alone.
    digests = "".join(sha256(str(number).encode()).hexdigest() for number in range(RUNS))
    assert tally.digest == sha256(digests.encode()).hexdigest()
    assert tally.results is not None
    assert [each.case.number for each in tally.results] == list(range(RUNS))
    assert [each.case.number for each in tally.broken] == list(range(3, RUNS, 7))
    assert tally.by_profile["lantern-desk"] == {
        **dict.fromkeys(tally.by_profile["lantern-desk"], 0),
        "runs": 52,  # the even ones of 0 to 102
        "loaded and read back": 52,
        "broken": 7,  # 10, 24, 38, 52, 66, 80 and 94
    }
    assert tally.by_profile["old-curtain"]["refused"] == 51


def test_runs_of_another_task_are_an_error() -> None:
    tally, asked = Campaign(PLAN, RUNS), range(25, 50)
    for wrong in (range(25, 49), range(25, 51), range(50, 75)):
        with pytest.raises(ValueError, match="runs 25 to 49 were asked for"):
            tally.take(asked, results(wrong))
    assert tally.runs == 0


def test_of_many_runs_only_sums_are_kept() -> None:
    few = counted(keep=RUNS - 1)
    assert few.results is None
    assert everything(few)[:-1] == everything(counted())[:-1]


def test_very_many_broken_runs_are_counted_and_the_first_are_kept() -> None:
    many = range(3 * MOST_BROKEN)
    tally = Campaign(PLAN, len(many), keep=0)
    tally.take(many, [result(number, is_broken=True) for number in many])
    assert [each.case.number for each in tally.broken] == list(range(MOST_BROKEN))
    assert sum(counts["broken"] for counts in tally.by_kind.values()) == len(many)


def test_what_is_held_does_not_grow_with_the_runs() -> None:
    def held(runs: int) -> int:
        tally = Campaign(PLAN, 10_000_000, keep=0)
        tally.take(range(runs), [result(number) for number in range(runs)])
        return sum(sys.getsizeof(value) for value in vars(tally).values())

    assert held(50) == held(10_000)


class Twice(Here):
    """An executor whose tasks give back what another task was asked for."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        plan, _, twice = args
        return super().submit(fn, plan, range(25), twice)


class Dies(Here):
    """An executor that takes three tasks and no more."""

    def __init__(self) -> None:
        self.taken = 0

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        self.taken += 1
        if self.taken > 3:
            raise RuntimeError("gone")
        return super().submit(fn, *args, **kwargs)


class Loses(Here):
    """An executor whose second task never ran."""

    def __init__(self) -> None:
        self.taken = 0

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        self.taken += 1
        if self.taken != 2:
            return super().submit(fn, *args, **kwargs)
        lost: Future[Any] = Future()
        lost.cancel()
        lost.set_running_or_notify_cancel()
        return lost


@pytest.mark.parametrize(
    ("executor", "runs", "why"),
    [(Twice(), 25, "ValueError"), (Dies(), 75, "RuntimeError"), (Loses(), 25, "CancelledError")],
    ids=["others come", "takes no more", "loses one"],
)
def test_what_befalls_an_executor_ends_it_and_keeps_what_was_done(
    executor: Executor, runs: int, why: str
) -> None:
    done: Campaign = run_campaign(CampaignPlan(seed=5), range(150), executor, ahead=1)
    assert (done.runs, done.stopped, type(done.failed).__name__) == (runs, True, why)
    whole = run_campaign(CampaignPlan(seed=5), range(runs), Here())
    assert (done.digest, done.by_group) == (whole.digest, whole.by_group)


def test_a_number_that_is_asked_for_twice_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="asked for twice"):
        run_campaign(PLAN, [3, 4, 3], Here())
