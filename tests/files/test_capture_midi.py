"""Captures as Standard MIDI Files (RP-001), with mido and a plain reader as second opinions."""

from __future__ import annotations

import io
from itertools import accumulate

import mido
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.harness.files import capture_lines, capture_midi
from dryload.harness.files.problem import Problem
from dryload.harness.files.recorded import Recorded
from tests import oracle
from tests.files.captures import (
    BYTE_NS,
    FROM,
    TO,
    bytes_in_lines,
    bytewise,
    captures,
    midi_tracks,
    records,
)

HEADER = oracle.header(sample_number=3, length=80, bits=16, period_ns=22_676)
ACK = oracle.handshake(kind="ACK")
TALK = Capture([Passage(TO, 6_720_000, HEADER), Passage(FROM, 13_640_000, ACK)])
FILE = capture_midi.build(Recorded(capture=TALK, about="the ship's bell"))
ROUNDED_NS = 500  # half a tick of 1 us

bodies = st.binary(max_size=20).map(lambda raw: bytes(byte & 0x7F for byte in raw))
exclusives = bodies.map(lambda body: b"\xf0" + body + b"\xf7")


@given(records())
def test_every_byte_comes_back_at_its_instant_to_half_a_microsecond(was: Recorded) -> None:
    read = capture_midi.read(capture_midi.build(was), "bell.mid")

    for direction in Direction:
        found, kept = bytewise(read.capture, direction), bytewise(was.capture, direction)
        assert [byte for _, byte in found] == [byte for _, byte in kept]
        for (now_ns, _), (then_ns, _) in zip(found, kept, strict=True):
            # A part that was joined again has the time of its end.
            assert abs(now_ns - then_ns) <= 3 * ROUNDED_NS
    assert (read.directions, read.is_timed, read.start_ns, read.about) == (
        *(was.directions, was.is_timed, was.start_ns, was.about),
    )
    assert read.remarks == ()


def ends(capture: Capture, direction: Direction) -> dict[int, int]:
    """Return the instant at which so many bytes had gone one way."""
    mine = [passage for passage in capture.passages if passage.direction is direction]
    counts = accumulate(len(passage.data) for passage in mine)
    return dict(zip(counts, (passage.end_ns for passage in mine), strict=True))


@given(records(overlapping=True))
def test_passages_end_where_they_ended_whatever_a_driver_delivered(was: Recorded) -> None:
    read = capture_midi.read(capture_midi.build(was), "bell.mid")

    for direction in Direction:
        assert read.capture.bytes_of(direction) == was.capture.bytes_of(direction)
        found = ends(read.capture, direction)
        for count, end_ns in ends(was.capture, direction).items():
            assert abs(found.get(count, end_ns) - end_ns) <= ROUNDED_NS


@given(captures(data=exclusives))
def test_whole_messages_come_back_as_the_same_passages(was: Capture) -> None:
    read = capture_midi.read(capture_midi.build(Recorded(capture=was)), "bell.mid").capture

    for direction in Direction:
        found = [each for each in read.passages if each.direction is direction]
        kept = [each for each in was.passages if each.direction is direction]
        assert [each.data for each in found] == [each.data for each in kept]
        assert all(
            abs(one.end_ns - other.end_ns) <= ROUNDED_NS
            for one, other in zip(found, kept, strict=True)
        )


@given(records(overlapping=True))
def test_both_forms_hold_the_same_bytes(was: Recorded) -> None:
    _, tracks = midi_tracks(capture_midi.build(was))
    in_lines = bytes_in_lines(capture_lines.build(was))
    seen = {}
    for track in tracks[1:]:
        (name,) = (each.data[1:] for each in track if each.status == 0xFF and each.data[0] == 3)
        lead = {0xF0: b"\xf0", 0xF7: b""}  # an F0 event does not write its F0 (RP-001)
        seen[name.decode()] = b"".join(
            lead[each.status] + each.data for each in track if each.status != 0xFF
        )
    assert seen == {way.value: in_lines[way.value] for way in was.directions}


@given(records(overlapping=True))
def test_the_events_are_what_the_form_allows(was: Recorded) -> None:
    division, tracks = midi_tracks(capture_midi.build(was))
    (tempo,) = (each.data for each in tracks[0] if each.status == 0xFF and each.data[:1] == b"\x51")
    assert int.from_bytes(tempo[1:], "big") == division <= 0x7FFF  # a tick is 1 us
    for track in tracks[1:]:
        for event in track:
            if event.status == 0xF0:
                body = event.data.removesuffix(b"\xf7")
                assert all(byte < 0x80 for byte in body)
        ticks = [event.ticks for event in track]
        assert ticks == sorted(ticks)


@settings(max_examples=50)
@given(captures(data=exclusives))
def test_other_software_sees_the_messages_at_their_times(was: Capture) -> None:
    file = mido.MidiFile(file=io.BytesIO(capture_midi.build(Recorded(capture=was))))

    assert [track.name for track in file.tracks[1:]] == ["to unit", "from unit"]
    (tempo,) = (each.tempo for each in file.tracks[0] if each.type == "set_tempo")
    for direction, track in zip(Direction, file.tracks[1:], strict=True):
        now, found = 0, []
        for message in track:
            now += message.time
            if message.type == "sysex":
                ns = now * tempo * 1_000 / file.ticks_per_beat
                found.append((round(ns), bytes(message.bytes())))
        kept = [(each.end_ns, each.data) for each in was.passages if each.direction is direction]
        assert [data for _, data in found] == [data for _, data in kept]
        assert all(abs(a - b) <= ROUNDED_NS for (a, _), (b, _) in zip(found, kept, strict=True))


def test_a_pause_of_a_day_and_a_clock_that_began_long_ago_are_bridged() -> None:
    day_ns = 86_400_000_000_000
    was = Capture([Passage(TO, 40 * day_ns, ACK), Passage(TO, 41 * day_ns, ACK)])
    content = capture_midi.build(Recorded(capture=was, start_ns=40 * day_ns - 5_000))

    assert len(content) < 5_000  # zero is where the recording began
    assert capture_midi.read(content, "x").capture.passages == was.passages
    assert mido.MidiFile(file=io.BytesIO(content)).length == pytest.approx(86_400)


@given(captures(data=exclusives.map(lambda raw: raw[:1] + b"\xf8" + raw[1:])))
def test_a_clock_byte_cuts_no_passage_whenever_it_ended(was: Capture) -> None:
    read = capture_midi.read(capture_midi.build(Recorded(capture=was)), "bell.mid").capture

    for direction in Direction:
        found, kept = (
            [each.data for each in side.passages if each.direction is direction]
            for side in (read, was)
        )
        assert found == kept


def test_a_clock_byte_inside_a_message_is_an_event_of_its_own_and_no_cut() -> None:
    message = ACK[:3] + b"\xf8" + ACK[3:]
    was = Capture([Passage(FROM, 9_000_000, message)])
    content = capture_midi.build(Recorded(capture=was))

    _, (_, _, track) = midi_tracks(content)
    assert [(each.status, each.data) for each in track if each.status != 0xFF] == [
        (0xF0, ACK[1:3]),
        (0xF7, b"\xf8"),
        (0xF7, ACK[3:]),
    ]
    at = [each.ticks for each in track if each.status != 0xFF]
    assert [at[2] - at[1], at[2]] == [3 * BYTE_NS // 1_000, 9_000]
    assert capture_midi.read(content, "x").capture.passages == was.passages


def test_a_message_that_came_in_two_parts_stays_in_two_parts() -> None:
    was = Capture(
        [
            Passage(TO, 1_000_000, HEADER[:9]),
            Passage(TO, 1_000_000 + 5 * BYTE_NS, HEADER[9:14]),  # without a gap
            Passage(TO, 90_000_000, HEADER[14:]),  # with one
        ]
    )
    assert (
        capture_midi.read(capture_midi.build(Recorded(capture=was)), "x").capture.passages
        == was.passages
    )


def test_a_clock_byte_between_two_messages_is_a_passage_of_its_own() -> None:
    was = Capture([Passage(FROM, 1_000_000, b"\xf8"), Passage(FROM, 1_000_000 + 6 * BYTE_NS, ACK)])

    assert (
        capture_midi.read(capture_midi.build(Recorded(capture=was)), "x").capture.passages
        == was.passages
    )


def test_of_a_file_that_other_software_has_saved_again_the_tracks_still_tell() -> None:
    file = mido.MidiFile(file=io.BytesIO(FILE))
    del file.tracks[0][1]  # the text that says what it is
    saved = io.BytesIO()
    file.save(file=saved)
    read = capture_midi.read(saved.getvalue(), "x")

    assert read.capture.passages == TALK.passages
    assert (read.directions, read.is_timed, read.about) == (tuple(Direction), True, "")


@pytest.mark.parametrize(
    ("damaged", "says"),
    [
        (FILE.replace(b"capture/1", b"capture/2"), "form dryload/capture/2.*newer"),
        (FILE.replace(b"\x03\x07to unit", b"\x03\x07to desk"), "named after neither direction"),
    ],
)
def test_what_it_cannot_be_sure_of_is_refused(damaged: bytes, says: str) -> None:
    with pytest.raises(Problem, match=says):
        capture_midi.read(damaged, "bell.mid")


def test_a_file_that_ends_too_soon_is_read_as_far_as_it_goes() -> None:
    read = capture_midi.read(FILE[:-8], "bell.mid")

    assert read.capture.bytes_of(TO) == HEADER
    assert ACK.startswith(read.capture.bytes_of(FROM))
    assert any(remark.startswith("from unit: ") for remark in read.remarks)


def test_it_is_known_by_the_names_of_its_tracks() -> None:
    assert capture_midi.is_capture(FILE)
    assert not capture_midi.is_capture(FILE.replace(b" unit", b" desk"))
    assert not capture_midi.is_capture(FILE[:8] + b"\0\0" + FILE[10:])  # all in one track
    assert not capture_midi.is_capture(b"to unit")


@given(st.integers(0, len(FILE)), st.integers(0, len(FILE)), st.binary(max_size=6))
@example(14, len(FILE), b"")
@example(22, 26, b'"zero_ns": true')
def test_damage_is_read_or_named_and_nothing_else(start: int, stop: int, new: bytes) -> None:
    damaged = FILE[:start] + new + FILE[stop:]
    try:
        passages = capture_midi.read(damaged, "bell.mid").capture.passages
    except Problem:
        passages = []
    assert all(passage.data for passage in passages)
