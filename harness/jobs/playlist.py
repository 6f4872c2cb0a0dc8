"""From dump files to the dumps that are played, byte for byte as they stand in the file."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from emulator.dump.outgoing import sample_from
from emulator.dump.sample import Sample
from emulator.dump.sender import Outgoing
from emulator.wire.codec import decode, encode
from emulator.wire.constants import PACKET_DATA_BYTES
from emulator.wire.messages import (
    DataPacket,
    ExtendedLoopPoints,
    Header,
    LoopPoints,
    SampleName,
)
from emulator.wire.packets import CHECKSUM, DATA, DEVICE_ID
from harness.files.dumpfile import DumpFile
from harness.files.sections import Section, sections
from harness.judge.finding import Finding
from harness.judge.stream import judge_section
from harness.judge.wrecks import Wreck, gather

_MORE: Final = (LoopPoints, ExtendedLoopPoints, SampleName)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Dump:
    """One dump of a file, ready to be played."""

    file: str
    index: int
    """Which dump of its file, counted from 0."""
    header: Header
    outgoing: Outgoing
    sample: Sample
    """What the words in the file amount to, right or wrong."""
    findings: tuple[Finding, ...] = ()
    """What the judge says of it as it stands in the file."""


def dumps_in(file: DumpFile) -> Iterator[Dump]:
    """Yield the dumps of a file that have a header, in order."""
    index = 0
    lengths: dict[int, int] = {}
    for section in sections(file.data):
        if section.header is not None:
            lengths[section.header.sample_number] = section.header.length
            yield _dump(file.name, index, section, lengths)
            index += 1


def readdressed(
    dump: Dump, *, sample_number: int | None = None, device_id: int | None = None
) -> Dump:
    """Return a dump under another sample number or for another device ID.

    The header carries no sum; checksums of packets are changed by what the ID changes, so that a
    wrong one stays wrong.
    """
    header, outgoing = dump.header, dump.outgoing
    if sample_number is not None:
        header = replace(header, sample_number=sample_number)
        outgoing = replace(
            outgoing,
            header=encode(header),
            after=tuple(_renumbered(each, sample_number) for each in outgoing.after),
        )
    if device_id is not None:
        header = replace(header, device_id=device_id)
        outgoing = Outgoing(
            header=encode(header),
            packets=[_with_id(packet, device_id) for packet in outgoing.packets],
            after=tuple(_with_id(message, device_id) for message in outgoing.after),
        )
    return replace(dump, header=header, outgoing=outgoing)


def _dump(file: str, index: int, section: Section, lengths: dict[int, int]) -> Dump:
    assert section.header is not None and section.opening is not None
    wrecks, rest = gather(section.odd)
    packets = list(_packets(section, wrecks))
    after = [each.piece.body for each in rest if isinstance(decode(each.piece.body), _MORE)]
    data = b"".join(_data_of(packet) for packet in packets)
    more = [decode(body) for body in after]
    return Dump(
        file=file,
        index=index,
        header=section.header,
        outgoing=Outgoing(header=encode(section.header), packets=packets, after=tuple(after)),
        sample=sample_from(
            section.header,
            np.frombuffer(data, np.uint8),
            [each for each in more if isinstance(each, _MORE)],
        ),
        findings=judge_section(section, lengths, keep_words=False).findings,
    )


def _packets(section: Section, wrecks: Sequence[Wreck]) -> Iterator[bytes]:
    """Yield whole packets and torn ones as they stand, in the order of the file."""
    position = 0
    for wreck in wrecks:
        yield from _rows(section, position, wreck.before)
        position = wreck.before
        yield b"".join(piece.raw for piece in wreck.pieces)
    yield from _rows(section, position, section.packets)


def _rows(section: Section, start: int, stop: int) -> Iterator[bytes]:
    return (section.row(index).tobytes() for index in range(start, stop))


def _data_of(packet: bytes) -> bytes:
    """Return 120 data bytes; of a damaged packet what stands in their place."""
    data = packet[DATA]
    if not data.isascii():
        data = bytes(byte & 0x7F for byte in data)
    return data.ljust(PACKET_DATA_BYTES, b"\0")


def _renumbered(message: bytes, sample_number: int) -> bytes:
    decoded = decode(message)
    if isinstance(decoded, _MORE):
        return encode(replace(decoded, sample_number=sample_number))
    return message


def _with_id(message: bytes, device_id: int) -> bytes:
    changed = bytearray(message)
    if len(changed) > CHECKSUM and isinstance(decode(message), DataPacket):
        changed[CHECKSUM] ^= changed[DEVICE_ID] ^ device_id
    if len(changed) > DEVICE_ID:
        changed[DEVICE_ID] = device_id
    return bytes(changed)
