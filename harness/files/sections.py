"""A stream divided into sections, one for each dump: a header and everything up to the next header.

Theory of operation.  A section is what one header governs: the packets after it and everything else
there, each with the number of packets before it.  What precedes the first header is a section
without one.  Only one section is in memory at a time, and it stays small whatever the stream holds:
long runs of packets are views of the stream, single packets are copied together, real-time bytes
outside messages are counted, and odd pieces are limited by the scanner's budget.
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.wire.codec import decode
from emulator.wire.constants import PACKET_BYTES
from emulator.wire.messages import DumpHeader, ExtendedHeader, Header
from emulator.wire.packets import Rows
from emulator.wire.splitter import Piece, PieceKind
from harness.files.scan import (
    DETAIL,
    PacketRun,
    Rubble,
    Stream,
    is_packet,
    opens_dump,
    scan,
    size_of,
)

_LONG_RUN: Final = 16  # packets; shorter runs are copied together


class PacketBlock(NamedTuple):
    """Packets of a section in the order of the stream."""

    rows: Rows
    offsets: NDArray[np.int64] | None
    """The offset of each in the stream; None if they follow each other from `start`."""
    start: int


class OddPiece(NamedTuple):
    """A piece that is not a whole packet, and the number of packets of the section before it."""

    before: int
    piece: Piece


@dataclass(slots=True)
class Tally:
    """Things that are counted and not kept: how many, and where the first one is."""

    count: int = 0
    size: int = 0
    first: int = 0
    before: int = 0
    """Packets of the section before the first one."""

    def add(self, offset: int, before: int, size: int = 1) -> None:
        """Count one more."""
        if not self.count:
            self.first, self.before = offset, before
        self.count += 1
        self.size += size


@dataclass(frozen=True, kw_only=True, eq=False)
class Section:
    """One header, if any, and what follows it up to the next."""

    data: Stream = field(repr=False)
    """The whole stream; offsets count from its beginning."""
    offset: int
    size: int
    opening: Piece | None
    """The header as found; None before the first header of the stream."""
    header: Header | None
    """The decoded header; None if it is damaged or missing."""
    blocks: tuple[PacketBlock, ...]
    odd: tuple[OddPiece, ...]
    realtime: dict[int, Tally]
    """Real-time bytes by their value, inside and outside of messages."""
    rubble: Tally
    next_header: Header | None = None
    """The header that ends this section, where it is whole."""

    @cached_property
    def _starts(self) -> list[int]:
        starts = [0]
        for block in self.blocks:
            starts.append(starts[-1] + len(block.rows))
        return starts

    @property
    def packets(self) -> int:
        """Whole packets, in order or not."""
        return self._starts[-1]

    def row(self, index: int) -> NDArray[np.uint8]:
        """Return one packet, 127 bytes."""
        block = bisect_right(self._starts, index) - 1
        found: NDArray[np.uint8] = self.blocks[block].rows[index - self._starts[block]]
        return found

    def offset_of(self, index: int) -> int:
        """Return where a packet begins in the stream."""
        at = bisect_right(self._starts, index) - 1
        block = self.blocks[at]
        within = index - self._starts[at]
        if block.offsets is None:
            return block.start + PACKET_BYTES * within
        return int(block.offsets[within])

    def column(self, place: int) -> NDArray[np.uint8]:
        """Return one byte of every packet, contiguous."""
        columns = [block.rows[:, place] for block in self.blocks]
        if len(columns) == 1:
            return np.ascontiguousarray(columns[0])
        return np.concatenate([np.empty(0, np.uint8), *columns])

    def chunks(self, most: int) -> Iterator[tuple[int, Rows]]:
        """Yield all packets in pieces of at most `most`, each with the index of its first."""
        for begin, block in zip(self._starts, self.blocks, strict=False):
            for at in range(0, len(block.rows), most):
                yield begin + at, block.rows[at : at + most]

    def take(self, indices: NDArray[np.int64]) -> Rows:
        """Return copies of the packets at `indices`, in that order."""
        taken = np.empty((len(indices), PACKET_BYTES), np.uint8)
        owner = np.searchsorted(np.array(self._starts[1:]), indices, side="right")
        for at in np.unique(owner):
            mine = owner == at
            taken[mine] = self.blocks[at].rows[indices[mine] - self._starts[at]]
        return taken


def sections(data: Stream, *, detail: int = DETAIL) -> Iterator[Section]:
    """Yield the sections of a stream, in order; none for an empty stream."""
    builder: _Builder | None = None
    for item in scan(data, detail=detail):
        if isinstance(item, Piece) and opens_dump(item):
            opened = _Builder(data, item.offset, item)
            if builder is not None:
                yield builder.build(opened.header)
            builder = opened
            continue
        if builder is None:
            builder = _Builder(data, 0, None)
        builder.add(item)
    if builder is not None:
        yield builder.build(None)


class _Builder:
    def __init__(self, data: Stream, offset: int, opening: Piece | None) -> None:
        self._data = data
        self._offset = offset
        self._opening = opening
        self.header = _header(opening)
        self._size = 0
        self._packets = 0
        self._blocks: list[PacketBlock] = []
        self._loose_rows = bytearray()
        self._loose_offsets: list[int] = []
        self._odd: list[OddPiece] = []
        self._realtime: dict[int, Tally] = {}
        self._rubble = Tally()
        if opening is not None:
            self._size = len(opening.raw)
            self._count_realtime(opening.realtime)

    def add(self, item: PacketRun | Piece | Rubble) -> None:
        self._size += size_of(item)
        if isinstance(item, PacketRun):
            self._add_run(item)
        elif isinstance(item, Rubble):
            self._rubble.add(item.offset, self._packets, item.size)
        elif item.kind is PieceKind.REALTIME:
            self._count_realtime(((item.offset, item.raw[0]),))
        else:
            self._count_realtime(item.realtime)
            if is_packet(item):
                self._add_loose(item.body, (item.offset,))
            else:
                self._odd.append(OddPiece(self._packets, item))

    def build(self, next_header: Header | None) -> Section:
        self._close_loose()
        return Section(
            data=self._data,
            offset=self._offset,
            size=self._size,
            opening=self._opening,
            header=self.header,
            blocks=tuple(self._blocks),
            odd=tuple(self._odd),
            realtime=self._realtime,
            rubble=self._rubble,
            next_header=next_header,
        )

    def _add_run(self, run: PacketRun) -> None:
        if len(run.rows) < _LONG_RUN:
            self._add_loose(run.rows.tobytes(), range(run.offset, run.offset + run.size, 127))
            return
        self._close_loose()
        self._blocks.append(PacketBlock(run.rows, None, run.offset))
        self._packets += len(run.rows)

    def _add_loose(self, rows: bytes, offsets: Iterable[int]) -> None:
        self._loose_rows += rows
        self._loose_offsets.extend(offsets)
        self._packets += len(rows) // PACKET_BYTES

    def _close_loose(self) -> None:
        if self._loose_offsets:
            rows = np.frombuffer(self._loose_rows, np.uint8).reshape(-1, PACKET_BYTES)
            offsets = np.array(self._loose_offsets, np.int64)
            self._blocks.append(PacketBlock(rows, offsets, self._loose_offsets[0]))
        self._loose_rows = bytearray()
        self._loose_offsets = []

    def _count_realtime(self, found: Iterable[tuple[int, int]]) -> None:
        for offset, byte in found:
            self._realtime.setdefault(byte, Tally()).add(offset, self._packets)


def _header(piece: Piece | None) -> Header | None:
    if piece is None or piece.kind is not PieceKind.EXCLUSIVE:
        return None
    message = decode(piece.body)
    return message if isinstance(message, DumpHeader | ExtendedHeader) else None
