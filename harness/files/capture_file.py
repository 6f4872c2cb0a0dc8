"""Capture files in any form, recognised by their content and never by their name.

Two forms are ours and hold both directions with times: JSON Lines (`capture_lines`) and MIDI files
with a track for each direction (`capture_midi`).  Pasted hexadecimal text holds what it states.
Plain System Exclusive bytes and other MIDI files hold one direction, and no times other than those
of a MIDI file; they are dump files as well, so they count as captures only where a capture is
expected.
"""

import re
from collections.abc import Sequence
from enum import StrEnum
from itertools import pairwise
from typing import BinaryIO, Final

from msgspec import Struct

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.emulator.wire.constants import BYTE_NS, START
from dryload.harness.files import (
    capture_lines,
    capture_midi,
    dumpfile,
    hex_text,
    midifile,
    opening,
    safe_write,
)
from dryload.harness.files.kinds import HEAD_BYTES, HEX_FORMS, HEX_TEXT, MIDI_FILE, TEXT, kind_of
from dryload.harness.files.problem import Problem
from dryload.harness.files.recorded import Recorded, back_to_back

_MESSAGE: Final = re.compile(rb"\xf0+[^\xf0\xf7]*\xf7?|[^\xf0]+")
_LINES_ENDING: Final = ".jsonl"
_MIDI_ENDINGS: Final = (".mid", ".midi")


class CaptureForm(StrEnum):
    """How a capture was kept."""

    LINES = "capture"
    MIDI_FILE = "capture in a MIDI file"
    HEX_TEXT = "hexadecimal text"
    FOREIGN_MIDI_FILE = "midi file"
    RAW = "raw"


LARGEST: Final = 128 << 20
"""Bytes of the largest capture that is read."""
_DAY_NS: Final = 86_400_000_000_000
_LONGEST_NS: Final = 31 * _DAY_NS
_LIMITS: Final = {
    CaptureForm.MIDI_FILE: 64 << 20,
    CaptureForm.HEX_TEXT: hex_text.LARGEST,
    CaptureForm.FOREIGN_MIDI_FILE: 16 << 20,
    CaptureForm.RAW: 16 << 20,  # an hour and a half on the line
}


class CaptureFile(Struct, frozen=True, kw_only=True, eq=False):
    """A capture and the file it came from."""

    name: str
    form: CaptureForm
    recorded: Recorded

    @property
    def one_way(self) -> bytes | None:
        """What was sent, where only one direction was listened to; None where both were."""
        ways = self.recorded.directions
        return self.recorded.capture.bytes_of(ways[0]) if len(ways) == 1 else None


def form_of(path: str) -> CaptureForm | None:
    """Return in which form a file is a capture and nothing else; None for dump files and others.

    Of standard input only the beginning is looked at, and nothing of it is used up.
    A Problem for what can't be opened.
    """
    form = _form(opening.head_of(path))
    return None if form in (CaptureForm.RAW, CaptureForm.FOREIGN_MIDI_FILE) else form


def load(path: str, *, direction: Direction = Direction.TO_UNIT) -> CaptureFile:
    """Return a capture, "-" being standard input; a Problem for what holds none.

    `direction` is that of files that don't say it.
    """
    name = opening.shown(path)
    with opening.source(path) as file:
        form, content = _content(file, name)
    match form:
        case CaptureForm.LINES:
            recorded = capture_lines.read(content, path)
        case CaptureForm.MIDI_FILE:
            recorded = capture_midi.read(content, path)
        case CaptureForm.FOREIGN_MIDI_FILE:
            recorded = _foreign_midi(content, direction)
        case CaptureForm.RAW:
            recorded = _raw(content, direction)
        case CaptureForm.HEX_TEXT:
            text = content.decode("utf-8", errors="replace").removeprefix("\ufeff")
            recorded = hex_text.read(text, path, direction=direction)
    if not recorded.capture.passages:
        raise Problem(f"{name} is a capture that contains no bytes.")
    _check_times(recorded, name)
    return CaptureFile(name=path, form=form, recorded=recorded)


def load_as_it_is(path: str) -> CaptureFile | dumpfile.DumpFile:
    """Return a capture of both sides, or what one side sent as a dump file; a Problem for others.

    Where only one side was recorded, only what it sent can be judged.
    """
    if form_of(path) is None:
        return dumpfile.load(path)
    capture = load(path)
    if capture.one_way is None:
        return capture
    return dumpfile.of_bytes(path, capture.one_way, capture.recorded.remarks)


def _check_times(recorded: Recorded, name: str) -> None:
    """Raise a Problem for a time too far from the beginning to be real."""
    passages = recorded.capture.passages
    for number, passage in enumerate(passages, start=1):
        if abs(passage.end_ns - recorded.start_ns) > _LONGEST_NS:
            days = (passage.end_ns - recorded.start_ns) / _DAY_NS
            raise Problem(
                f"{name} can't be right: passage {number:,} of {len(passages):,} ends {days:,.0f} "
                f"days after the recording began, and a capture lasts {_LONGEST_NS // _DAY_NS} "
                "days at most.",
                do="Correct its time, or take the passage out.",
            )


def check_target(path: str, *, overwrite: bool = False, sources: Sequence[str] = ()) -> None:
    """Raise the Problem that `save` would meet, before there is anything to save."""
    if not path.lower().endswith((_LINES_ENDING, *_MIDI_ENDINGS)):
        raise Problem(
            f"{opening.shown(path)}: captures are written as {_LINES_ENDING} or "
            f"{_MIDI_ENDINGS[0]}.",
            do="Give a name with one of these endings.",
        )
    safe_write.check_target(path, overwrite=overwrite, sources=tuple(sources), option="--capture")


def save(path: str, recorded: Recorded, *, overwrite: bool = False) -> None:
    """Write a capture in the form given by the ending of `path`."""
    check_target(path, overwrite=overwrite)
    is_lines = path.lower().endswith(_LINES_ENDING)
    data = capture_lines.build(recorded) if is_lines else capture_midi.build(recorded)
    safe_write.write(path, data, overwrite=overwrite)


def _form(head: bytes) -> CaptureForm | None:
    if capture_lines.is_lines(head):
        return CaptureForm.LINES
    kind = kind_of(head)
    if kind is MIDI_FILE:
        ours = capture_midi.is_capture(head)
        return CaptureForm.MIDI_FILE if ours else CaptureForm.FOREIGN_MIDI_FILE
    if kind in (TEXT, HEX_TEXT):
        text = head.decode("utf-8", errors="replace").removeprefix("\ufeff")
        is_hex = hex_text.looks_like_hex(text, is_whole=len(head) < HEAD_BYTES)
        return CaptureForm.HEX_TEXT if is_hex else None
    return CaptureForm.RAW if kind is None and START in head else None


def _content(file: BinaryIO, name: str) -> tuple[CaptureForm, bytes]:
    """Return the rest of a file and its form; a file that is not a capture is not read further."""
    head, blocks = opening.begun(file, name)
    form = _form(head)
    if form is None:
        raise _no_capture(head, name)
    return form, opening.joined(blocks, name, _LIMITS.get(form, LARGEST))


def _foreign_midi(content: bytes, direction: Direction) -> Recorded:
    """Return what a MIDI file would send: an event begins at its time or when the line is free."""
    stream = midifile.read(content)
    passages: list[Passage] = []
    free_ns = 0
    for (at, start_ns), (stop, _) in pairwise([*stream.times, (len(stream.data), 0)]):
        free_ns = max(free_ns, start_ns) + (stop - at) * BYTE_NS
        if stop > at:
            passages.append(Passage(direction, free_ns, stream.data[at:stop]))
    return Recorded(
        capture=Capture(passages), directions=(direction,), start_ns=0, remarks=stream.remarks
    )


def _raw(content: bytes, direction: Direction) -> Recorded:
    parts = [(direction, part) for part in _MESSAGE.findall(content)]
    return Recorded(capture=Capture(back_to_back(parts)), directions=(direction,), is_timed=False)


def _no_capture(head: bytes, name: str) -> Problem:
    kind = kind_of(head)
    if kind is None or kind is TEXT:
        return Problem(
            f"{name} is not a capture: it does not begin with a System Exclusive message.",
            do="A message begins with F0"
            + ("." if kind is None else f"; bytes in text are written {HEX_FORMS}."),
        )
    return Problem(f"{name} is {kind.name}, not a capture.", do=kind.advice)
