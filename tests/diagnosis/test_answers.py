"""Causes on the way back: for each a capture that proves it and a near miss that does not.

What is due when, and what an answer carries, is from M1 pp. 35-39; ways to go wrong that are no
clause are common practice.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from msgspec.structs import replace

from dryload.harness.diagnose.diagnose import CaptureDiagnosis, diagnose
from dryload.harness.files.recorded import Recorded, TakenAt
from tests import oracle
from tests.judge.talking import (
    FROM,
    TO,
    Step,
    Tape,
    dump,
    end,
    every,
    flipped,
    header,
    packets,
    say,
    usual,
)

_BACK = "answers lost on the way back"
_LATE = "answers late"
_ALTERED = "answers altered on the way back"
_TWICE = "two answers to one message"
_NUMBER = "answers altered on the way back"
_DEVICE = "answers with another device ID"
_ECHO = "messages come back"


def at_line(tape: Tape, *, taken_at: TakenAt = TakenAt.LINE) -> Recorded:
    """The recording as taken at a place."""
    return replace(tape.recorded(), taken_at=taken_at)


def first(tape: Tape, taken_at: TakenAt = TakenAt.LINE) -> tuple[str, int | None]:
    """The cause named first, and its packet."""
    told = diagnose(at_line(tape, taken_at=taken_at)).first
    assert told is not None, "nothing was named"
    return told.name, None if told.at is None else told.at.packet


def names(diagnosis: CaptureDiagnosis) -> set[str]:
    """Whatever is named, remarks included."""
    return {each.name for each in (*diagnosis.causes, *diagnosis.remarks)}


def named(tape: Tape, taken_at: TakenAt = TakenAt.LINE) -> set[str]:
    """Whatever is named of a tape."""
    return names(diagnose(at_line(tape, taken_at=taken_at)))


def twice(answer: bytes | None, *, after_ms: float = 500) -> Step:
    """Send it, get `answer` or nothing, send it again after a while and have it acknowledged."""

    def step(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet)
        if answer is not None:
            tape.back(answer)
        tape.to(packet, after_ms=after_ms)
        tape.back(say("ACK", place))

    return step


def answered(*said: bytes, after_ms: float = 2) -> Step:
    """Send it and have it answered so."""

    def step(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet)
        for each in said:
            tape.back(each, after_ms=after_ms)

    return step


def unanswered(tape: Tape, place: int, packet: bytes) -> None:
    """Send it, and leave the 20 ms of an open loop (M1 p. 39)."""
    tape.to(packet, after_ms=20.5)


@pytest.mark.parametrize("taken_at", list(TakenAt))
def test_a_dump_as_it_should_be_names_nothing(taken_at: TakenAt) -> None:
    told = diagnose(at_line(dump(), taken_at=taken_at))
    assert not told.causes
    assert not told.remarks


# Lost and late.


@pytest.mark.parametrize("place", [0, 2, 6])
def test_a_lost_answer(place: int) -> None:
    assert first(dump(steps={place: twice(None)})) == (_BACK, place)


def test_a_lost_answer_to_the_header() -> None:
    def silent(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).now_ns += 2_000_000_000

    assert first(dump(steps={-1: silent})) == (_BACK, None)


def test_no_answer_to_the_last_packet_is_the_custom_of_some_units() -> None:
    assert _BACK not in named(dump(steps={7: unanswered}))


def test_a_packet_sent_again_for_a_no_has_lost_no_answer() -> None:
    assert _BACK not in named(dump(steps={2: twice(say("NAK", 2), after_ms=2)}))


def test_an_answer_missing_at_once_behind_a_damaged_packet_is_not_lost() -> None:
    def damaged(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(flipped(packet)).to(packet, after_ms=500).back(say("ACK", place))

    assert _BACK not in named(dump(steps={2: damaged}))


def test_a_sender_that_breaks_off_at_a_lost_answer() -> None:
    tape = Tape().to(header(8)).back(say("ACK"))
    for place, packet in enumerate(packets(8)[:3]):
        answered(*([say("ACK", place)] if place < 2 else []))(tape, place, packet)
    tape.to(say("CANCEL", 2), after_ms=21)
    assert first(end(tape)) == (_BACK, 2)


def test_late_answers() -> None:
    late = {place: answered(say("ACK", place), after_ms=60) for place in range(8)}
    assert first(dump(steps=late)) == (_LATE, 0)
    assert first(dump(steps={5: late[5]})) == (_LATE, 5)


def test_an_answer_just_in_time_is_not_late() -> None:
    """An answer is due within 20 ms, M1 p. 36: 18 ms and 1.92 ms of its own are less."""
    told = {place: answered(say("ACK", place), after_ms=18) for place in range(8)}
    assert not diagnose(at_line(dump(steps=told))).causes


def test_two_answers_behind_a_copy_are_late_and_not_two() -> None:
    def slow(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).to(packet, after_ms=500)
        tape.back(say("ACK", place), after_ms=100).back(say("ACK", place))

    assert first(dump(steps={3: slow})) == (_LATE, 3)


def test_a_wait_that_is_lost_where_all_others_came() -> None:
    def patient(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).back(say("WAIT", place)).back(say("ACK", place), after_ms=40)

    steps = every(patient) | {4: answered(say("ACK", 4), after_ms=44)}
    assert first(dump(steps=steps)) == (_LATE, 4)
    assert not diagnose(at_line(dump(steps=every(patient)))).causes


# Changed.


@pytest.mark.parametrize(
    "wreck", [say("ACK", 3)[:4], b"\x7e\x00\x7f\x03\xf7", b"\xf0\x7e\x00\x7f\xf7"]
)
def test_pieces_in_place_of_an_answer(wreck: bytes) -> None:
    assert first(dump(steps={3: twice(wreck)})) == (_ALTERED, 3)


def test_a_note_of_the_unit_is_no_changed_answer() -> None:
    assert _ALTERED not in named(dump(steps={3: twice(b"\x90\x3c\x40")}))


def test_a_single_no_to_a_packet_that_arrived_right() -> None:
    tape = dump(steps={3: twice(say("NAK", 3), after_ms=2)})
    assert first(tape) == (_ALTERED, 3)


def test_a_no_to_a_packet_that_arrived_damaged_is_right() -> None:
    def damaged(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(flipped(packet)).back(say("NAK", place)).to(packet, after_ms=2)
        tape.back(say("ACK", place))

    assert _ALTERED not in named(dump(steps={3: damaged}))


def test_eof_for_an_answer() -> None:
    assert first(dump(steps={3: twice(say("EOF", 3))}))[0] == _ALTERED


# Doubled.


def test_two_answers() -> None:
    both = {place: answered(say("ACK", place), say("ACK", place)) for place in range(8)}
    assert first(dump(steps=both)) == (_TWICE, 0)
    assert first(dump(steps={4: both[4]})) == (_TWICE, 4)


def test_wait_and_then_yes_are_not_two_answers() -> None:
    both = {place: answered(say("WAIT", place), say("ACK", place)) for place in range(8)}
    assert _TWICE not in named(dump(steps=both))


def test_one_answer_for_each_sending_is_not_two_answers() -> None:
    def doubled(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).back(say("ACK", place)).to(packet, after_ms=2).back(say("ACK", place))

    assert _TWICE not in named(dump(steps={4: doubled}))


# Numbers and devices.


def test_a_wrong_number_now_and_then() -> None:
    steps = {place: answered(say("ACK", place + 1)) for place in (2, 5)}
    assert first(dump(steps=steps)) == (_NUMBER, 2)


@pytest.mark.parametrize(
    "says",
    [
        lambda place: place + 1,
        lambda place: 0,
        lambda place: 0x7F,
        lambda place: place + 2,
        lambda place: (place - 1) % 128,
        lambda place: (place * 37 + 11) % 128,
    ],
    ids=["next", "always 0", "always 127", "two ahead", "the one before", "no rule"],
)
def test_a_custom_of_numbering_is_a_remark(says: Callable[[int], int]) -> None:
    steps = {place: answered(say("ACK", says(place))) for place in range(8)}
    told = diagnose(at_line(dump(steps=steps)))
    assert not told.causes
    assert [each.name for each in told.remarks] == ["unit numbers answers its own way"]


def test_numbers_by_no_rule_do_not_hide_that_the_unit_fell_silent() -> None:
    steps = {place: answered(say("ACK", (place * 37 + 11) % 128)) for place in range(6)}
    steps |= dict.fromkeys((6, 7), answered())
    assert _ALTERED not in named(dump(steps=steps))


def test_two_strange_numbers_are_no_custom() -> None:
    """The control: so few may be damage or a fault of the unit."""
    steps = {place: answered(say("ACK", place + 40)) for place in (2, 5)}
    assert "unit numbers answers its own way" not in named(dump(steps=steps))


def test_answers_of_another_device() -> None:
    steps = {place: answered(say("ACK", place, device_id=9)) for place in (-1, *range(8))}
    assert first(dump(steps=steps))[0] == _DEVICE


def test_answers_under_the_id_of_all_devices_are_fine() -> None:
    """7F stands for all devices, M1 p. 35."""
    steps = {place: answered(say("ACK", place, device_id=0x7F)) for place in range(8)}
    assert _DEVICE not in named(dump(steps=steps))


# Echoes.


def echoed(tape: Tape, place: int, packet: bytes) -> None:
    """Send it, and have it come back right behind the answer to it."""
    tape.to(packet)
    tape.back(say("ACK", max(place, 0)))
    tape.beside(FROM, packet, tape.now_ns)


def test_an_echo() -> None:
    assert first(dump(steps=every(echoed) | {-1: echoed})) == (_ECHO, None)
    assert first(dump(steps=dict.fromkeys((3, 5), echoed))) == (_ECHO, 3)


def test_an_echo_where_the_dump_broke_off() -> None:
    tape = Tape()
    echoed(tape, -1, header(8))
    for place, packet in enumerate(packets(8)[:3]):
        echoed(tape, place, packet)
    tape.to(say("CANCEL", 3), after_ms=60)
    assert _ECHO in named(end(tape))


def test_a_dump_that_is_read_back_is_no_echo() -> None:
    tape = dump(tail=False)
    tape.to(oracle.dump_request(device_id=0, sample_number=1), after_ms=100)
    tape.back(header(8))
    tape.to(say("ACK"), after_ms=2)
    for place, packet in enumerate(packets(8)):
        tape.back(packet).to(say("ACK", place), after_ms=2)
    assert _ECHO not in named(tape)
    untimed = replace(tape.recorded(is_timed=False), taken_at=TakenAt.LINE)
    assert _ECHO not in names(diagnose(untimed))


def test_one_direction_says_nothing_of_answers() -> None:
    tape = dump(steps={2: twice(None)})
    for way in (TO, FROM):
        alone = replace(tape.recorded(way), taken_at=TakenAt.LINE)
        assert not names(diagnose(alone)) & {_BACK, _LATE, _ALTERED, "nothing comes back"}


def test_a_lost_answer_is_told_without_times() -> None:
    untimed = replace(dump(steps={2: twice(None)}).recorded(is_timed=False), taken_at=TakenAt.LINE)
    told = diagnose(untimed).first
    assert told is not None
    assert told.name == _BACK


def test_usual_is_what_it_says() -> None:
    """The control: the helper that others are measured against answers every packet."""
    tape = Tape()
    usual(tape, 3, packets(4)[3])
    assert [each.direction for each in tape.passages] == [TO, FROM]
