"""Causes that spoil bytes on the way: for each a capture that proves it and a near miss.

Form, checksum and times are those of M1 pp. 1 and 35-39; ways to go wrong that are no clause are
common practice.
"""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from dryload.harness.diagnose.diagnose import diagnose
from dryload.harness.files.recorded import TakenAt
from tests import oracle
from tests.diagnosis.spoiling import (
    Change,
    arriving,
    at_host,
    at_line,
    first_of,
    hit,
    named,
    open_loop,
    rejected,
    remarks,
    source,
    with_more,
    without,
)
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

_ALTERED = "bytes altered on the way"
_LOST = "bytes lost on the way"
_ADDED = "bytes added on the way"
_OTHER_SENDER = "another sender on the cable"
_OTHERS = "others talk on the cable"
_REAL_TIME = "real-time bytes taken for data"
_CLOCK = "others talk on the cable"
_RESET = "reset on the cable"
_RESET_PASSED = "others talk on the cable"
_REWRITTEN = "device ID rewritten on the way"
_STUCK = "stuck data bit"
_HEADER = "header spoiled on the way"
_NOTE = bytes((0x92, 60, 64))
_CLOCK_BYTE = b"\xf8"
_RESET_BYTE = b"\xff"


@pytest.mark.parametrize("taken_at", list(TakenAt))
def test_a_dump_as_it_should_be_names_nothing(taken_at: TakenAt) -> None:
    assert not named(replace(dump().recorded(), taken_at=taken_at))


# Altered: the checksum finds it out (M1 p. 39).


@pytest.mark.parametrize("at", [5, 42, 124, 125])
@pytest.mark.parametrize("place", [0, 3, 7])
def test_a_byte_altered(place: int, at: int) -> None:
    tape = dump(steps={place: hit(lambda packet: flipped(packet, at))})
    assert first_of(at_line(tape)) == (_ALTERED, place)


def test_at_the_host_a_packet_that_is_rejected_once_was_perhaps_altered() -> None:
    assert _ALTERED in named(at_host(dump(steps={3: rejected})))


def test_on_the_line_that_packet_had_arrived_right() -> None:
    assert _ALTERED not in named(at_line(dump(steps={3: rejected})))


def test_a_packet_that_is_damaged_in_the_source_was_not_altered() -> None:
    right = source()
    spoiled = flipped(right.packets[3])
    known = replace(right, packets=(*right.packets[:3], spoiled, *right.packets[4:]))
    tape = open_loop(lambda place, packet: spoiled if place == 3 else packet)
    assert _ALTERED not in named(at_line(tape), known)
    assert _ALTERED in named(at_line(tape), right)


def test_a_packet_that_is_wrong_alike_each_time_is_rather_sent_so() -> None:
    """Three times the same damage is no accident, and no other packet ever passes."""

    def step(tape: Tape, place: int, packet: bytes) -> None:
        for _ in range(3):
            tape.to(flipped(packet), after_ms=2).back(say("NAK", place))

    tape = Tape().to(header(8)).back(say("ACK"))
    step(tape, 0, packets(8)[0])
    assert first_of(at_line(end(tape)))[0] != _ALTERED
    assert first_of(at_line(tape), source()) == (_ALTERED, 0)


def test_a_damaged_packet_is_placed_with_one_direction_and_no_times() -> None:
    tape = dump(steps={3: hit(flipped)})
    recorded = replace(tape.recorded(TO, is_timed=False), taken_at=TakenAt.LINE)
    assert first_of(recorded) == (_ALTERED, 3)


def test_only_the_way_back_shows_no_damaged_packet() -> None:
    tape = dump(steps={3: hit(flipped)})
    recorded = replace(tape.recorded(FROM), taken_at=TakenAt.LINE)
    assert not named(recorded) - {_ALTERED}


# Lost and added.


@pytest.mark.parametrize("count", [1, 3])
@pytest.mark.parametrize("place", [1, 5])
def test_bytes_lost(place: int, count: int) -> None:
    tape = dump(steps={place: hit(without(50, count))})
    assert first_of(at_line(tape)) == (_LOST, place)


def test_a_packet_of_127_bytes_has_lost_none() -> None:
    assert _LOST not in named(at_line(dump(steps={3: hit(flipped)})))


@pytest.mark.parametrize("count", [1, 2])
@pytest.mark.parametrize("place", [1, 5])
def test_bytes_added(place: int, count: int) -> None:
    tape = dump(steps={place: hit(with_more(50, bytes([5] * count)))})
    assert first_of(at_line(tape)) == (_ADDED, place)


def test_clock_bytes_inside_are_not_added_ones() -> None:
    """A real-time byte may stand anywhere and is set aside (M1 p. 30)."""
    tape = dump(steps={3: arriving(with_more(50, _CLOCK_BYTE), "ACK")})
    assert not diagnose(at_line(tape)).causes


# Others on the cable: a status byte ends an exclusive message (M1 p. 34).


def test_a_note_inside_a_packet() -> None:
    tape = dump(steps={3: hit(with_more(60, _NOTE))})
    found = diagnose(at_line(tape))
    assert found.first is not None
    assert found.first.name == _OTHER_SENDER
    assert found.first.at is not None
    assert found.first.at.packet == 3
    assert "channel 3" in found.first.evidence[0].text


def test_notes_between_packets_do_no_harm() -> None:
    def step(tape: Tape, place: int, packet: bytes) -> None:
        usual(tape, place, packet)
        tape.to(_NOTE, after_ms=1)

    found = diagnose(at_line(dump(steps={3: step})))
    assert not found.causes
    assert _OTHERS in {each.name for each in found.remarks}


def test_a_quiet_cable_has_no_others_on_it() -> None:
    assert _OTHERS not in named(at_line(dump()))


# Real-time bytes and reset.


def test_just_the_packets_with_a_clock_byte_are_rejected() -> None:
    tape = dump(steps=dict.fromkeys((2, 5), hit(with_more(60, _CLOCK_BYTE))))
    assert first_of(at_line(tape)) == (_REAL_TIME, 2)


def test_a_unit_that_takes_a_packet_with_a_clock_byte_sets_them_aside() -> None:
    taken = arriving(with_more(60, _CLOCK_BYTE), "ACK")
    tape = dump(steps={2: hit(with_more(60, _CLOCK_BYTE)), 5: taken})
    assert _REAL_TIME not in named(at_line(tape))


def test_a_clock_that_everybody_copes_with_is_a_remark() -> None:
    found = diagnose(at_line(dump(steps=every(arriving(with_more(60, _CLOCK_BYTE), "ACK")))))
    assert not found.causes
    assert _CLOCK in {each.name for each in found.remarks}


def test_where_no_clock_runs_none_is_told_of() -> None:
    assert _CLOCK not in named(at_line(dump()))


def _reset(tape: Tape, place: int, packet: bytes) -> None:
    tape.to(with_more(60, _RESET_BYTE)(packet))
    tape.back(say("ACK", place))


def _reset_and_silence(tape: Tape, place: int, packet: bytes) -> None:
    tape.to(with_more(60, _RESET_BYTE)(packet))


def _unanswered(tape: Tape, place: int, packet: bytes) -> None:
    tape.to(packet, after_ms=21)


def test_a_reset_after_which_the_unit_is_silent() -> None:
    steps: dict[int, Step] = {3: _reset_and_silence, **dict.fromkeys(range(4, 8), _unanswered)}
    assert _RESET in named(at_line(dump(steps=steps)))


def test_silence_without_a_reset_is_none() -> None:
    steps: dict[int, Step] = dict.fromkeys(range(3, 8), _unanswered)
    assert _RESET not in named(at_line(dump(steps=steps)))


def test_a_reset_that_passed_by() -> None:
    found = diagnose(at_line(dump(steps={3: _reset})))
    assert not found.causes
    assert _RESET_PASSED in {each.name for each in found.remarks}


def _asked_for_after_a_reset_in_the_last_packet(*, is_there: bool) -> Tape:
    tape = dump(steps={7: _reset_and_silence}, tail=False)
    tape.to(oracle.dump_request(sample_number=1), after_ms=2500)
    if is_there:
        tape.back(header(8))
        for place, packet in enumerate(packets(8)):
            tape.to(say("ACK", max(place - 1, 0)), after_ms=1).back(packet)
    return end(tape)


def test_a_reset_in_the_last_packet_shows_when_the_sample_is_asked_for() -> None:
    tape = _asked_for_after_a_reset_in_the_last_packet(is_there=False)
    assert _RESET in named(at_line(tape))


def test_a_sample_that_is_there_was_not_lost_by_a_reset() -> None:
    tape = _asked_for_after_a_reset_in_the_last_packet(is_there=True)
    assert _RESET not in named(at_line(tape))


def test_a_reset_that_did_harm_has_not_passed_by() -> None:
    steps: dict[int, Step] = {3: _reset_and_silence, **dict.fromkeys(range(4, 8), _unanswered)}
    assert _RESET_PASSED not in remarks(at_line(dump(steps=steps)))


# The header: 21 bytes (M1 p. 37).


@pytest.mark.parametrize("change", [without(12), with_more(12, b"\x05"), lambda raw: raw[:12]])
def test_a_header_without_its_form(change: Change) -> None:
    tape = Tape().to(change(header(4)))
    for packet in packets(4):
        tape.to(packet, after_ms=20.5)
    assert first_of(at_line(end(tape)))[0] == _HEADER


def test_a_header_in_its_form_is_not_spoiled() -> None:
    assert _HEADER not in named(at_line(open_loop(lambda place, packet: packet, 4)))


def test_at_the_host_a_header_cannot_have_been_spoiled_on_the_way() -> None:
    tape = Tape().to(without(12)(header(4)))
    for packet in packets(4):
        tape.to(packet, after_ms=20.5)
    assert _HEADER not in named(at_host(end(tape)))
