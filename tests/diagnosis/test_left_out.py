"""Leaving one cause out: that only this one is gone, that errors are counted, and how many."""

from dataclasses import replace

from harness.diagnose.cause import Strength
from harness.diagnose.confidence import Confidence
from harness.diagnose.diagnose import diagnose
from tests.diagnosis.left_out import LeftOut, diagnose_without, is_surely_wrong, left_out_of
from tests.diagnosis.second import runs_of_second

SEED = 31


def test_only_what_is_left_out_is_gone() -> None:
    for run in runs_of_second(SEED, range(24)):
        whole = diagnose(run.recorded, run.sources)
        names = {each.name for each in (*whole.causes, *whole.remarks)}
        for cause in names:
            left = diagnose_without(cause, run.recorded, run.sources)
            assert {each.name for each in (*left.causes, *left.remarks)} == names - {cause}
        again = diagnose(run.recorded, run.sources)
        assert [each.name for each in again.causes] == [each.name for each in whole.causes]


def test_a_sure_answer_outside_the_label_is_counted_and_an_unsure_one_is_not() -> None:
    run = next(each for each in runs_of_second(SEED, range(24)) if not each.is_clean)
    found = diagnose(run.recorded, run.sources)
    assert found.first is not None
    sure = replace(found, confidence=Confidence.CERTAIN)
    other = replace(run, accepted=frozenset({"no such cause"}))
    assert is_surely_wrong(sure, other)
    assert not is_surely_wrong(sure, run)
    assert not is_surely_wrong(replace(found, confidence=Confidence.POSSIBLE), other)
    assert found.first.strength >= Strength.WEAK


def test_runs_without_a_fault_are_not_counted() -> None:
    clean = [each for each in runs_of_second(SEED, range(40)) if each.is_clean]
    tally = left_out_of(clean)
    assert clean
    assert (tally.done, tally.total.runs) == (len(clean), 0)


def test_two_tallies_add_up_to_one() -> None:
    runs = list(runs_of_second(SEED, range(30)))
    apart = LeftOut()
    apart.merge(left_out_of(runs[:11]))
    apart.merge(left_out_of(runs[11:]))
    assert apart == left_out_of(runs)


def test_most_answers_without_the_right_cause_are_not_sure_and_wrong() -> None:
    total = left_out_of(runs_of_second(SEED, range(240))).total
    assert total.runs > 120
    assert total.sure_wrong <= 0.10 * total.runs  # a ratchet: the aim is 0.03
