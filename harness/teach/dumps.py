"""A whole file explained: its headers and odd messages byte by byte, its packets in runs.

Theory of operation.  A file is divided into dumps as the judge does it, so packets have the same
numbers as in findings: `packet` is the planned packet, counted from 0, even if some are missing or
repeated.  Clean packets are summed up; others are shown, up to a limit.
"""

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from functools import cached_property
from itertools import islice
from operator import attrgetter
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from dryload.emulator.wire.constants import END, PACKET_NUMBERS
from dryload.emulator.wire.packets import DEVICE_ID, NUMBER
from dryload.emulator.wire.splitter import Piece, PieceKind, Splitter
from dryload.harness.files.scan import is_packet
from dryload.harness.files.sections import Section, sections
from dryload.harness.judge.dump import DumpContents, read_dump
from dryload.harness.judge.finding import Finding, Verdict
from dryload.harness.judge.stream import judge_dump
from dryload.harness.teach.annotate import explain_piece, words_at
from dryload.harness.teach.explained import Explained

MOST: Final = 3
"""The number of broken packets, and of odd messages, that are shown of one dump."""
_BYTE: Final = attrgetter("byte")
_CHUNK: Final = 1 << 12
_FAR: Final = 1 << 16
"""Bytes that are read from a packet on to find the message that holds a byte behind it."""


class WholePackets(Struct, frozen=True, kw_only=True):
    """Consecutive packets with nothing wrong."""

    packet: int
    """The first one, counted from 0."""
    count: int
    byte: int


class ExplainedPacket(Explained, frozen=True, kw_only=True):
    """One explained packet and the judge's findings on it."""

    packet: int
    findings: tuple[Finding, ...]


class Overview(Struct, frozen=True, kw_only=True):
    """What a dump is made of; its fields are keys of the document."""

    dump: int
    """Its number."""
    byte: int
    size: int
    header: Explained | None
    runs: tuple[WholePackets, ...]
    packets: tuple[ExplainedPacket, ...]
    """The first few with something wrong."""
    more_packets: int
    messages: tuple[Explained, ...]
    more_messages: int
    realtime_bytes: int
    """Inside and outside of messages."""
    unread_bytes: int
    """Bytes in which there is neither header nor packet."""
    findings: tuple[Finding, ...]
    """The first few that are not about those packets."""
    findings_in_all: int


class ExplainedDump(Struct, eq=False, dict=True):
    """One dump of a file; `number` counts headers from 1, 0 being what precedes the first.

    Packets have an index here: first those that are whole, then the torn ones.
    """

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

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """The judge's findings on it."""
        return judge_dump(self.contents)

    @cached_property
    def places(self) -> NDArray[np.int64]:
        """Which planned packet each packet is."""
        alignment = self.contents.alignment
        whole = alignment.places
        if whole is None:
            whole = np.arange(self.section.packets)
        return np.append(whole, np.array([at for at, _ in alignment.wrecks], np.int64))

    @property
    def reached(self) -> int:
        """The number of packets up to the last one that is there or known to be missing."""
        known = [each.at.packet for each in self.findings if each.at.packet is not None]
        highest = int(self.places.max(initial=-1))
        return max([highest, *known]) + 1

    def overview(self, *, every: bool = False) -> Overview:
        """Return its overview; with `every`, no word of a shown packet is left out."""
        clean = self._clean()
        whole = self.section.packets
        wrong = np.flatnonzero(~clean)
        first = [*wrong[wrong < whole][:MOST].tolist(), *wrong[wrong >= whole][:MOST].tolist()]
        shown = sorted((self._packet(index, every) for index in first), key=_BYTE)[:MOST]
        told = {packet.packet for packet in shown}
        others = [each for each in self.findings if each.at.packet not in told]
        pieces = [item.piece for item in self.contents.odd]
        opening = self.section.opening
        return Overview(
            dump=self.number,
            byte=self.section.offset,
            size=self.section.size,
            header=None if opening is None else explain_piece(opening),
            runs=tuple(self._runs(np.flatnonzero(clean))),
            packets=tuple(shown),
            more_packets=len(wrong) - len(shown),
            messages=tuple(explain_piece(piece) for piece in pieces[:MOST]),
            more_messages=max(len(pieces) - MOST, 0),
            realtime_bytes=sum(tally.count for tally in self.section.realtime.values()),
            unread_bytes=self.section.rubble.size,
            findings=tuple(others[:MOST]),
            findings_in_all=len(self.findings),
        )

    def packet(self, place: int, *, every: bool = False) -> list[ExplainedPacket]:
        """Return every occurrence of the planned packet `place`, whole or torn."""
        found = np.flatnonzero(self.places == place).tolist()
        return sorted((self._packet(index, every) for index in found), key=_BYTE)

    def pieces_from(
        self, byte: int, count: int | None = None, *, every: bool = False
    ) -> list[Explained]:
        """Return all explanations, or up to `count`, from the message that holds `byte` on.

        A packet ends whatever was open before it, so reading begins at the last packet before
        `byte`, or at `byte` itself where that is far away.
        """
        section = self.section
        begun = bisect_right(range(section.packets), byte, key=section.offset_of)
        index = max(begun - 1, 0)
        start = section.offset_of(index) if begun else section.offset
        if byte - start > _FAR:
            index, start = begun, byte
        torn = {
            wreck.pieces[0].offset: place
            for wreck, (place, _) in zip(
                self.contents.wrecks, self.contents.alignment.wrecks, strict=True
            )
        }
        found: list[Explained] = []
        for piece in _pieces(section, start):
            if piece.offset + len(piece.raw) > byte:
                place = int(self.places[index]) if index < section.packets else index
                found.append(self._explain(piece, torn.get(piece.offset, place), every))
                if len(found) == count:
                    break
            index += is_packet(piece)
        return found

    def _clean(self) -> NDArray[np.bool_]:
        """Return for each packet whether it is whole, in sequence and right."""
        section, contents = self.section, self.contents
        clean = np.zeros(len(self.places), bool)
        clean[: section.packets] = section.column(NUMBER) == (
            self.places[: section.packets] % PACKET_NUMBERS
        )
        if section.header is not None:
            clean[: section.packets] &= section.column(DEVICE_ID) == section.header.device_id
        clean[contents.reading.failing] = False
        stored = contents.alignment.stored
        if stored is not None:
            clean[np.setdiff1d(np.arange(len(clean)), stored)] = False
        marked = [
            each.at.packet
            for each in self.findings
            if each.at.packet is not None and each.verdict in (Verdict.BROKEN, Verdict.BENT)
        ]
        return clean & ~np.isin(self.places, marked)

    def _runs(self, clean: NDArray[np.int64]) -> Iterator[WholePackets]:
        """Yield the runs of packets that follow each other in the file and in the dump."""
        places = self.places[clean]
        breaks = np.flatnonzero((np.diff(clean) != 1) | (np.diff(places) != 1)) + 1
        for run in np.split(clean, breaks) if len(clean) else ():
            first = int(run[0])
            yield WholePackets(
                packet=int(self.places[first]),
                count=len(run),
                byte=self.section.offset_of(first),
            )

    def _packet(self, index: int, every: bool) -> ExplainedPacket:
        place, whole = int(self.places[index]), self.section.packets
        if index < whole:
            piece = self._whole(index)
        else:
            piece = _joined(self.contents.wrecks[index - whole].pieces)
        explained = self._explain(piece, place, every)
        return ExplainedPacket(
            title=explained.title,
            byte=explained.byte,
            size=explained.size,
            lines=explained.lines,
            problems=explained.problems,
            packet=place,
            findings=tuple(each for each in self.findings if each.at.packet == place),
        )

    def _whole(self, index: int) -> Piece:
        """Return a whole packet as found, with the real-time bytes inside it unless too many."""
        offset = self.section.offset_of(index)
        body = self.section.row(index).tobytes()
        (piece,) = islice(_pieces(self.section, offset), 1)
        if piece.body == body and len(piece.raw) <= _CHUNK:
            return piece
        return Piece(PieceKind.EXCLUSIVE, offset, body, body)

    def _explain(self, piece: Piece, place: int, every: bool) -> Explained:
        return explain_piece(piece, words_at(self.section.header, place, self.bits), every=every)


def dumps_of(data: bytes, *, bits: int | None = None) -> Iterator[ExplainedDump]:
    """Yield the dumps of a file, in order."""
    number = 0
    for section in sections(data):
        number += section.opening is not None
        yield ExplainedDump(number=number, section=section, bits=bits)


def _pieces(section: Section, start: int) -> Iterator[Piece]:
    """Yield the pieces of a section from a byte on."""
    splitter = Splitter(limit=_FAR)
    stop = section.offset + section.size
    for at in range(start, stop, _CHUNK):
        for piece in splitter.feed(section.data[at : min(at + _CHUNK, stop)]):
            yield piece.moved(start)
    following = section.data[stop : stop + 1]  # the F0 of the next header ends what is open
    for piece in splitter.feed(following) if following else splitter.flush():
        yield piece.moved(start)


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
