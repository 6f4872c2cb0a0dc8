"""Reading a capture that was kept as a MIDI file: the tracks are named after the directions."""

import json
import re
from collections.abc import Iterator
from itertools import pairwise
from typing import Any, Final

from emulator.dump.capture import Capture, Direction, Passage
from emulator.wire.constants import BYTE_NS
from emulator.wire.splitter import Splitter
from harness.files import midifile
from harness.files.capture_lines import FAMILY, SCHEMA, taken_at_of
from harness.files.capture_midi import EVENT, NAMES, TICK_NS, chunk
from harness.files.opening import shown
from harness.files.problem import Problem
from harness.files.recorded import Recorded, TakenAt

_NAMED_WITHIN: Final = 256  # bytes of a track in which its name is looked for
_SEVERAL_TRACKS: Final = b"\x00\x01"  # format: tracks that are played together
_ABOUT: Final = re.compile(rb'\{"schema": "' + FAMILY.encode() + rb"[ -~]*\}")
_FARTHEST_NS: Final = 1 << 63


def is_capture(head: bytes) -> bool:
    """Return whether a MIDI file that begins with `head` has a track named after a direction."""
    together = head.startswith(b"MThd") and head[8:10] == _SEVERAL_TRACKS
    return together and any(name in head for name in NAMES)


def read(content: bytes, file: str) -> Recorded:
    """Return the capture in a MIDI file; a Problem for one that dryload did not lay out.

    Times are as exact as the ticks of the file.
    """
    name = shown(file)
    first = 8 + int.from_bytes(content[4:8], "big")
    tracks = list(_tracks(content, first))
    front = content[:first] + b"".join(chunk(each) for each in tracks if _named(each) is None)
    if midifile.read(front).data:
        raise Problem(
            f"{name} has messages in a track that is named after neither direction.",
            do='Name it "to unit" or "from unit".',
        )
    about = _about(front, name)
    passages: list[Passage] = []
    remarks: list[str] = []
    for direction in Direction:
        own = b"".join(chunk(each) for each in tracks if _named(each) is direction)
        stream = midifile.read(front + own)
        passages += _passages(direction, stream, about["zero_ns"])
        remarks += [f"{direction.value}: {remark}" for remark in stream.remarks]
    # At one instant an answer stands behind what it answers, even if no line lies between.
    passages.sort(key=lambda each: (each.end_ns, each.direction is Direction.FROM_UNIT))
    named = {_named(each) for each in tracks}
    return Recorded(
        capture=Capture(passages),
        directions=tuple(direction for direction in Direction if direction in named),
        is_timed=about["timed"],
        rounded_ns=TICK_NS if about["timed"] else 0,
        start_ns=about["start_ns"],
        taken_at=about["taken_at"],
        about=about["about"],
        remarks=tuple(dict.fromkeys(remarks)),
    )


def _tracks(content: bytes, at: int) -> Iterator[bytes]:
    while at + 8 <= len(content):
        stop = at + 8 + int.from_bytes(content[at + 4 : at + 8], "big")
        if content.startswith(b"MTrk", at):
            yield content[at + 8 : stop]
        at = stop


def _named(track: bytes) -> Direction | None:
    head = track[:_NAMED_WITHIN]
    return next((direction for name, direction in NAMES.items() if name in head), None)


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
    if fields["schema"] != SCHEMA:
        raise Problem(
            f"{name} is a capture in the form {shown(str(fields['schema']))}, and this version of "
            f"dryload knows {SCHEMA}.",
            do="Use a newer version of dryload.",
        )
    for key, value in known.items():
        given = fields.get(key)
        if type(given) is type(value) and not (isinstance(given, int) and given >= _FARTHEST_NS):
            known[key] = given
    known["taken_at"] = taken_at_of(fields, known["start_ns"] if known["timed"] else None)
    return known


def _passages(direction: Direction, stream: midifile.Stream, zero_ns: int) -> Iterator[Passage]:
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
    cuts = {found.end() for found in EVENT.finditer(before[-2:] + after[:2])}
    return len(before[-2:]) in cuts
