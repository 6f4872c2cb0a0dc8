"""Standard MIDI Files: the System Exclusive bytes in them, in the order in which they are sent.

Theory of operation.  (Standard MIDI Files 1.0, RP-001.)  Ready-made readers strip F0 and F7 and
drop broken messages; here every byte that an exclusive event would put on the line is kept.  An F0
event contains F0 and its data; an F7 event contains its data alone, which is how a long message is
split over several events and how any other bytes are embedded.  The events of all tracks are merged
by time, and at the same time in the order of the tracks.  Notes and the like are left out, because
a dump in a song is still that dump, except where one falls into an unfinished message: on the line
it would cut that message (M1 p. 29), so it is kept.

A broken file is read as far as possible, and a remark says where reading stopped.
"""

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from operator import itemgetter
from typing import Final, NamedTuple

from msgspec import Struct

from dryload.emulator.wire.constants import END, START
from dryload.emulator.wire.splitter import data_bytes

_HEADER: Final = b"MThd"
_TRACK: Final = b"MTrk"
_META: Final = 0xFF
_TEMPO: Final = 0x51
_END_OF_TRACK: Final = 0x2F
_FIRST_TEMPO: Final = 500_000  # microseconds a quarter note until a tempo is set
_MOST_REMARKS: Final = 20
_INDEPENDENT: Final = 2  # format: tracks that are played one after another


class MidiStream(Struct, frozen=True, kw_only=True):
    """What a MIDI file would put on the line."""

    data: bytes
    times: tuple[tuple[int, int], ...]
    """(offset in `data`, time in ns) of each event in it."""
    remarks: tuple[str, ...] = ()


class _TrackEvent(NamedTuple):
    ticks: int
    data: bytes
    kind: int  # F0, F7, FF for a tempo, 0 for anything else


class _BrokenError(Exception):
    """A track ends before it should; the text says how."""


def read(content: bytes) -> MidiStream:
    """Return the exclusive bytes of a whole MIDI file, whatever its state; never raises."""
    remarks: list[str] = []
    file_format, division = _header(content, remarks)
    tracks = [
        _events(chunk, number, remarks)
        for number, chunk in enumerate(tracks_of(content, remarks), start=1)
    ]
    if file_format == _INDEPENDENT:
        tracks = [_one_after_another(tracks)]
    # A stable sort: events of one instant stay in the order of their tracks.
    merged = sorted((event for track in tracks for event in track), key=itemgetter(0))
    return _joined(merged, division, tuple(remarks[:_MOST_REMARKS]))


def build(messages: Iterable[tuple[int, bytes]]) -> bytes:
    """Return a MIDI file of whole exclusive messages, each with the time in ns at which it starts.

    One tick is 1 ms.  Every step is rounded up, so that no pause gets shorter than it was.
    ValueError where a message starts before the one in front of it.
    """
    track = bytearray(tempo(_FIRST_TEMPO))
    before = 0
    for start_ns, message in messages:
        track += variable(-(-(start_ns - before) // 1_000_000))
        track += exclusive(message)
        before = start_ns
    return whole([bytes(track)], file_format=0, quarter=_FIRST_TEMPO // 1000)


def whole(tracks: Sequence[bytes], *, file_format: int, quarter: int) -> bytes:
    """Return a MIDI file of tracks without their ends; a quarter note has `quarter` ticks."""
    fields = (file_format, len(tracks), quarter)
    header = _HEADER + b"\0\0\0\6" + b"".join(field.to_bytes(2, "big") for field in fields)
    return header + b"".join(chunk(track + b"\x00\xff\x2f\x00") for track in tracks)


def chunk(track: bytes) -> bytes:
    """Return the chunk of a track."""
    return _TRACK + len(track).to_bytes(4, "big") + track


def tempo(quarter_us: int) -> bytes:
    """Return the event that sets how long a quarter note is, for the beginning of a track."""
    return b"\x00\xff\x51\x03" + quarter_us.to_bytes(3, "big")


def exclusive(message: bytes) -> bytes:
    """Return the event of a message that begins with F0, without its delta time."""
    return message[:1] + variable(len(message) - 1) + message[1:]


def variable(value: int) -> bytes:
    """Return a number of variable length, high group first; ValueError for a negative one."""
    if value < 0:
        raise ValueError(f"a step back in time, {value}")
    groups = [value & 0x7F]
    while value := value >> 7:
        groups.append(0x80 | value & 0x7F)
    return bytes(reversed(groups))


def _header(content: bytes, remarks: list[str]) -> tuple[int, bytes]:
    fields = content[8:14]
    if len(fields) < 6 or int.from_bytes(content[4:8], "big") < 6:
        remarks.append("the MIDI file's header is cut short")
        fields = fields.ljust(6, b"\0")
    return int.from_bytes(fields[:2], "big"), fields[4:]


def tracks_of(content: bytes, remarks: list[str]) -> Iterator[bytes]:
    """Yield the contents of the track chunks; oddities of the file are added to `remarks`."""
    position = 8 + int.from_bytes(content[4:8], "big")
    while position < len(content):
        kind, size = content[position : position + 4], content[position + 4 : position + 8]
        end = position + 8 + int.from_bytes(size, "big")
        if len(size) < 4:
            remarks.append(f"byte {position}: the file ends in the middle of a chunk")
            return
        if not (kind.isascii() and kind.isalnum()):
            # The chunk before may have said a wrong size: go on with the next track there is.
            found = content.find(_TRACK, position)
            remarks.append(f"byte {position}: no chunk of a MIDI file begins here")
            if found < 0:
                return
            position = found
            continue
        if kind == _TRACK:
            if end > len(content):
                remarks.append(f"byte {position}: the file ends before this track does")
            yield content[position + 8 : end]
        position = end


def _events(chunk: bytes, number: int, remarks: list[str]) -> list[_TrackEvent]:
    found: list[_TrackEvent] = []
    try:
        for event in _walk(chunk):
            found.append(event)
    except _BrokenError as problem:
        remarks.append(f"track {number}: {problem}")
    return found


def _walk(chunk: bytes) -> Iterator[_TrackEvent]:
    """Yield the events of a track that put something on the line or set the tempo."""
    position, ticks, running = 0, 0, 0
    while position < len(chunk):
        delta, position = _number(chunk, position)
        ticks += delta
        status = _at(chunk, position)
        if status in (START, END):
            size, first = _number(chunk, position + 1)
            position = first + size
            lead = b"\xf0" if status == START else b""
            yield _TrackEvent(ticks, lead + chunk[first:position], status)
            if position > len(chunk):
                missing = position - len(chunk)
                raise _BrokenError(f"its last exclusive event lacks {missing} bytes")
        elif status == _META:
            kind = _at(chunk, position + 1)
            size, first = _number(chunk, position + 2)
            position = first + size
            if kind == _TEMPO:
                yield _TrackEvent(ticks, chunk[first:position], _META)
            elif kind == _END_OF_TRACK:
                return
        else:
            if status & 0x80:
                position += 1
                # Exclusive and meta events end running status; many writers let it run on.
                running = status if status < START else running
            elif running:
                status = running
            else:
                raise _BrokenError(f"byte {position} is {status:02X} where an event should begin")
            size = data_bytes(status)
            yield _TrackEvent(ticks, bytes([status]) + chunk[position : position + size], 0)
            position += size


def _number(chunk: bytes, position: int) -> tuple[int, int]:
    """Return a number of variable length and where it ends."""
    value = 0
    for at in range(position, position + 4):
        byte = _at(chunk, at)
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + 1
    raise _BrokenError(f"byte {position} begins a number of more than four bytes")


def _at(chunk: bytes, position: int) -> int:
    if position >= len(chunk):
        raise _BrokenError("it ends in the middle of an event")
    return chunk[position]


def _one_after_another(tracks: Iterable[list[_TrackEvent]]) -> list[_TrackEvent]:
    shifted: list[_TrackEvent] = []
    start = 0
    for track in tracks:
        shifted.extend(event._replace(ticks=start + event.ticks) for event in track)
        start = shifted[-1].ticks if shifted else 0
    return shifted


def _tick_of(division: bytes) -> tuple[Fraction, bool]:
    """Return what the header says of a tick: its ns, or with a tempo its part of a quarter note."""
    code = int.from_bytes(division, "big")
    if not code & 0x8000:
        return Fraction(1, max(code, 1)), True
    # Frames a second, negated, and ticks a frame; "29" is the 30 frames of 1000/1001 s.
    frames = 256 - division[0]
    rate = Fraction(30_000, 1001) if frames == 29 else Fraction(frames)
    return Fraction(1_000_000_000) / (rate * max(division[1], 1)), False


def _joined(events: Sequence[_TrackEvent], division: bytes, remarks: tuple[str, ...]) -> MidiStream:
    """Return what goes on the line, with times along the tempos that the events set."""
    data = bytearray()
    times: list[tuple[int, int]] = []
    is_open = False  # a message has begun and not ended
    tick, has_tempo = _tick_of(division)
    quarter_ns = 1000 * _FIRST_TEMPO if has_tempo else 1
    elapsed = before = 0  # in ns times the denominator of a tick
    for event in events:
        elapsed += (event.ticks - before) * quarter_ns * tick.numerator
        before = event.ticks
        if event.kind == _META:
            if has_tempo and len(event.data) == 3:
                quarter_ns = 1000 * int.from_bytes(event.data, "big")
        elif event.kind != 0 or is_open:
            times.append((len(data), round(Fraction(elapsed, tick.denominator))))
            data += event.data
            is_open = _leaves_open(event.data, is_open)
    return MidiStream(data=bytes(data), times=tuple(times), remarks=remarks)


def _leaves_open(data: bytes, is_open: bool) -> bool:
    """Return whether a message is open after `data`: the last status, real-time apart, is F0."""
    for byte in reversed(data):
        if 0x80 <= byte < 0xF8:
            return byte == START
    return is_open
