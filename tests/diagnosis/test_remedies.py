"""The measurement of remedies can fail: the wrong remedy mends nothing, the right one does."""

import pytest

from harness.diagnose.table import TABLE
from tests.diagnosis import remedies
from tests.diagnosis.families import family_named
from tests.diagnosis.remedies import Step, bench_of, remedied_in, steps_of


def test_every_step_is_that_of_a_cause_and_every_name_one_of_the_register() -> None:
    names = {cause.name for cause in TABLE.causes}
    assert set(remedies._BY_NAME) <= names
    assert {step for name in names for step in steps_of(name)} == set(Step)


@pytest.mark.parametrize(
    ("family", "right", "wrong"),
    [
        ("cable out for good", Step.WAY_THERE, Step.UNIT),
        ("numbers from 1", Step.DUMP, Step.WAY_BACK),
        ("a dump for another unit", Step.ADDRESS, Step.SENDER),
        ("memory that ends in the middle", Step.UNIT, Step.WAY_THERE),
    ],
)
def test_only_the_right_remedy_mends(family: str, right: Step, wrong: Step) -> None:
    benches = [bench_of(family_named(family), number, 3) for number in range(12)]
    failed = [each for each in benches if each is not None and not each.is_loaded()]
    assert failed
    assert all(each.after(right).is_loaded() for each in failed)
    assert not any(each.after(wrong).is_loaded() for each in failed)


def test_runs_are_counted_once_and_what_failed_is_told() -> None:
    tally, missed = remedied_in(("cable out for good", range(12), 3))
    assert tally.runs == 12
    assert tally.tried.total() == tally.worked.total() + len(missed)
