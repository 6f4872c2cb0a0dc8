"""A whole file explained: its headers and odd messages byte by byte, its packets in runs.

Theory of operation.  A file is divided into dumps as the judge does it, so packets have the same
numbers as in findings: `packet` is the planned packet, counted from 0, even if some are missing or
repeated.  Clean packets are summed up; others are shown, up to a limit.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from emulator.wire.constants import END, PACKET_BYTES, PACKET_NUMBERS
from emulator.wire.packets import CHECKSUM, DEVICE_ID, NUMBER, checksums
from emulator.wire.splitter import Piece, PieceKind, Splitter, split
from harness.files.scan import PacketRun, Rubble, scan
from harness.files.sections import Section, sections
from harness.judge.dump import DumpContents, read_dump
from harness.judge.finding import Finding, Verdict
from harness.judge.order import Alignment
from harness.judge.stream import judge_dump
from harness.teach.annotate import explain_piece, words_at
from harness.teach.explained import Explained

MOST: Final = 3
"""The number of broken packets, and of odd messages, that are shown of one dump."""
_CHUNK: Final = 1 << 14
_LONGEST: Final = 1 << 12  # of a packet with real-time bytes inside


@dataclass(frozen=True, slots=True, kw_only=True)
class WholePackets:
    """Consecutive packets with nothing wrong."""

    packet: int
    """The first one, counted from 0."""
    count: int
    offset: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ExplainedPacket:
    """One explained packet and the judge's findings on it."""

    packet: int
    explained: Explained
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """What a dump is made of."""

    header: Explained | None
    runs: tuple[WholePackets, ...]
    broken: tuple[ExplainedPacket, ...]
    more_broken: int
    messages: tuple[Explained, ...]
    more_messages: int
    realtime: int
    """Real-time bytes, inside and outside of messages."""
    unread: int
    """Bytes in which there is neither header nor packet."""
    others: tuple[Finding, ...]
    """The first few findings that are not about those packets."""
    findings: int
    """The number of all findings on the dump."""


@dataclass(eq=False)
class ExplainedDump:
    """One dump of a file; `number` counts headers from 1, 0 being what precedes the first."""

    number: int
    section: Section
    bits: int | None = None
    """The width of words if no header states it."""

    @property
    def title(self) -> str:
        """Its name in a heading."""
        return f"Dump {self.number}" if self.number else "What has no header"

    @cached_property
    def contents(self) -> DumpContents:
        """Its contents as the judge reads them."""
        return read_dump(self.section, keep_words=False)

    @property
    def alignment(self) -> Alignment:
        """Which planned packet each packet is."""
        return self.contents.alignment

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """The judge's findings on it."""
        return judge_dump(self.contents).findings

    def overview(self, *, every: bool = False) -> Overview:
        """Return its overview; with `every`, no word of a shown packet is left out."""
        clean = self._clean()
        odd = np.flatnonzero(~clean).tolist()
        wrecks, pieces = self.contents.wrecks, [item.piece for item in self.contents.odd]
        shown = [self._packet(index, every) for index in odd[:MOST]]
        shown += [self._wreck(index, every) for index in range(min(len(wrecks), MOST))]
        shown.sort(key=lambda packet: packet.explained.offset)
        opening = self.section.opening
        told = {packet.packet for packet in shown[:MOST]}
        others = [each for each in self.findings if each.at.packet not in told]
        return Overview(
            header=None if opening is None else explain_piece(opening),
            runs=tuple(self._runs(clean)),
            broken=tuple(shown[:MOST]),
            more_broken=max(len(odd) + len(wrecks) - MOST, 0),
            messages=tuple(explain_piece(piece) for piece in pieces[:MOST]),
            more_messages=max(len(pieces) - MOST, 0),
            realtime=sum(tally.count for tally in self.section.realtime.values()),
            unread=self.section.rubble.size,
            others=tuple(others[:MOST]),
            findings=len(self.findings),
        )

    def packet(self, place: int, *, every: bool = False) -> list[ExplainedPacket]:
        """Return every occurrence of the planned packet `place`, whole or torn."""
        found = [self._packet(int(index), every) for index in np.flatnonzero(self._places == place)]
        for index, (at, _) in enumerate(self.alignment.wrecks):
            if at == place:
                found.append(self._wreck(index, every))
        return sorted(found, key=lambda packet: packet.explained.offset)

    @property
    def reached(self) -> int:
        """The number of packets up to the last one that is there or known to be missing."""
        highest = int(self._places.max()) + 1 if len(self._places) else 0
        torn = [at + 1 for at, _ in self.alignment.wrecks]
        known = [each.at.packet + 1 for each in self.findings if each.at.packet is not None]
        return max([highest, *torn, *known])

    def pieces_from(self, byte: int, count: int, *, every: bool = False) -> list[Explained]:
        """Return up to `count` explanations from the message that holds `byte` on."""
        start, end = self.section.offset, self.section.offset + self.section.size
        found: list[Explained] = []
        packet = 0
        for item in scan(self.section.data[start:end]):
            if isinstance(item, Rubble):
                continue
            if isinstance(item, PacketRun):
                skip = max(byte - start - item.offset, 0) // PACKET_BYTES
                for index in range(skip, min(len(item.rows), skip + count - len(found))):
                    raw = item.rows[index].tobytes()
                    at = start + item.offset + index * PACKET_BYTES
                    found.append(self._explain(_whole(at, raw), packet + index, every))
                packet += len(item.rows)
            else:
                at = start + item.offset
                if at + len(item.raw) > byte:
                    found.append(self._explain(item.moved(start), packet, every))
                packet += len(item.body) == PACKET_BYTES
            if len(found) >= count:
                break
        return found[:count] or self._unread_from(byte, count)

    def _unread_from(self, byte: int, count: int) -> list[Explained]:
        """Explain the bytes from `byte` on where there was too much odd data to read it all."""
        pieces = split(self.section.data[byte : byte + _LONGEST])[:count]
        return [explain_piece(piece.moved(byte)) for piece in pieces]

    @cached_property
    def _places(self) -> NDArray[np.int64]:
        places = self.alignment.places
        return np.arange(self.section.packets) if places is None else places

    def _clean(self) -> NDArray[np.bool_]:
        """Return for each whole packet whether it is in sequence and right."""
        section = self.section
        clean: NDArray[np.bool_] = section.column(NUMBER) == self._places % PACKET_NUMBERS
        if section.header is not None:
            clean &= section.column(DEVICE_ID) == section.header.device_id
        for begin, rows in section.chunks(_CHUNK):
            clean[begin : begin + len(rows)] &= checksums(rows) == rows[:, CHECKSUM]
        if self.alignment.stored is not None:
            kept = np.zeros(len(clean), bool)
            kept[self.alignment.stored] = True
            clean &= kept
        marked = [
            each.at.packet
            for each in self.findings
            if each.at.packet is not None and each.verdict in (Verdict.BROKEN, Verdict.BENT)
        ]
        return clean & ~np.isin(self._places, marked)

    def _runs(self, clean: NDArray[np.bool_]) -> Iterator[WholePackets]:
        indices = np.flatnonzero(clean)
        if not len(indices):
            return
        breaks = (np.diff(indices) != 1) | (np.diff(self._places[indices]) != 1)
        starts = np.concatenate(([0], np.flatnonzero(breaks) + 1, [len(indices)]))
        for first, stop in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True):
            index = int(indices[first])
            yield WholePackets(
                packet=int(self._places[index]),
                count=stop - first,
                offset=self.section.offset_of(index),
            )

    def _packet(self, index: int, every: bool) -> ExplainedPacket:
        return self._judged(self._piece(index), int(self._places[index]), every)

    def _piece(self, index: int) -> Piece:
        """Return a whole packet as found, with real-time bytes inside it."""
        offset = self.section.offset_of(index)
        body = self.section.row(index).tobytes()
        pieces = Splitter().feed(self.section.data[offset : offset + _LONGEST])
        if pieces and pieces[0].body == body:
            return pieces[0].moved(offset)
        return _whole(offset, body)

    def _wreck(self, index: int, every: bool) -> ExplainedPacket:
        piece = _joined(self.contents.wrecks[index].pieces)
        return self._judged(piece, self.alignment.wrecks[index][0], every)

    def _judged(self, piece: Piece, place: int, every: bool) -> ExplainedPacket:
        return ExplainedPacket(
            packet=place,
            explained=self._explain(piece, place, every),
            findings=tuple(each for each in self.findings if each.at.packet == place),
        )

    def _explain(self, piece: Piece, place: int, every: bool) -> Explained:
        return explain_piece(piece, words_at(self.section.header, place, self.bits), every=every)


def dumps_of(data: bytes, *, bits: int | None = None) -> Iterator[ExplainedDump]:
    """Yield the dumps of a file, in order."""
    number = 0
    for section in sections(data):
        number += section.opening is not None
        yield ExplainedDump(number=number, section=section, bits=bits)


def _whole(offset: int, raw: bytes) -> Piece:
    return Piece(PieceKind.EXCLUSIVE, offset, raw, raw)


def _joined(pieces: Sequence[Piece]) -> Piece:
    """Return the pieces of a torn packet joined as one message."""
    body = b"".join(piece.body for piece in pieces)
    ends = body[-1] == END
    return Piece(
        PieceKind.EXCLUSIVE if ends else PieceKind.CUT,
        pieces[0].offset,
        b"".join(piece.raw for piece in pieces),
        body,
        tuple(each for piece in pieces for each in piece.realtime),
        None if ends else pieces[-1].ended_by,
    )
