"""The kinds that no list has: enough of them, whole where they are healthy, counted rightly."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.diagnose.confidence import Confidence
from harness.diagnose.diagnose import Answer, diagnose
from tests.diagnosis.injector import KINDS
from tests.diagnosis.injector_kinds import CLEAN, LEGAL, Kind, case_in
from tests.diagnosis.injector_reading import Reading
from tests.diagnosis.unlisted import Score, case_of, score_of
from tests.diagnosis.unlisted_halves import HALVES

SEED = 12
ALL = [kind for half in HALVES for kind in half.kinds]
ODD = [kind for half in HALVES for kind in half.odd]


def test_there_are_enough_and_none_is_in_a_list() -> None:
    assert sum(len(half.faults) for half in HALVES) >= 60
    assert len(ODD) >= 30
    assert len({kind.name for kind in (*ALL, *KINDS, *LEGAL)}) == len(ALL) + len(KINDS) + len(LEGAL)


@pytest.mark.parametrize("kind", ALL, ids=lambda kind: kind.name)
def test_a_capture_is_the_same_each_time_and_differs_by_its_number(kind: Kind) -> None:
    one, again, other = (case_of(kind, number, SEED) for number in (1, 1, 2))
    assert one.recorded.capture.passages == again.recorded.capture.passages
    assert one.recorded.capture.passages != other.recorded.capture.passages
    some = [case_of(kind, number, SEED) for number in range(8)]
    assert all(case.is_clean for case in some) is (kind in ODD)


@pytest.mark.parametrize("kind", ODD, ids=lambda kind: kind.name)
def test_what_is_healthy_is_whole_by_the_plain_codec(kind: Kind) -> None:
    for number in range(6):
        seen = Reading(case_of(kind, number, SEED).recorded)
        assert not seen.damaged
        assert not seen.unanswered
        assert not seen.those("NAK", "CANCEL", to_unit=False)


def test_each_way_to_be_wrong_is_counted() -> None:
    case = case_in(KINDS[0], "3")
    found = diagnose(case.recorded, case.sources)
    assert found.first is not None
    other = replace(case, accepted=frozenset({"no such cause"}))
    healthy = replace(case, accepted=CLEAN)
    none = replace(found, causes=(), answer=Answer.NOTHING_WRONG, confidence=None)
    sure, unsure = Score(), Score()
    sure.add(other, replace(found, confidence=Confidence.CERTAIN))
    unsure.add(other, replace(found, confidence=Confidence.LIKELY))
    unsure.add(other, replace(none, answer=Answer.UNDECIDED))
    assert (sure.runs, sure.sure, sure.right) == (1, 1, 0)
    assert (unsure.runs, unsure.unsure, unsure.right) == (2, 2, 0)
    nothing, alarm, right = Score(), Score(), Score()
    nothing.add(case, none)
    alarm.add(healthy, found)
    right.add(case, found)
    right.add(healthy, none)
    assert (nothing.nothing, alarm.sure, right.right) == (1, 1, 2)


def test_the_half_that_may_be_looked_at() -> None:
    """A ratchet: sure and wrong, or "nothing is wrong", of what nobody listed."""
    half = HALVES[0]
    total, odd = Score(), Score()
    for kind in half.faults:
        total.merge(score_of(kind, range(3), SEED))
    for kind in half.odd:
        odd.merge(score_of(kind, range(3), SEED))
    assert total.right >= 0.6 * total.runs
    assert total.sure <= 0.1 * total.runs
    assert total.nothing <= 0.15 * total.runs
    assert odd.sure == 0
