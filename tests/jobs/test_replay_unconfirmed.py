"""Replay where nobody answers, and where nothing is read back."""

from __future__ import annotations

from dryload.harness.jobs.outcome import Outcome
from dryload.harness.jobs.timing import Wait
from tests.edits import flip_bit
from tests.jobs.bench import FROM, SECOND, SMALL, TO, clauses, dump, rehearsal, said, unit

LOADED, CHANGED, REFUSED, INCOMPLETE, UNCONFIRMED, NOT_KEPT = Outcome


# Unconfirmed


def test_an_open_loop_unit_that_holds_it_is_unconfirmed_and_well() -> None:
    rehearsed = rehearsal(unit("thunder-sheet"))
    transfer = rehearsed.play(dump())
    assert (transfer.outcome, transfer.verified, transfer.slot) == (UNCONFIRMED, None, 2)
    assert transfer.reason == "the unit never answered, so nothing says that it listened"
    assert transfer.is_well
    assert (transfer.sent, transfer.resent) == (4, 0)
    assert clauses(transfer) == ["TIM-02"]


def test_an_open_loop_unit_that_answers_requests_can_be_verified() -> None:
    profile = unit("thunder-sheet", knows={"requests": True})
    transfer = rehearsal(profile).play(dump())
    assert (transfer.outcome, transfer.verified) == (LOADED, True)


def test_an_open_loop_unit_that_refuses_is_unconfirmed_and_not_well() -> None:
    profile = unit("thunder-sheet", memory=SMALL)
    transfer = rehearsal(profile).play(dump())
    assert (transfer.outcome, transfer.slot, transfer.is_well) == (UNCONFIRMED, None, False)
    assert "the unit never answered: the sample needs 121 words" in transfer.reason


def test_an_open_loop_unit_that_changes_the_words_is_not_well() -> None:
    profile = unit("thunder-sheet", words={"accepts": (12,), "others": "cut", "others_to": 12})
    transfer = rehearsal(profile).play(dump())
    assert (transfer.outcome, transfer.slot, transfer.is_well) == (UNCONFIRMED, 2, False)


def test_a_dump_for_another_device_is_unconfirmed_and_says_why() -> None:
    rehearsed = rehearsal()
    transfer = rehearsed.play(dump(device_id=16))
    assert (transfer.outcome, transfer.verified, transfer.slot) == (UNCONFIRMED, None, None)
    assert "; the dump is addressed to device ID 16 and the unit listens to 0" in transfer.reason
    assert clauses(transfer) == ["DEV-01", "TIM-02"]
    assert "--device-id 0" in transfer.findings[0].do
    assert not transfer.is_well
    assert said(rehearsed, FROM) == []
    assert transfer.times.waits[0] == (Wait.NO_HEADER_ANSWER, 2 * SECOND)


def test_a_dump_for_everybody_is_heard_by_who_listens_to_it() -> None:
    assert rehearsal().play(dump(device_id=127)).verified is True
    deaf = unit(unit={"all_call": False})
    assert rehearsal(deaf).play(dump(device_id=127)).outcome is UNCONFIRMED


# Without reading back


def test_without_reading_back_nothing_is_asked_and_nothing_verified() -> None:
    rehearsed = rehearsal(read_back=False)
    transfer = rehearsed.play(dump())
    assert (transfer.outcome, transfer.verified) == (LOADED, None)
    assert transfer.is_well
    assert transfer.unread == "not asked for"
    assert transfer.read_back_ns == 0
    assert {message[3] for message in said(rehearsed, TO)} == {1, 2}  # header, packets (M1 p. 37)


def test_without_reading_back_an_emulated_memory_still_tells_the_change() -> None:
    transfer = rehearsal(unit("prompt-box"), read_back=False).play(dump())
    assert (transfer.outcome, transfer.verified, transfer.is_well) == (CHANGED, None, False)


# What only the emulated memory can tell


def test_where_nothing_can_be_read_back_the_emulated_memory_tells() -> None:
    transfer = rehearsal(unit(knows={"requests": False})).play(dump())
    assert (transfer.outcome, transfer.verified, transfer.slot) == (LOADED, None, 2)
    assert transfer.is_well


def test_an_unconfirmed_sample_that_the_memory_has_under_another_number_is_not_well() -> None:
    flip = flip_bit(direction=TO, message=0, byte=4, bit=2)  # sample 1 becomes 5
    transfer = rehearsal(unit("thunder-sheet"), flip).play(dump())
    assert (transfer.outcome, transfer.slot, transfer.is_well) == (UNCONFIRMED, 6, False)
