"""The benchmark of the diagnosis, small: its counting, and its bounds."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from dryload.harness.diagnose.confidence import Confidence
from dryload.harness.diagnose.diagnose import Answer, diagnose
from dryload.harness.diagnose.table import TABLE
from tests.diagnosis.injector import KINDS, cases, double_of, healthy_of
from tests.diagnosis.injector_kinds import LEGAL, Case, case_in
from tests.diagnosis.scoring import Count, Doubles, Tally, mark_of, total_of, wilson
from tests.workers import chunks_of

SEED = 20


def one(name: str, seed: str = "1") -> Case:
    """A case of a kind."""
    return case_in(next(each for each in (*KINDS, *LEGAL) if each.name == name), seed)


# Counting


def test_the_interval_is_the_score_interval_worked_by_hand() -> None:
    """Wilson 1927: 8 of 10, z = 2: (0.8 + 0.2) / 1.4 -+ (2 / 1.4) * sqrt(0.016 + 0.01)."""
    low, high = wilson(8, 10, z=2)
    assert low == pytest.approx(1 / 1.4 - 2 / 1.4 * 0.026**0.5)
    assert high == pytest.approx(1 / 1.4 + 2 / 1.4 * 0.026**0.5)


def test_the_interval_at_its_ends() -> None:
    assert wilson(0, 0) == (0.0, 1.0)
    # p = 0: from 0 to z^2 / (n + z^2); z^2 = 3.841 at 95 %
    low, high = wilson(0, 300_000)
    assert low == 0.0
    assert high == pytest.approx(3.8415 / 300_003.8415, rel=1e-3)
    assert wilson(7, 7)[1] == 1.0


def test_two_tallies_add_up_to_one() -> None:
    apart, together = (Tally(), Tally()), Tally()
    for number, case in enumerate(cases(SEED, range(40))):
        mark = mark_of(case)
        apart[number % 2].add(case, mark)
        together.add(case, mark)
    apart[0].merge(apart[1])
    both = apart[0]
    assert both.faults == together.faults
    assert (both.clean, both.views, both.open) == (together.clean, together.views, together.open)
    assert (both.words, both.confusion) == (together.words, together.confusion)


def test_a_diagnosis_that_always_says_the_same_scores_low() -> None:
    """Scoring can fail: one answer for everything is right in its own kinds only."""
    total = Count()
    for kind in KINDS:
        case = case_in(kind, "3")
        if case.is_clean or case.is_open:
            continue
        found = diagnose(case.recorded, case.sources)
        mark = mark_of(
            case, replace(found, causes=(), answer=Answer.NOTHING_WRONG, confidence=None)
        )
        total.add(case, mark)
    assert total.runs > 60
    assert total.first == total.among == 0
    assert total.nothing == total.runs


def test_a_wrong_packet_does_not_count_as_right() -> None:
    case = one("a data byte altered")
    assert case.packet is not None
    assert mark_of(case).place is True
    assert mark_of(replace(case, packet=case.packet + 1)).place is False


def test_sure_and_wrong_is_told_from_unsure_and_wrong() -> None:
    case = one("answers late")
    found = diagnose(case.recorded, case.sources)
    other = replace(case, own="no such cause", accepted=frozenset({"no such cause"}))
    count = Count()
    count.add(other, mark_of(other, replace(found, confidence=Confidence.POSSIBLE)))
    assert (count.unsure, count.wrong) == (1, 0)
    count.add(other, mark_of(other, replace(found, confidence=Confidence.CERTAIN)))
    assert (count.unsure, count.wrong) == (1, 1)


def test_to_leave_it_undecided_and_name_what_it_is_is_right() -> None:
    case = one("answers late")
    found = diagnose(case.recorded, case.sources)
    assert found.first is not None
    behind = replace(found, causes=(replace(found.first, cause=TABLE.causes[0]), *found.causes))
    assert not mark_of(case, behind).first
    assert mark_of(case, replace(behind, answer=Answer.UNDECIDED)).first
    assert not mark_of(case, replace(behind, causes=behind.causes[:1])).first


def test_naming_anything_in_a_healthy_case_is_a_false_alarm() -> None:
    healthy, faulty = one("healthy"), one("answers late")
    alarm = replace(healthy, recorded=faulty.recorded, sources=faulty.sources)
    assert mark_of(healthy).first
    assert not mark_of(alarm).first


def test_tasks_are_as_many_runs_as_asked_and_none_twice() -> None:
    runs = [number for _, numbers in chunks_of(SEED, 3_001) for number in numbers]
    assert runs == list(range(3_001))


def test_of_an_empty_capture_nothing_is_named() -> None:
    case = one("healthy")
    case.recorded.capture.passages.clear()
    assert mark_of(case).named == ()


# Bounds, a little below what is claimed


def test_single_faults() -> None:
    tally = Tally()
    for case in cases(SEED, range(600)):
        tally.add(case)
    total = total_of(tally.faults)
    assert total.first >= 0.96 * total.runs, tally.confusion.most_common(8)
    assert total.place >= 0.97 * total.placed
    assert total.wrong <= 0.03 * total.runs
    assert total.nothing <= 0.01 * total.runs
    assert total_of(tally.clean).first == total_of(tally.clean).runs
    assert tally.open.wrong <= 0.02 * tally.open.runs + 1


def test_healthy_and_odd_but_legal() -> None:
    tally = Tally()
    for number in range(300):
        tally.add(healthy_of(SEED, number))
    assert not tally.faults
    assert not tally.missed
    assert total_of(tally.clean).runs == 300


def test_two_faults_at_once() -> None:
    total = Doubles()
    for number in range(300):
        total.add(double_of(SEED, number))
    assert total.runs > 40
    assert total.first >= 0.9 * total.runs, total.missed


def test_a_sure_word_is_right_for_faults_that_the_table_knows() -> None:
    tally = Tally()
    for case in cases(SEED + 1, range(500)):
        tally.add(case)
    for word in (Confidence.CERTAIN, Confidence.VERY_LIKELY):
        right, wrong = tally.words[str(word), True], tally.words[str(word), False]
        assert right + wrong >= 50
        assert right >= 0.93 * (right + wrong)  # a ratchet
