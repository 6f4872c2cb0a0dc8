"""The kinds that no list has: enough of them, whole where they are healthy, counted rightly."""

from __future__ import annotations

import pytest

from tests.diagnosis.injector import KINDS
from tests.diagnosis.injector_kinds import LEGAL, Kind
from tests.diagnosis.injector_reading import Reading
from tests.diagnosis.scoring import Tally, total_of
from tests.diagnosis.unlisted import case_of
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


def test_the_half_that_may_be_looked_at() -> None:
    """A ratchet: sure and wrong, or "nothing is wrong", of what nobody listed."""
    tally = Tally()
    for kind in HALVES[0].kinds:
        for number in range(3):
            tally.add(case_of(kind, number, SEED))
    total = total_of(tally.faults)
    assert total.first >= 0.6 * total.runs
    assert total.wrong <= 0.1 * total.runs
    assert total.nothing <= 0.15 * total.runs
    assert total_of(tally.clean).first == total_of(tally.clean).runs
