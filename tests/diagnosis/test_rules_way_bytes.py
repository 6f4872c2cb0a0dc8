"""Causes that spoil bytes on the way: for each a capture that proves it and a near miss.

Form, checksum and times are those of M1 pp. 1 and 35-39; ways to go wrong that are no clause are
common practice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from emulator.wire.codec import decode
from emulator.wire.messages import DumpHeader
from harness.files.recorded import Recorded, TakenAt
from harness.judge.diagnosis.causes_way_bytes import WAY_BYTES_CAUSES
from harness.judge.diagnosis.damage import (
    Damage,
    Hit,
    damage_of,
    lost_at,
    remains_of,
    sum_is_off_by,
)
from harness.judge.diagnosis.diagnose import Diagnosis, diagnose
from harness.judge.diagnosis.scene import Source, scene_of
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
    words,
)

_ALTERED = "bytes altered on the way"
_LOST = "bytes lost on the way"
_ADDED = "bytes added on the way"
_NTH = "every Nth byte lost"
_CUT = "messages cut at a length"
_ENDS = "message ends lost"
_OTHER_SENDER = "another sender on the cable"
_OTHERS = "others talk on the cable"
_REAL_TIME = "real-time bytes taken for data"
_CLOCK = "clock on the cable"
_RESET = "reset on the cable"
_RESET_PASSED = "reset passed by"
_REWRITTEN = "device ID rewritten on the way"
_STUCK = "stuck data bit"
_HEADER = "header spoiled on the way"
_HERE = {
    _ALTERED,
    _LOST,
    _ADDED,
    _NTH,
    _CUT,
    _ENDS,
    _OTHER_SENDER,
    _OTHERS,
    _REAL_TIME,
    _CLOCK,
    _RESET,
    _RESET_PASSED,
    _REWRITTEN,
    _STUCK,
    _HEADER,
}
_NOTE = bytes((0x92, 60, 64))
_CLOCK_BYTE = b"\xf8"
_RESET_BYTE = b"\xff"
Change = Callable[[bytes], bytes]


def _at_line(tape: Tape) -> Recorded:
    return replace(tape.recorded(), taken_at=TakenAt.LINE)


def _at_host(tape: Tape) -> Recorded:
    return replace(tape.recorded(), taken_at=TakenAt.HOST)


def _first(recorded: Recorded, *sources: Source) -> tuple[str, int | None]:
    """The cause named first, and its packet."""
    cause = diagnose(recorded, sources).first
    assert cause is not None, "nothing was named"
    at = cause.suspicion.at
    return cause.name, None if at is None else at.packet


def _names(found: Diagnosis) -> set[str]:
    """All that is named, remarks included."""
    return {each.name for each in (*found.causes, *found.remarks)}


def _named(recorded: Recorded, *sources: Source) -> set[str]:
    return _names(diagnose(recorded, sources))


def _remarks(recorded: Recorded) -> set[str]:
    return {each.name for each in diagnose(recorded).remarks}


def _hit(change: Change, answer: str = "NAK") -> Step:
    """Let a packet arrive changed and be answered, then sound and acknowledged."""

    def step(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(change(packet))
        if answer:
            tape.back(say(answer, place))
        tape.to(packet, after_ms=2 if answer else 25)
        tape.back(say("ACK", place))

    return step


def _arriving(change: Change, answer: str) -> Step:
    """Let a packet arrive changed and be answered."""

    def step(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(change(packet))
        tape.back(say(answer, place))

    return step


def _rejected(tape: Tape, place: int, packet: bytes) -> None:
    """Send it twice, and have it rejected the first time."""
    tape.to(packet).back(say("NAK", place))
    tape.to(packet, after_ms=2).back(say("ACK", place))


def _without(at: int, count: int = 1) -> Change:
    return lambda packet: packet[:at] + packet[at + count :]


def _with(at: int, more: bytes) -> Change:
    return lambda packet: packet[:at] + more + packet[at:]


def _open(change: Callable[[int, bytes], bytes], count: int = 8) -> Tape:
    """A dump that nobody answers, each packet changed by its place."""
    tape = Tape().to(header(count))
    for place, packet in enumerate(packets(count)):
        tape.to(change(place, packet), after_ms=20.5)
    return end(tape)


def _source(count: int = 8) -> Source:
    made = decode(header(count))
    assert isinstance(made, DumpHeader)
    return Source(name="thunder", header=made, packets=tuple(packets(count)))


def test_every_cause_of_this_room_is_proved_here() -> None:
    assert {each.name for each in WAY_BYTES_CAUSES} == _HERE


@pytest.mark.parametrize("taken_at", list(TakenAt))
def test_a_dump_as_it_should_be_names_nothing(taken_at: TakenAt) -> None:
    assert not _named(replace(dump().recorded(), taken_at=taken_at))


# Altered (T12): the checksum finds it out (M1 p. 39).


@pytest.mark.parametrize("at", [5, 42, 124, 125])
@pytest.mark.parametrize("place", [0, 3, 7])
def test_a_byte_altered(place: int, at: int) -> None:
    tape = dump(steps={place: _hit(lambda packet: flipped(packet, at))})
    assert _first(_at_line(tape)) == (_ALTERED, place)


def test_a_high_bit_set_is_altered_and_not_added() -> None:
    tape = dump(steps={3: _hit(lambda packet: flipped(packet, bit=0x80))})
    assert _first(_at_line(tape)) == (_ALTERED, 3)


def test_at_the_host_a_packet_that_is_rejected_once_was_perhaps_altered() -> None:
    assert _ALTERED in _named(_at_host(dump(steps={3: _rejected})))


def test_on_the_line_that_packet_had_arrived_right() -> None:
    assert _ALTERED not in _named(_at_line(dump(steps={3: _rejected})))


def test_a_packet_that_is_damaged_in_the_source_was_not_altered() -> None:
    source = _source()
    spoiled = flipped(source.packets[3])
    known = replace(source, packets=(*source.packets[:3], spoiled, *source.packets[4:]))
    tape = _open(lambda place, packet: spoiled if place == 3 else packet)
    assert _ALTERED not in _named(_at_line(tape), known)
    assert _ALTERED in _named(_at_line(tape), source)


def test_a_damaged_packet_is_placed_with_one_direction_and_no_times() -> None:
    tape = dump(steps={3: _hit(flipped)})
    recorded = replace(tape.recorded(TO, is_timed=False), taken_at=TakenAt.LINE)
    assert _first(recorded) == (_ALTERED, 3)


def test_only_the_way_back_shows_no_damaged_packet() -> None:
    tape = dump(steps={3: _hit(flipped)})
    recorded = replace(tape.recorded(FROM), taken_at=TakenAt.LINE)
    assert not _named(recorded) & (_HERE - {_ALTERED})


# Lost (T14) and added (T15).


@pytest.mark.parametrize("count", [1, 3])
@pytest.mark.parametrize("place", [1, 5])
def test_bytes_lost(place: int, count: int) -> None:
    tape = dump(steps={place: _hit(_without(50, count))})
    assert _first(_at_line(tape)) == (_LOST, place)


def test_a_packet_of_127_bytes_has_lost_none() -> None:
    assert _LOST not in _named(_at_line(dump(steps={3: _hit(flipped)})))


@pytest.mark.parametrize("count", [1, 2])
@pytest.mark.parametrize("place", [1, 5])
def test_bytes_added(place: int, count: int) -> None:
    tape = dump(steps={place: _hit(_with(50, bytes([5] * count)))})
    assert _first(_at_line(tape)) == (_ADDED, place)


def test_clock_bytes_inside_are_not_added_ones() -> None:
    """A real-time byte may stand anywhere and is set aside (M1 p. 30)."""
    tape = dump(steps={3: _arriving(_with(50, _CLOCK_BYTE), "ACK")})
    assert not diagnose(_at_line(tape)).causes


# By rule: every Nth (T53), at a length (T14), at the end (T51).


def _every(distance: int, count: int) -> Tape:
    """An open loop through which each `distance`th byte is lost."""
    passed, missed = 0, 0

    def change(place: int, packet: bytes) -> bytes:
        nonlocal passed, missed
        kept = bytearray()
        for byte in packet:
            passed += 1
            if passed % distance:
                kept.append(byte)
            else:
                missed += 1
        return bytes(kept)

    return _open(change, count)


def test_bytes_lost_at_one_distance() -> None:
    assert _first(_at_line(_every(300, 24)), _source(24))[0] == _NTH


def test_bytes_lost_anywhere() -> None:
    struck = {2: 10, 3: 90, 7: 33, 11: 61, 12: 7, 19: 80}
    tape = _open(lambda at, packet: _without(struck[at])(packet) if at in struck else packet, 24)
    assert _first(_at_line(tape), _source(24)) == (_LOST, 2)
    assert _NTH not in _named(_at_line(tape), _source(24))


def test_every_packet_ends_at_one_length() -> None:
    tape = _open(lambda place, packet: packet[:64])
    assert _first(_at_line(tape), _source()) == (_CUT, 0)


def test_one_packet_that_breaks_off_is_no_length() -> None:
    tape = dump(steps={3: _hit(lambda packet: packet[:64])})
    assert _CUT not in _named(_at_line(tape))


def test_packets_that_break_off_at_different_lengths() -> None:
    tape = _open(lambda place, packet: packet[: 60 + place])
    assert _CUT not in _named(_at_line(tape), _source())


def test_ends_that_do_not_arrive() -> None:
    tape = _open(lambda place, packet: packet[:-1])
    assert _first(_at_line(tape), _source()) == (_ENDS, 0)


def test_one_end_that_does_not_arrive_is_no_rule() -> None:
    tape = dump(steps={3: _hit(lambda packet: packet[:-1])})
    assert _ENDS not in _named(_at_line(tape))


# Others on the cable (T18): a status byte ends an exclusive message (M1 p. 34).


def test_a_note_inside_a_packet() -> None:
    tape = dump(steps={3: _hit(_with(60, _NOTE))})
    found = diagnose(_at_line(tape))
    assert found.first is not None
    assert found.first.name == _OTHER_SENDER
    assert found.first.suspicion.at is not None
    assert found.first.suspicion.at.packet == 3
    assert "channel 3" in found.first.suspicion.evidence[0].text


def test_notes_between_packets_do_no_harm() -> None:
    def step(tape: Tape, place: int, packet: bytes) -> None:
        usual(tape, place, packet)
        tape.to(_NOTE, after_ms=1)

    found = diagnose(_at_line(dump(steps={3: step})))
    assert not found.causes
    assert _OTHERS in {each.name for each in found.remarks}


def test_a_quiet_cable_has_no_others_on_it() -> None:
    assert _OTHERS not in _named(_at_line(dump()))


# Real-time bytes (T15, T19) and reset (T21).


def test_just_the_packets_with_a_clock_byte_are_rejected() -> None:
    tape = dump(steps=dict.fromkeys((2, 5), _hit(_with(60, _CLOCK_BYTE))))
    assert _first(_at_line(tape)) == (_REAL_TIME, 2)


def test_a_unit_that_takes_a_packet_with_a_clock_byte_sets_them_aside() -> None:
    taken = _arriving(_with(60, _CLOCK_BYTE), "ACK")
    tape = dump(steps={2: _hit(_with(60, _CLOCK_BYTE)), 5: taken})
    assert _REAL_TIME not in _named(_at_line(tape))


def test_a_clock_that_everybody_copes_with_is_a_remark() -> None:
    found = diagnose(_at_line(dump(steps=every(_arriving(_with(60, _CLOCK_BYTE), "ACK")))))
    assert not found.causes
    assert _CLOCK in {each.name for each in found.remarks}


def test_where_no_clock_runs_none_is_told_of() -> None:
    assert _CLOCK not in _named(_at_line(dump()))


def _reset(tape: Tape, place: int, packet: bytes) -> None:
    tape.to(_with(60, _RESET_BYTE)(packet))
    tape.back(say("ACK", place))


def _reset_and_silence(tape: Tape, place: int, packet: bytes) -> None:
    tape.to(_with(60, _RESET_BYTE)(packet))


def _unanswered(tape: Tape, place: int, packet: bytes) -> None:
    tape.to(packet, after_ms=21)


def test_a_reset_after_which_the_unit_is_silent() -> None:
    steps = {3: _reset_and_silence, **dict.fromkeys(range(4, 8), _unanswered)}
    assert _RESET in _named(_at_line(dump(steps=steps)))


def test_silence_without_a_reset_is_none() -> None:
    steps = dict.fromkeys(range(3, 8), _unanswered)
    assert _RESET not in _named(_at_line(dump(steps=steps)))


def test_a_reset_that_passed_by() -> None:
    found = diagnose(_at_line(dump(steps={3: _reset})))
    assert not found.causes
    assert _RESET_PASSED in {each.name for each in found.remarks}


def test_a_reset_that_did_harm_has_not_passed_by() -> None:
    steps = {3: _reset_and_silence, **dict.fromkeys(range(4, 8), _unanswered)}
    assert _RESET_PASSED not in _remarks(_at_line(dump(steps=steps)))


# In every packet the same (T11): the checksum counts the device ID in (M1 p. 39).


def test_another_device_id_by_which_every_checksum_is_off() -> None:
    tape = _open(lambda place, packet: packet[:2] + b"\x05" + packet[3:])
    assert _first(_at_line(tape), _source()) == (_REWRITTEN, 0)


def test_packets_made_for_another_device_id_are_right() -> None:
    made = packets(8, device_id=5)
    tape = _open(lambda place, packet: made[place])
    assert _REWRITTEN not in _named(_at_line(tape))


def _set(packet: bytes, bit: int = 4) -> bytes:
    """Hold one bit of all data bytes."""
    return packet[:5] + bytes(byte | bit for byte in packet[5:125]) + packet[125:]


def test_a_bit_that_is_set_in_all_data() -> None:
    tape = _open(lambda place, packet: _set(packet))
    assert _first(_at_line(tape), _source())[0] == _STUCK


def test_a_sound_that_has_that_bit_set_of_itself() -> None:
    """Words of which no byte has the bit clear, with checksums that are right."""
    made = oracle.packets(device_id=0, bits=7, words=[(at % 64) | 4 for at in range(120 * 8)])
    tape = _open(lambda place, packet: made[place])
    assert _STUCK not in _named(_at_line(tape))


# The header (T12, T14): 21 bytes (M1 p. 37).


@pytest.mark.parametrize("change", [_without(12), _with(12, b"\x05"), lambda raw: raw[:12]])
def test_a_header_without_its_form(change: Change) -> None:
    tape = Tape().to(change(header(4)))
    for packet in packets(4):
        tape.to(packet, after_ms=20.5)
    assert _first(_at_line(end(tape)))[0] == _HEADER


def test_a_header_in_its_form_is_not_spoiled() -> None:
    assert _HEADER not in _named(_at_line(_open(lambda place, packet: packet, 4)))


def test_at_the_host_a_header_cannot_have_been_spoiled_on_the_way() -> None:
    tape = Tape().to(_without(12)(header(4)))
    for packet in packets(4):
        tape.to(packet, after_ms=20.5)
    assert _HEADER not in _named(_at_host(end(tape)))


# What happened to one message.


def _damage(arrived: bytes, reference: bytes | None) -> Damage:
    """What is said of the first message of these bytes."""
    recorded = replace(Tape().to(arrived).to(header(1)).recorded(), taken_at=TakenAt.LINE)
    spoken = list(scene_of(recorded).spoke(TO))
    remains = remains_of(spoken)
    return damage_of(spoken[0], remains.get(spoken[0].said.place, ()), reference)


_PACKET = packets(1)[0]


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize(
    ("change", "hit", "count"),
    [
        (flipped, Hit.ALTERED, 1),
        (lambda packet: flipped(packet, bit=0x80), Hit.ALTERED, 1),
        (_without(50, 3), Hit.LOST, 3),
        (_with(50, b"\x01\x02"), Hit.ADDED, 2),
        (lambda packet: packet[:-1], Hit.END_LOST, 1),
        (lambda packet: packet[:100], Hit.CUT, 27),
        (_with(50, _NOTE), Hit.NOTE, 3),
    ],
)
def test_what_happened_to_a_packet(change: Change, hit: Hit, count: int, known: bool) -> None:
    found = _damage(change(_PACKET), _PACKET if known else None)
    assert (found.hit, found.count) == (hit, count)


def test_the_altered_bytes_are_counted_where_the_packet_is_known() -> None:
    spoiled = flipped(flipped(_PACKET, at=20), at=70)
    assert _damage(spoiled, _PACKET).count == 2


def test_a_checksum_that_is_right_is_off_by_nothing() -> None:
    assert sum_is_off_by(_PACKET) == 0
    assert sum_is_off_by(flipped(_PACKET, bit=8)) == 8


@pytest.mark.parametrize("at", range(5, 125))
def test_where_a_byte_is_missing(at: int) -> None:
    early, late = lost_at(_without(at)(_PACKET), _PACKET)
    assert early <= at <= late


def test_the_sound_of_these_packets_is_not_all_alike() -> None:
    """Else a byte that is missing, or a bit that is stuck, would prove nothing."""
    assert len(set(words(40))) == 40
