"""From files to the dumps in them, byte for byte as they stand in the file."""

from collections.abc import Iterator, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.outgoing import Outgoing, sample_from_words
from dryload.emulator.dump.sample import Sample
from dryload.emulator.wire.codec import decode, encode
from dryload.emulator.wire.constants import FAMILY, MAX_BITS, MIN_BITS, START
from dryload.emulator.wire.messages import (
    DataPacket,
    ExtendedLoopPoints,
    Header,
    LoopPoints,
    SampleName,
)
from dryload.emulator.wire.packets import CHECKSUM, DEVICE_ID
from dryload.emulator.wire.sevenbit import from_groups, to_groups
from dryload.emulator.wire.words import word_dtype
from dryload.harness.files.dumpfile import DumpFile, load
from dryload.harness.files.journal import sha256_of
from dryload.harness.files.opening import quoted, shown
from dryload.harness.files.problem import Problem
from dryload.harness.files.sections import Section
from dryload.harness.judge.against_source import Source
from dryload.harness.judge.dump import DumpContents, read_stream
from dryload.harness.judge.finding import Finding, Verdict
from dryload.harness.judge.wrecks import Wreck

_More = LoopPoints | ExtendedLoopPoints | SampleName
DumpKey = tuple[int, int, str]
"""Device ID, sample number and SHA-256 of a dump's messages."""


class Dump(Struct, frozen=True, kw_only=True, eq=False):
    """One dump of a file, ready to be played."""

    file: str
    index: int
    """Which dump of its file, counted from 0; one with a damaged header counts."""
    header: Header
    outgoing: Outgoing
    sample: Sample
    """What it holds, as the judge reads it."""
    findings: tuple[Finding, ...] = ()
    """What the judge says of it as it stands in the file, if it was asked."""
    is_as_listed: bool = True
    """Whether its file is as the list of its backup says; without a list there is no doubt."""

    @property
    def place(self) -> str:
        """The file, and which dump of it."""
        return f"{shown(self.file)}{f', dump {self.index + 1}' if self.index else ''}"

    @property
    def title(self) -> str:
        """What it is called in a sentence."""
        return f"{self.place} (sample {self.header.sample_number})"

    @property
    def is_broken(self) -> bool:
        """Whether it violates a must of the standard as it stands in its file."""
        return any(finding.verdict is Verdict.BROKEN for finding in self.findings)

    @property
    def key(self) -> DumpKey:
        """What makes a dump the same, whatever its file is called: address and content."""
        messages = (self.outgoing.header, *self.outgoing.packets, *self.outgoing.after)
        return self.header.device_id, self.header.sample_number, sha256_of(messages)


class Fragment(Struct, frozen=True, kw_only=True):
    """A part of a file that looks like a dump and can't be played."""

    file: str
    byte: int
    """Where it begins in the file."""
    packets: int
    """Whole packets in it."""
    damaged: bool
    """Whether its header is there, but damaged; else there is none."""


class NotADump(Struct, frozen=True, kw_only=True):
    """A file in which there is no dump."""

    file: str
    said: str
    """What it is instead, with its name."""
    is_other: bool
    """Whether it is plainly something else, as a text is; else it may be what is left of a dump."""


FileContent = Dump | Fragment | NotADump


def contents(file: DumpFile) -> Iterator[tuple[DumpContents, Dump | Fragment]]:
    """Yield the dumps of a file, and what looks like one and can't be played, in order.

    Each comes with what the judge reads in it; nothing is judged.
    """
    index = 0
    for held in read_stream(file.data):
        section = held.section
        if section.header is not None:
            yield held, _dump(file.name, index, held)
        elif section.opening is not None or section.packets:
            yield (
                held,
                Fragment(
                    file=file.name,
                    byte=section.offset if section.opening is not None else section.offset_of(0),
                    packets=section.packets,
                    damaged=section.opening is not None,
                ),
            )
        index += section.opening is not None


def headed(file: DumpFile) -> list[DumpContents]:
    """Return what the judge reads in each dump of a file; a Problem where no header opens one."""
    found = [each for each in read_stream(file.data) if each.section.opening is not None]
    if not found:
        raise Problem(
            f"{shown(file.name)} has no dump header: what its packets mean cannot be known "
            "(HDR-01, M1 p. 39).",
            do="dryload validate says what is in it.",
        )
    return found


def dumps_in(file: DumpFile) -> Iterator[Dump]:
    """Yield the dumps of a file that have a header, in order."""
    return (each for _, each in contents(file) if isinstance(each, Dump))


def sources_in(paths: Sequence[str]) -> tuple[Source, ...]:
    """Return every dump of some files; a Problem for a file that holds none."""
    found: list[Source] = []
    for path in paths:
        dumps = list(dumps_in(load(path)))
        if not dumps:
            raise Problem(
                f"{shown(path)} has no whole dump header, so nothing can be compared with it.",
                do=f"dryload validate {quoted(path)} says what is in it.",
            )
        found += [source_of(dump) for dump in dumps]
    return tuple(found)


def source_of(dump: Dump) -> Source:
    """Return a dump as the diagnosis compares with it."""
    which = f", dump {dump.index + 1}" if dump.index else ""
    return Source(
        name=f"{shown(dump.file)}{which}",
        header=dump.header,
        packets=tuple(bytes(packet) for packet in dump.outgoing.packets),
    )


def readdressed(
    dump: Dump, *, sample_number: int | None = None, device_id: int | None = None
) -> Dump:
    """Return a dump under another sample number or for another device ID.

    The header carries no sum; checksums of packets are changed by what the ID changes, so that a
    wrong one stays wrong.  Loop points and names of other samples keep the number that they have.
    ValueError for a number above 16383 or an ID above 127.
    """
    header, outgoing = dump.header, dump.outgoing
    if sample_number is not None:
        before = header.sample_number
        header = replace(header, sample_number=sample_number)
        outgoing = replace(
            outgoing,
            header=encode(header),
            after=tuple(_renumbered(each, before, sample_number) for each in outgoing.after),
        )
    if device_id is not None:
        header = replace(header, device_id=device_id)
        outgoing = Outgoing(
            header=encode(header),
            packets=[_with_id(packet, device_id) for packet in outgoing.packets],
            after=tuple(_with_id(message, device_id) for message in outgoing.after),
        )
    return replace(dump, header=header, outgoing=outgoing)


def _dump(file: str, index: int, held: DumpContents) -> Dump:
    header, opening = held.section.header, held.section.opening
    assert header is not None
    assert opening is not None
    return Dump(
        file=file,
        index=index,
        header=header,
        outgoing=Outgoing(
            header=opening.body,
            packets=list(_packets(held.section, held.wrecks)),
            after=tuple(encode(each.message) for each in (*held.added, *held.others)),
        ),
        sample=held.sample or _no_words(header),
    )


def _no_words(header: Header) -> Sample:
    """Return the sample of a dump whose words have a width that does not exist (HDR-03)."""
    legal = replace(header, bits=min(max(header.bits, MIN_BITS), MAX_BITS))
    return sample_from_words(legal, np.zeros(0, word_dtype(legal.bits)))


def _packets(section: Section, wrecks: Sequence[Wreck]) -> Iterator[bytes]:
    """Yield whole packets and torn ones as they stand, in the order of the file."""
    position = 0
    for wreck in wrecks:
        yield from _rows(section, position, wreck.before)
        position = wreck.before
        yield wreck.body
    yield from _rows(section, position, section.packets)


def _rows(section: Section, start: int, stop: int) -> Iterator[bytes]:
    return (section.row(index).tobytes() for index in range(start, stop))


def _is_of(message: _More, sample_number: int) -> bool:
    """Whether loop points or a name belong to a sample; names have two orders (CA-019 p. 4)."""
    return sample_number == message.sample_number or (
        isinstance(message, SampleName) and sample_number == _turned(message.sample_number)
    )


def _turned(sample_number: int) -> int:
    return from_groups(to_groups(sample_number, 2)[::-1])


def _renumbered(body: bytes, before: int, sample_number: int) -> bytes:
    message = decode(body)
    if not isinstance(message, _More) or not _is_of(message, before):
        return body
    if message.sample_number != before:
        sample_number = _turned(sample_number)
    return encode(replace(message, sample_number=sample_number))


def _with_id(message: bytes, device_id: int) -> bytes:
    if message[:2] != bytes([START, FAMILY]) or len(message) <= DEVICE_ID:
        return message  # what is left of a torn packet: no ID is where it should be
    changed = bytearray(message)
    if isinstance(decode(message), DataPacket):
        changed[CHECKSUM] ^= changed[DEVICE_ID] ^ device_id
    changed[DEVICE_ID] = device_id
    return bytes(changed)
