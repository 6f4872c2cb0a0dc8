"""Leaving one cause out: that only this one is gone, that errors are counted, and how many."""

from collections.abc import Iterable

from msgspec.structs import replace

from dryload.harness.diagnose.cause import Strength
from dryload.harness.diagnose.confidence import Confidence
from dryload.harness.diagnose.diagnose import diagnose
from dryload.harness.diagnose.table import TABLE
from tests.diagnosis.injector import cases
from tests.diagnosis.injector_kinds import Case
from tests.diagnosis.left_out import (
    LeftOut,
    diagnose_without,
    is_surely_wrong,
    own_signs,
    sum_of,
)

SEED = 31


def left_out_of(some: Iterable[Case]) -> LeftOut:
    """What some cases come to."""
    tally = LeftOut()
    for case in some:
        tally.add(case)
    return tally


def test_only_what_is_left_out_is_gone() -> None:
    for case in cases(SEED, range(24)):
        whole = diagnose(case.recorded, case.sources)
        names = {each.name for each in whole.causes}
        for cause in names:
            left = diagnose_without(cause, case.recorded, case.sources)
            assert {each.name for each in left.causes} == names - {cause}
        again = diagnose(case.recorded, case.sources)
        assert [each.name for each in again.causes] == [each.name for each in whole.causes]


def test_a_sure_answer_outside_the_label_is_counted_and_an_unsure_one_is_not() -> None:
    case = next(each for each in cases(SEED, range(24)) if not each.is_clean)
    found = diagnose(case.recorded, case.sources)
    assert found.first is not None
    sure = replace(found, confidence=Confidence.CERTAIN)
    other = frozenset({"no such cause"})
    assert is_surely_wrong(sure, other)
    assert not is_surely_wrong(sure, case.accepted)
    assert not is_surely_wrong(replace(found, confidence=Confidence.POSSIBLE), other)
    assert found.first.strength >= Strength.WEAK


def test_cases_without_a_fault_are_not_counted() -> None:
    clean = [each for each in cases(SEED, range(40)) if each.is_clean]
    tally = left_out_of(clean)
    assert clean
    assert sum_of(tally.causes).runs == 0


def test_two_tallies_add_up_to_one() -> None:
    some = list(cases(SEED, range(30)))
    apart = LeftOut()
    apart.merge(left_out_of(some[:11]))
    apart.merge(left_out_of(some[11:]))
    assert apart == left_out_of(some)


def test_signs_are_the_own_of_a_cause_only_where_no_other_wants_them() -> None:
    assert own_signs("name wrong")
    for cause in TABLE.causes:
        for other in TABLE.without(cause.name).causes:
            assert not own_signs(cause.name) & {
                name for row in other.rows for name in row.sign.names
            }


def test_most_answers_without_the_right_cause_are_not_sure_and_wrong() -> None:
    """Ratchets: the aims are 3 % and 1 %."""
    tally = left_out_of(cases(SEED, range(240)))
    rows, bare = sum_of(tally.causes), sum_of(tally.bare)
    assert rows.runs == bare.runs > 120
    assert rows.sure_wrong <= 0.05 * rows.runs
    assert rows.nothing <= 0.02 * rows.runs
    assert bare.sure_wrong <= 0.05 * bare.runs
    assert bare.nothing <= 0.35 * bare.runs
