"""Dump files: from a file on disk to the bytes as they would be on the line.

Theory of operation.  A file is recognised by its content, never by its name.  Two forms are read:
plain messages one after another, and a Standard MIDI File that carries them as events.  Nothing is
judged here: a broken dump is loaded as it is if, and only if, at least one message of a sample dump
can be recognised, so that a picture or a spreadsheet is refused with the name of its kind.

The search works on blocks, in C, so refusing a large file takes little time and no memory.
"""

import re
from collections.abc import Iterable, Iterator
from enum import StrEnum
from itertools import chain
from typing import BinaryIO, Final

from msgspec import Struct

from dryload.harness.files import midifile, opening
from dryload.harness.files.kinds import HEAD_BYTES, MIDI_FILE, kind_of
from dryload.harness.files.problem import NoDump

LARGEST: Final = 128 << 20
"""Bytes of the largest file that is read: twelve hours on the line."""
_SEARCHED: Final = 64 << 20  # bytes of a pipe in which a first message has to be
_LARGEST_MIDI_FILE: Final = 64 << 20

_KEPT: Final = 64  # of a block, in front of the next one: more than the search needs to see
_REALTIME: Final = bytes(range(0xF8, 0x100))  # may stand anywhere, even after F0 (FRM-03, M1 p. 5)
_FRONT: Final = rb"\xf0\x7e[\x00-\x7f]"
# By chance a few bytes that look like a message stand in every large file.  So either twelve data
# bytes follow a dump header, data packet or extension, or a short message is there to its end.
_RECOGNISED: Final = re.compile(
    _FRONT + rb"(?:(?:[\x01\x02]|\x05[\x01-\x07])[\x00-\x7f]{12}"  # M1 p. 37, CA-019
    rb"|\x03[\x00-\x7f]{2}\xf7|\x05[\x01-\x07][\x00-\x7f]{2,11}\xf7)"
)
_AT_START: Final = re.compile(_FRONT + rb"(?:[\x01-\x03]|\x05[\x01-\x07])")
_EXCLUSIVE: Final = re.compile(rb"\xf0[\x00-\x7f]+\xf7")


class Form(StrEnum):
    """How the bytes of a dump were kept."""

    RAW = "raw"
    MIDI_FILE = "midi file"
    STANDARD_INPUT = "standard input"
    CAPTURE = "capture of one direction"


class DumpFile(Struct, frozen=True, kw_only=True):
    """The bytes of a file as they would stand on the line."""

    name: str
    """The name as it was given; `opening.shown` makes it fit for a line of text."""
    form: Form
    data: bytes
    remarks: tuple[str, ...] = ()
    """What was odd about the container, in plain words; never about the dump."""


def load(path: str) -> DumpFile:
    """Return what is in a dump file, "-" being standard input; a Problem for anything else."""
    with opening.source(path) as file:
        return _loaded(path, file)


def of_bytes(name: str, data: bytes, remarks: tuple[str, ...]) -> DumpFile:
    """Return what one side of a capture sent as a dump file; a Problem where it is no dump."""
    if not holds_dump([data]):
        raise _no_dump(opening.shown(name), data[:HEAD_BYTES])
    return DumpFile(name=name, form=Form.CAPTURE, data=data, remarks=remarks)


def holds_dump(blocks: Iterable[bytes]) -> bool:
    """Return whether a message of a sample dump, whole or broken, is in the joined `blocks`."""
    kept: bytes | None = None
    for block in blocks:
        plain = block.translate(None, _REALTIME)
        if kept is None and _AT_START.match(plain):
            return True
        joined = (kept or b"") + plain
        if _RECOGNISED.search(joined):
            return True
        kept = joined[-_KEPT:]
    return False


def _loaded(path: str, file: BinaryIO) -> DumpFile:
    form = Form.STANDARD_INPUT if path == opening.STANDARD_INPUT else Form.RAW
    name = opening.shown(path)
    head, blocks = opening.begun(file, name)
    kind = kind_of(head)
    if kind is MIDI_FILE:
        return _from_midi_file(path, opening.joined(blocks, name, _LARGEST_MIDI_FILE))
    if kind is not None:
        raise NoDump(
            f"{name} is {kind.name}, not a dump.",
            do=kind.advice or "The names of dump files usually end in .syx or .mid.",
            is_other=not kind.was_dump,
        )
    seen: list[bytes] = []
    if form is Form.STANDARD_INPUT:  # nothing of it can be read twice
        found = holds_dump(_keeping(blocks, seen))
    elif found := holds_dump(blocks):
        file.seek(0)
        blocks = opening.blocks_of(file, name)
    if not found:
        raise _no_dump(name, head)
    return DumpFile(name=path, form=form, data=opening.joined(chain(seen, blocks), name, LARGEST))


def _keeping(blocks: Iterable[bytes], seen: list[bytes]) -> Iterator[bytes]:
    """Yield blocks as far as something has to be found in them, and keep them."""
    size = 0
    for block in blocks:
        size += len(block)
        if size > _SEARCHED:
            return
        seen.append(block)
        yield block


def _from_midi_file(path: str, content: bytes) -> DumpFile:
    stream = midifile.read(content)
    if not holds_dump([stream.data]):
        held = "holds no sample dump message" if stream.data else "has no System Exclusive event"
        raise NoDump(f"{opening.shown(path)} is a Standard MIDI File that {held}.", is_other=True)
    return DumpFile(
        name=path,
        form=Form.MIDI_FILE,
        data=stream.data,
        remarks=stream.remarks,
    )


def _no_dump(name: str, head: bytes) -> NoDump:
    if _EXCLUSIVE.search(head):
        return NoDump(
            f"{name} holds System Exclusive messages, but none of a sample dump.",
            do="A sample dump begins with F0 7E, a device ID and 01.",
            is_other=True,
        )
    return NoDump(
        f"{name} is not a dump: no sample dump message is in it.",
        do="A sample dump begins with F0 7E, a device ID and 01.",
        is_other=False,
    )
