"""Several dumps to one unit, slots that are replaced, and somebody at the front panel."""

from __future__ import annotations

import pytest

from dryload.harness.jobs.outcome import Outcome
from dryload.harness.jobs.timing import Wait
from tests import oracle
from tests.jobs.bench import SECOND, SMALL, TO, dump, in_slot, rehearsal, said, unit, words

LOADED, CHANGED, REFUSED, INCOMPLETE, UNCONFIRMED, NOT_KEPT = Outcome


# Several dumps


def test_several_dumps_to_one_unit_are_all_held() -> None:
    rehearsed = rehearsal()
    transfers = [rehearsed.play(dump(words(50 + 40 * n), number=n)) for n in range(4)]
    assert [(each.outcome, each.verified) for each in transfers] == [(LOADED, True)] * 4
    assert [each.slot for each in transfers] == [1, 2, 3, 4]
    for n in range(4):
        assert in_slot(rehearsed, n + 1) == words(50 + 40 * n)


@pytest.mark.parametrize("replace", ["at once", "when whole"])
def test_a_slot_that_is_sent_to_twice_holds_the_second(replace: str) -> None:
    rehearsed = rehearsal(unit(slots={"replace": replace}))
    other = words(90, factor=17)
    assert rehearsed.play(dump()).verified is True
    second = rehearsed.play(dump(other))
    assert (second.outcome, second.verified, second.slot) == (LOADED, True, 2)
    assert in_slot(rehearsed, 2) == other
    assert rehearsed.unit.memory.used == 90


def test_an_old_sample_is_not_taken_for_the_dump_that_was_refused() -> None:
    profile = unit(memory={**SMALL, "bank_words": 121}, slots={"replace": "when whole"})
    rehearsed = rehearsal(profile)
    assert rehearsed.play(dump()).outcome is LOADED
    second = rehearsed.play(dump(words(90, factor=17)))
    assert (second.outcome, second.slot, second.holds) == (REFUSED, None, None)
    assert second.comparison is None
    assert in_slot(rehearsed, 2) == words(121)


def test_one_that_fails_does_not_stop_the_next() -> None:
    rehearsed = rehearsal()
    outcomes = [
        rehearsed.play(each).outcome
        for each in (dump(bits=24), dump(number=99), dump(device_id=3), dump())
    ]
    assert outcomes == [REFUSED, REFUSED, UNCONFIRMED, LOADED]


# Somebody at the front panel


def test_somebody_confirms_each_dump_and_the_walk_counts() -> None:
    rehearsed = rehearsal(unit("stage-door"))
    transfers = [rehearsed.play(dump(number=n)) for n in range(3)]
    assert rehearsed.visits == 2
    rehearsed.finish()
    assert rehearsed.visits == 3
    assert rehearsed.unit.panel.awaiting_confirm is None
    assert [each.outcome for each in transfers] == [LOADED] * 3
    walks = [dict(each.times.waits).get(Wait.PERSON, 0) for each in transfers]
    assert walks == [0, 8 * SECOND, 8 * SECOND]
    assert transfers[1].times.total_ns == transfers[0].times.total_ns + 8 * SECOND


def test_nobody_comes_and_the_next_dump_waits_for_ever() -> None:
    rehearsed = rehearsal(unit("stage-door"), operator_ns=None)
    first, second = (rehearsed.play(dump(number=n)) for n in range(2))
    rehearsed.finish()
    assert (first.outcome, first.verified) == (LOADED, True)
    assert (second.outcome, second.sent, second.slot) == (INCOMPLETE, 0, None)
    assert second.reason == "the unit asked to wait at the header and never went on"
    assert rehearsed.visits == 0
    assert rehearsed.unit.panel.awaiting_confirm == 1
    # the unit is told that nothing will come (HSK-19)
    assert said(rehearsed, TO)[-1] == oracle.handshake(kind="CANCEL", packet_number=0)


@pytest.mark.parametrize(
    ("habit", "outcome", "told"),
    [
        ("cancel", REFUSED, "slot 1 has a new sample: confirm it at the front panel, and send"),
        ("ignore", UNCONFIRMED, "the unit never answered: slot 1 has a new sample: confirm it"),
    ],
)
def test_nobody_comes_and_the_unit_refuses(habit: str, outcome: Outcome, told: str) -> None:
    profile = unit("stage-door", panel={"unconfirmed": habit})
    rehearsed = rehearsal(profile, operator_ns=None)
    rehearsed.play(dump(number=0))
    second = rehearsed.play(dump(number=1))
    assert (second.outcome, second.slot, second.is_well) == (outcome, None, False)
    assert told in second.reason


def test_what_an_ignored_dump_gets_back_is_the_old_one_and_that_is_noticed() -> None:
    profile = unit("stage-door", panel={"unconfirmed": "ignore"})
    rehearsed = rehearsal(profile, operator_ns=None)
    rehearsed.play(dump())
    second = rehearsed.play(dump(words(121, factor=17)))
    assert (second.outcome, second.verified, second.is_well) == (UNCONFIRMED, False, False)
    assert "something else" in second.reason
