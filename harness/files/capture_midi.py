"""A capture as a Standard MIDI File that other software opens: a track for each direction.

Theory of operation.  (Standard MIDI Files 1.0, RP-001, format 1.)  The first track sets the tempo
so that a tick is 1 us, and a text event in it says what the file is.  The others are named after
the direction whose bytes they hold.  An event has the time of its last byte, as a recorder notes
it.  A System Exclusive message is an F0 event; where a passage ended in the middle of it, an F7
event continues it.  Everything else, above all real-time bytes, is an F7 event of its own, because
only an F7 event may hold any bytes.  So a byte inside a message that does not belong to it splits
the event of that message in three, and reading joins the parts again.  A pause longer than the
longest step is bridged by empty text events.
"""

import json
import re
from collections.abc import Iterator, Sequence
from itertools import accumulate, pairwise
from typing import Any, Final

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.emulator.wire.constants import BYTE_NS, START
from dryload.emulator.wire.splitter import Splitter
from dryload.harness.files import midifile
from dryload.harness.files.capture_lines import FAMILY, SCHEMA, refuse_other_version, taken_at_of
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import Problem
from dryload.harness.files.recorded import LONGEST_ABOUT, Recorded, TakenAt

_TICK_NS: Final = 1_000
_TEXT: Final = b"\xff\x01"
_NAMES: Final = {
    b"\xff\x03" + bytes([len(direction.value)]) + direction.value.encode(): direction
    for direction in Direction
}
"""The events that name the tracks."""
# What is an event of its own: an exclusive message as far as it goes, a real-time byte, any other
# message, or the rest of a message that began before.
_EVENT: Final = re.compile(
    rb"\xf0[\x00-\x7f]*\xf7?|[\xf8-\xff]|[\x80-\xef\xf1-\xf7]?[\x00-\x7f]+\xf7?|[\x80-\xf7]"
)
_ABOUT: Final = re.compile(rb'\{"schema": "' + FAMILY.encode() + rb"[ -~]*\}")
_QUARTER: Final = 25_000  # ticks, and as many microseconds
_LONGEST_STEP: Final = (1 << 28) - 1  # four groups of 7 bits (RP-001)
_NAMED_WITHIN: Final = 256  # bytes of a track in which its name is looked for
_SEVERAL_TRACKS: Final = b"\x00\x01"  # format: tracks that are played together
_FARTHEST_NS: Final = 1 << 63


def build(recorded: Recorded) -> bytes:
    """Return a MIDI file; times are rounded to the nearest microsecond."""
    passages = recorded.capture.passages
    starts = (passage.end_ns - len(passage.data) * BYTE_NS for passage in passages)
    zero_ns = min([recorded.start_ns, *starts])
    tracks = [_first_track(recorded, zero_ns)]
    for event, direction in _NAMES.items():
        if direction in recorded.directions:
            own = [passage for passage in passages if passage.direction is direction]
            tracks.append(b"\x00" + event + b"".join(_events(own, zero_ns)))
    return midifile.whole(tracks, file_format=1, quarter=_QUARTER)


def is_capture(head: bytes) -> bool:
    """Return whether a MIDI file that begins with `head` has a track named after a direction."""
    together = head.startswith(b"MThd") and head[8:10] == _SEVERAL_TRACKS
    return together and any(name in head for name in _NAMES)


def read(content: bytes, file: str) -> Recorded:
    """Return the capture in a MIDI file; a Problem for one that dryload did not lay out.

    Times are as exact as the ticks of the file.
    """
    name = shown(file)
    first = 8 + int.from_bytes(content[4:8], "big")
    tracks = list(midifile.tracks_of(content, []))
    front = content[:first] + _chunks(tracks, None)
    if midifile.read(front).data:
        raise Problem(
            f"{name} has messages in a track that is named after neither direction.",
            do='Name it "to unit" or "from unit".',
        )
    about = _about(front, name)
    passages: list[Passage] = []
    remarks: list[str] = []
    for direction in Direction:
        stream = midifile.read(front + _chunks(tracks, direction))
        passages += _passages(direction, stream, about["zero_ns"])
        remarks += [f"{direction.value}: {remark}" for remark in stream.remarks]
    # At one instant an answer stands behind what it answers, even if no line lies between.
    passages.sort(key=lambda each: (each.end_ns, each.direction is Direction.FROM_UNIT))
    named = {_named(each) for each in tracks}
    return Recorded(
        capture=Capture(passages),
        directions=tuple(direction for direction in Direction if direction in named),
        is_timed=about["timed"],
        rounded_ns=_TICK_NS if about["timed"] else 0,
        start_ns=about["start_ns"],
        taken_at=about["taken_at"],
        about=about["about"],
        remarks=tuple(dict.fromkeys(remarks)),
    )


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
    return midifile.tempo(_QUARTER) + b"\x00" + _TEXT + midifile.variable(len(text)) + text


def _events(passages: Sequence[Passage], zero_ns: int) -> Iterator[bytes]:
    before = 0
    for passage in passages:
        parts = _EVENT.findall(passage.data)
        for part, sent in zip(parts, accumulate(map(len, parts)), strict=True):
            end_ns = passage.end_ns - (len(passage.data) - sent) * BYTE_NS - zero_ns
            ticks = max((end_ns + _TICK_NS // 2) // _TICK_NS, before)
            yield _step(ticks - before) + _event(part)
            before = ticks


def _event(part: bytes) -> bytes:
    if part[0] == START:
        return midifile.exclusive(part)
    return b"\xf7" + midifile.variable(len(part)) + part


def _step(ticks: int) -> bytes:
    """Return the step to the next event, and before it what bridges a long one."""
    bridges, rest = divmod(ticks, _LONGEST_STEP)
    return (midifile.variable(_LONGEST_STEP) + _TEXT + b"\x00") * bridges + midifile.variable(rest)


def _chunks(tracks: Sequence[bytes], direction: Direction | None) -> bytes:
    """Return the chunks of the tracks of a direction, or of those without one."""
    return b"".join(midifile.chunk(each) for each in tracks if _named(each) is direction)


def _named(track: bytes) -> Direction | None:
    head = track[:_NAMED_WITHIN]
    return next((direction for name, direction in _NAMES.items() if name in head), None)


def _about(front: bytes, name: str) -> dict[str, Any]:
    """Return what the text event says, and what holds for a file that does not say it."""
    known: dict[str, Any] = {
        "zero_ns": 0,
        "start_ns": 0,
        "timed": True,
        "taken_at": TakenAt.UNKNOWN,
        "about": "",
    }
    found = _ABOUT.search(front)
    if found is None:
        return known
    try:
        fields = json.loads(found.group())
    except (ValueError, RecursionError):
        return known
    refuse_other_version(name, str(fields["schema"]))
    for key, value in known.items():
        given = fields.get(key)
        if type(given) is type(value) and not (isinstance(given, int) and given >= _FARTHEST_NS):
            known[key] = given
    known["taken_at"] = taken_at_of(
        fields.get("taken_at"), known["start_ns"] if known["timed"] else None
    )
    return known


def _passages(direction: Direction, stream: midifile.MidiStream, zero_ns: int) -> Iterator[Passage]:
    """Yield passages; the parts into which a byte cut a message are one again."""
    splitter = Splitter()
    parts: list[bytes] = []
    before_ns = 0
    for (at, now_ns), (stop, _) in pairwise([*stream.times, (len(stream.data), 0)]):
        data, end_ns = stream.data[at:stop], zero_ns + now_ns
        if not data:
            continue
        follows = end_ns - len(data) * BYTE_NS == before_ns and splitter.held > 0
        if parts and not (follows and _is_cut(parts[-1], data)):
            yield Passage(direction, before_ns, b"".join(parts))
            parts = []
        parts.append(data)
        before_ns = end_ns
        splitter.feed(data)
    if parts:
        yield Passage(direction, before_ns, b"".join(parts))


def _is_cut(before: bytes, after: bytes) -> bool:
    """Whether one passage, written, would have been cut into these two."""
    cuts = {found.end() for found in _EVENT.finditer(before[-2:] + after[:2])}
    return len(before[-2:]) in cuts
