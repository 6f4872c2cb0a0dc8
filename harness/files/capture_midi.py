"""A capture as a Standard MIDI File that other software opens: a track for each direction.

Theory of operation.  (Standard MIDI Files 1.0, RP-001, format 1.)  The first track sets the tempo
so that a tick is 1 us and says in a text event what the file is.  The others are named after the
direction whose bytes they hold.  An event stands at the instant at which its last byte was there,
as a recorder notes it.  A System Exclusive message is an F0 event, and goes on in an F7 event where
a passage ended in its middle.  Everything else, real-time bytes above all, is an F7 event of its
own, the only event that holds any bytes whatever; so a byte inside a message that is none of it
cuts its event in three.  A pause longer than a step can be is bridged by empty text events.

`capture_midi_in` reads what is written here.
"""

import json
import re
from collections.abc import Iterator, Sequence
from itertools import accumulate
from typing import Final

from emulator.dump.capture import Direction, Passage
from emulator.wire.constants import BYTE_NS, START
from harness.files.capture_lines import SCHEMA
from harness.files.recorded import LONGEST_ABOUT, Recorded

TICK_NS: Final = 1_000
TEXT: Final = b"\xff\x01"
NAMES: Final = {
    b"\xff\x03" + bytes([len(direction.value)]) + direction.value.encode(): direction
    for direction in Direction
}
"""The events that name the tracks."""
# What is an event of its own: an exclusive message as far as it goes, a real-time byte, any other
# message, or the rest of a message that began before.
EVENT: Final = re.compile(
    rb"\xf0[\x00-\x7f]*\xf7?|[\xf8-\xff]|[\x80-\xef\xf1-\xf7]?[\x00-\x7f]+\xf7?|[\x80-\xf7]"
)
_QUARTER: Final = 25_000  # ticks, and as many microseconds
_LONGEST_STEP: Final = (1 << 28) - 1  # four groups of 7 bits (RP-001)
_END_OF_TRACK: Final = b"\x00\xff\x2f\x00"


def build(recorded: Recorded) -> bytes:
    """Return a MIDI file; times are rounded to the nearest microsecond."""
    passages = recorded.capture.passages
    starts = (passage.end_ns - len(passage.data) * BYTE_NS for passage in passages)
    zero_ns = min([recorded.start_ns, *starts])
    tracks = [_first_track(recorded, zero_ns)]
    for event, direction in NAMES.items():
        if direction in recorded.directions:
            own = [passage for passage in passages if passage.direction is direction]
            tracks.append(b"\x00" + event + b"".join(_events(own, zero_ns)))
    fields = (1, len(tracks), _QUARTER)
    header = b"MThd\0\0\0\6" + b"".join(field.to_bytes(2, "big") for field in fields)
    return header + b"".join(chunk(track + _END_OF_TRACK) for track in tracks)


def chunk(track: bytes) -> bytes:
    """Return the chunk of a track."""
    return b"MTrk" + len(track).to_bytes(4, "big") + track


def _first_track(recorded: Recorded, zero_ns: int) -> bytes:
    about = {
        "schema": SCHEMA,
        "zero_ns": zero_ns,
        "start_ns": recorded.start_ns,
        "timed": recorded.is_timed,
        "taken_at": str(recorded.taken_at),
        "about": recorded.about[:LONGEST_ABOUT],
    }
    text = json.dumps(about).encode("ascii")
    tempo = b"\xff\x51\x03" + _QUARTER.to_bytes(3, "big")
    return b"\x00" + tempo + b"\x00" + TEXT + _number(len(text)) + text


def _events(passages: Sequence[Passage], zero_ns: int) -> Iterator[bytes]:
    before = 0
    for passage in passages:
        parts = EVENT.findall(passage.data)
        for part, sent in zip(parts, accumulate(map(len, parts)), strict=True):
            end_ns = passage.end_ns - (len(passage.data) - sent) * BYTE_NS - zero_ns
            ticks = max((end_ns + TICK_NS // 2) // TICK_NS, before)
            yield _step(ticks - before) + _event(part)
            before = ticks


def _event(part: bytes) -> bytes:
    if part[0] == START:
        return b"\xf0" + _number(len(part) - 1) + part[1:]
    return b"\xf7" + _number(len(part)) + part


def _step(ticks: int) -> bytes:
    """Return the step to the next event, and before it what bridges a long one."""
    bridges, rest = divmod(ticks, _LONGEST_STEP)
    return (_number(_LONGEST_STEP) + TEXT + b"\x00") * bridges + _number(rest)


def _number(value: int) -> bytes:
    """Return a number of variable length, high group first (RP-001)."""
    groups = [value & 0x7F]
    while value := value >> 7:
        groups.append(0x80 | value & 0x7F)
    return bytes(reversed(groups))
