"""The broken files of the demo with what is wrong with each, and captures made of files."""

from __future__ import annotations

from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.unit.profile import load_profile
from dryload.emulator.wire.codec import decode
from dryload.emulator.wire.messages import DumpHeader, ExtendedHeader
from dryload.harness.diagnose.scene import Source
from dryload.harness.files.capture_file import _raw
from dryload.harness.files.dumpfile import DumpFile, Form
from dryload.harness.files.recorded import Recorded, TakenAt
from dryload.harness.jobs.dumps import dumps_in
from dryload.harness.jobs.rehearse import Rehearsal

BROKEN: Final[dict[str, str | None]] = {
    "bell-14-bit-in-three-bytes": "words packed wrongly",
    "bell-loop-end-one-too-far": "loop wrong",
    "bell-name-without-tag-length": "name wrong",
    "gull-number-80-after-7f": "packets numbered wrongly",
    "gull-peaks-wrapped": "overload wraps",
    "gull-twos-complement": "two's complement",
    "gull-word-bytes-reversed": "words packed wrongly",
    "thunder-bit-flipped": "checksums wrong in the dump",
    "thunder-byte-added": "packet damaged in the dump",
    "thunder-byte-lost": "packet damaged in the dump",
    "thunder-checksum-of-data-only": "checksums wrong in the dump",
    "thunder-checksum-wrong": "checksums wrong in the dump",
    "thunder-cut-short": "packets missing in the dump",
    "thunder-every-256th-byte-lost": "packet damaged in the dump",
    "thunder-f7-missing": "packet damaged in the dump",
    "thunder-fields-high-byte-first": "header fields high byte first",
    "thunder-filler-not-zero": "filler not zero",
    "thunder-header-missing": "header missing",
    "thunder-header-only": "packets missing in the dump",
    "thunder-id-changed-on-the-way": None,  # on the way, as it says
    "thunder-last-packet-missing": "packets missing in the dump",
    "thunder-last-packet-short": "packet damaged in the dump",
    "thunder-length-in-bytes": "length wrong",
    "thunder-loop-0-0": "loop wrong",
    "thunder-note-inside": "packet damaged in the dump",
    "thunder-numbers-from-01": "packets numbered wrongly",
    "thunder-other-device-id": "packet for another device in the dump",
    "thunder-packet-missing": "packets missing in the dump",
    "thunder-packet-twice": "packet twice in the dump",
    "thunder-packets-swapped": "packets out of order in the dump",
    "thunder-period-in-hertz": "period wrong",
    "thunder-right-justified": "words packed wrongly",
    "thunder-sample-number-swapped": "sample number swapped",
    "thunder-width-too-large": "width not that of the words",
    "thunder-width-too-small": "width not that of the words",
    "tick-packet-too-many": "packet too many",
    "tick-stereo-length-in-words": "length wrong",
}
"""By the name of the file what the diagnosis has to call it."""
HELD_OUT: Final = {"thunder-width-too-large", "thunder-length-in-bytes"}
"""Not looked at while the rules were written."""
PACKET_OF: Final = {  # as `captures_demo.faults` has it
    "gull-number-80-after-7f": 128,
    "thunder-bit-flipped": 6,
    "thunder-byte-added": 12,
    "thunder-byte-lost": 3,
    "thunder-checksum-wrong": 4,
    "thunder-cut-short": 15,
    "thunder-f7-missing": 13,
    "thunder-last-packet-missing": 19,
    "thunder-note-inside": 11,
    "thunder-other-device-id": 14,
    "thunder-packet-missing": 5,
    "thunder-packet-twice": 7,
    "thunder-packets-swapped": 9,
}


def as_file(data: bytes) -> Recorded:
    """A dump file as a capture of one direction, without times."""
    return _raw(data, Direction.TO_UNIT)


def parts_of(data: bytes) -> tuple[bytes, list[bytes]]:
    """The header and the packets of a right dump with a standard header (M1 p. 37)."""
    return data[:21], [data[at : at + 127] for at in range(21, len(data), 127)]


def source_of(data: bytes) -> Source:
    """A dump as the source."""
    header, packets = parts_of(data)
    message = decode(header)
    assert isinstance(message, DumpHeader | ExtendedHeader)
    return Source(name="source", header=message, packets=tuple(packets))


def talk_of(data: bytes, taken_at: TakenAt) -> Recorded | None:
    """A file played to a unit; None where nothing of it can be played."""
    dump = next(dumps_in(DumpFile(name="dump", form=Form.RAW, data=data)), None)
    if dump is None:
        return None
    wide = isinstance(dump.header, ExtendedHeader)
    rehearsal = Rehearsal(load_profile("double-bill" if wide else "lantern-desk"))
    if not rehearsal.unit.memory.initialised:
        rehearsal.unit.panel.initialise(0)
    rehearsal.play(dump)
    rehearsal.finish()
    return Recorded(capture=rehearsal.line.capture, taken_at=taken_at)
