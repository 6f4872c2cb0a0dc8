"""Counting runs as they come: in any order, once each, and without keeping them all."""

from __future__ import annotations

import sys
from collections.abc import Callable
from concurrent.futures import Executor, Future
from dataclasses import replace
from hashlib import sha256
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.jobs.campaign import Campaign, run_campaign
from harness.jobs.campaign_case import Plan, case_of
from harness.jobs.campaign_run import Broken, Result
from harness.jobs.campaign_tally import MOST_BROKEN, Tally
from tests.jobs.test_campaign import Here

PLAN = Plan(seed=5, profiles=("lantern-desk", "old-curtain"))
CASES = [case_of(PLAN, number) for number in range(2)]


def result(number: int, *, is_broken: bool = False) -> Result:
    """What a run may come to, without making it."""
    rule = Broken(name="is blue", sentence="It is blue.", found="it is red")
    return Result(
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


def results(tally: Tally, task: int) -> list[Result]:
    return [result(number, is_broken=number % 7 == 3) for number in tally.numbers_of(task)]


def counted(order: list[int], *, keep: int = 100) -> Tally:
    tally = Tally(range(23), at_once=5, keep=keep)
    for task in order:
        tally.take(task, results(tally, task))
    return tally


def everything(tally: Tally) -> tuple[object, ...]:
    by = (tally.by_profile, tally.by_group, tally.by_kind)
    return (tally.runs, tally.twice, *by, tally.digest, tally.broken, tally.results)


@given(st.permutations(range(5)))
def test_the_order_in_which_tasks_come_makes_no_difference(order: list[int]) -> None:
    tally = counted(order)
    # Beside it: the sum over all digests by number, from the numbers alone.
    digests = "".join(sha256(str(number).encode()).hexdigest() for number in range(23))
    assert tally.digest == sha256(digests.encode()).hexdigest()
    assert [each.case.number for each in tally.results] == list(range(23))
    assert [each.case.number for each in tally.broken] == [3, 10, 17]
    assert tally.by_profile["lantern-desk"] == {
        **dict.fromkeys(tally.by_profile["lantern-desk"], 0),
        "runs": 12,
        "loaded and read back": 12,
        "broken": 1,
    }
    assert tally.by_profile["old-curtain"]["refused"] == 11


@given(st.lists(st.integers(0, 4)))
def test_what_comes_twice_counts_once(order: list[int]) -> None:
    tally = counted(order)
    assert everything(tally) == everything(counted(sorted(set(order))))
    assert tally.runs + tally.dropped == sum(5 if task < 4 else 3 for task in order)


def test_runs_of_another_task_are_an_error() -> None:
    tally = counted([0])
    for wrong in (results(tally, 1)[:-1], [*results(tally, 1), result(10)], results(tally, 2)):
        with pytest.raises(ValueError, match="runs 5 to 9 were asked for"):
            tally.take(1, wrong)
    assert tally.runs == 5


def test_of_many_runs_only_sums_are_kept() -> None:
    assert counted([0, 1, 2], keep=22).results == ()
    assert (
        everything(counted([3, 1, 0, 2, 4], keep=22))[:-1] == everything(counted([*range(5)]))[:-1]
    )


def test_very_many_broken_runs_are_counted_and_the_first_are_kept() -> None:
    many = 3 * MOST_BROKEN
    tally = Tally(range(many), at_once=100, keep=0)
    for task in reversed(range(tally.tasks)):
        tally.take(task, [result(number, is_broken=True) for number in tally.numbers_of(task)])
    assert [each.case.number for each in tally.broken] == list(range(MOST_BROKEN))
    assert sum(counts["broken"] for counts in tally.by_kind.values()) == many


def test_what_is_held_does_not_grow_with_the_runs() -> None:
    def held(tasks: int) -> int:
        tally = Tally(range(10_000_000), at_once=10, keep=0)
        for task in range(tasks):
            tally.take(task, [result(number) for number in tally.numbers_of(task)])
        return sum(sys.getsizeof(value) for name, value in vars(tally).items() if name != "_came")

    assert held(2) == held(400)


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
    done: Campaign = run_campaign(Plan(seed=5), range(150), executor, ahead=1)
    assert (done.runs, done.stopped, type(done.failed).__name__) == (runs, True, why)
    whole = run_campaign(Plan(seed=5), range(runs), Here())
    assert (done.digest, done.by_group) == (whole.digest, whole.by_group)


def test_a_number_that_is_asked_for_twice_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="asked for twice"):
        run_campaign(PLAN, [3, 4, 3], Here())
