"""Captures for the tests: generators, ways to take them apart, and readers written from the
published forms alone.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Final

from hypothesis import strategies as st
from msgspec import Struct

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.harness.files.recorded import Recorded
from tests.strategies import streams

BYTE_NS: Final = 320_000  # ten bits at 31,250 baud (M1 p. 1)
TO, FROM = Direction.TO_UNIT, Direction.FROM_UNIT

gaps: Final = st.sampled_from([0, 1, 499, 500, 320_000, 20_000_000]) | st.integers(0, 10**12)
contents: Final = st.one_of(
    st.binary(min_size=1, max_size=12), streams.filter(bool), st.just(b"\xf0\x7e\x00\x7f\x00\xf7")
)


@st.composite
def captures(
    draw: st.DrawFn, *, overlapping: bool = False, data: st.SearchStrategy[bytes] = contents
) -> Capture:
    """Return what passed in order of arrival; a direction's bytes overlap only if that is asked."""
    passages = []
    now_ns = draw(st.integers(0, 10**15))
    free = dict.fromkeys(Direction, now_ns)
    for _ in range(draw(st.integers(1, 8))):
        direction, part = draw(st.sampled_from(Direction)), draw(data)
        now_ns += draw(gaps)
        if not overlapping:
            now_ns = max(now_ns, free[direction] + len(part) * BYTE_NS)
        free[direction] = now_ns
        passages.append(Passage(direction, now_ns, part))
    return Capture(passages)


@st.composite
def records(draw: st.DrawFn, *, overlapping: bool = False) -> Recorded:
    """Return captures with all that can be known of them."""
    capture = draw(captures(overlapping=overlapping))
    timed = draw(st.booleans())
    seen = {passage.direction for passage in capture.passages}
    known = seen | draw(st.sets(st.sampled_from(Direction)))
    first_ns = capture.passages[0].end_ns
    if not timed:
        now_ns = 0
        for index, passage in enumerate(capture.passages):
            now_ns += len(passage.data) * BYTE_NS
            capture.passages[index] = passage._replace(end_ns=now_ns)
    return Recorded(
        capture=capture,
        directions=tuple(each for each in Direction if each in known),
        is_timed=timed,
        start_ns=draw(st.integers(0, first_ns)) if timed else 0,
        about=draw(st.text(max_size=30)),
    )


def bytewise(capture: Capture, direction: Direction) -> list[tuple[int, int]]:
    """Return (instant of its end, byte) of everything that went one way."""
    return [
        (passage.end_ns - (len(passage.data) - 1 - at) * BYTE_NS, byte)
        for passage in capture.passages
        if passage.direction is direction
        for at, byte in enumerate(passage.data)
    ]


def bytes_in_lines(text: bytes) -> dict[str, bytes]:
    """Return the bytes of each direction in a capture of JSON Lines, read as such and no more."""
    found = {direction.value: b"" for direction in Direction}
    for line in text.splitlines()[1:]:
        fields = json.loads(line)
        found[fields["direction"]] += bytes.fromhex(fields["hex"])
    return found


class MidiEvent(Struct, frozen=True):
    """An event of a Standard MIDI File: when, its status, its data; a meta event's kind first."""

    ticks: int
    status: int
    data: bytes


def midi_tracks(content: bytes) -> tuple[int, list[list[MidiEvent]]]:
    """Return the division and the tracks of a MIDI file of exclusive and meta events (RP-001).

    AssertionError for whatever is not laid out as that document says.
    """
    assert content[:8] == b"MThd\0\0\0\6"
    file_format, count, division = (
        int.from_bytes(content[at : at + 2], "big") for at in (8, 10, 12)
    )
    assert file_format == 1
    tracks, at = [], 14
    while at < len(content):
        assert content[at : at + 4] == b"MTrk"
        size = int.from_bytes(content[at + 4 : at + 8], "big")
        assert at + 8 + size <= len(content)
        tracks.append(list(_events(content[at + 8 : at + 8 + size])))
        at += 8 + size
    assert len(tracks) == count
    return division, tracks


def _events(chunk: bytes) -> Iterator[MidiEvent]:
    at = ticks = 0
    while at < len(chunk):
        step, at = _number(chunk, at)
        ticks += step
        status = chunk[at]
        assert status in (0xF0, 0xF7, 0xFF)
        at += 1
        kind = b""
        if status == 0xFF:
            kind, at = chunk[at : at + 1], at + 1
        size, at = _number(chunk, at)
        assert at + size <= len(chunk)
        yield MidiEvent(ticks, status, kind + chunk[at : at + size])
        at += size
    assert chunk.endswith(b"\xff\x2f\x00")


def _number(chunk: bytes, at: int) -> tuple[int, int]:
    value = 0
    for index in range(at, at + 4):
        value = value * 128 + chunk[index] % 128
        if chunk[index] < 128:
            return value, index + 1
    raise AssertionError("a number of more than four bytes")
