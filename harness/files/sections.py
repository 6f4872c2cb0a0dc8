"""A stream divided into sections, one for each dump: a header and everything up to the next header.

Theory of operation.  A section is what one header governs: the packets after it and everything else
there, each with the number of packets before it.  What precedes the first header is a section
without one.  Only one section is in memory at a time, and it stays small whatever the stream holds:
packets that follow each other are a view of the stream and others are copied together, real-time
bytes are counted, and odd pieces are limited by the scanner's budget.
"""

from collections.abc import Iterable, Iterator
from typing import Final, NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from dryload.emulator.wire.codec import decode
from dryload.emulator.wire.constants import PACKET_BYTES
from dryload.emulator.wire.messages import DumpHeader, ExtendedHeader, Header
from dryload.emulator.wire.packets import Rows
from dryload.emulator.wire.splitter import Piece, PieceKind
from dryload.harness.files.scan import (
    DETAIL,
    PacketRun,
    Rubble,
    Stream,
    is_packet,
    opens_dump,
    scan,
    size_of,
)

_NO_ROWS: Final[Rows] = np.empty((0, PACKET_BYTES), np.uint8)


class OddPiece(NamedTuple):
    """A piece that is not a whole packet, and the number of packets of the section before it."""

    before: int
    piece: Piece


class Tally(Struct):
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


class Section(Struct, frozen=True, kw_only=True, eq=False, dict=True):
    """One header, if any, and what follows it up to the next."""

    data: Stream
    """The whole stream; offsets count from its beginning."""
    offset: int
    size: int
    opening: Piece | None
    """The header as found; None before the first header of the stream."""
    header: Header | None
    """The decoded header; None if it is damaged or missing."""
    rows: Rows
    """The whole packets, in the order of the stream."""
    offsets: range | NDArray[np.int64]
    """Where each of them begins in the stream."""
    odd: tuple[OddPiece, ...]
    realtime: dict[int, Tally]
    """Real-time bytes by their value, inside and outside of messages."""
    rubble: Tally
    next_header: Header | None = None
    """The header that ends this section, where it is whole."""

    @property
    def packets(self) -> int:
        """Whole packets, in order or not."""
        return len(self.rows)

    @property
    def is_dump(self) -> bool:
        """Whether a header, whole or damaged, or a packet is there at all."""
        return self.opening is not None or self.packets > 0

    @property
    def is_undisturbed(self) -> bool:
        """Whether it is a whole header, packets and nothing else."""
        beside = self.odd or self.realtime or self.rubble.count
        return self.header is not None and self.packets > 0 and not beside

    @property
    def realtime_bytes(self) -> int:
        """How many real-time bytes there are, which are no part of any message (FRM-03)."""
        return sum(tally.count for tally in self.realtime.values())

    def row(self, index: int) -> NDArray[np.uint8]:
        """Return one packet, 127 bytes."""
        found: NDArray[np.uint8] = self.rows[index]
        return found

    def offset_of(self, index: int) -> int:
        """Return where a packet begins in the stream."""
        return int(self.offsets[index])

    def column(self, place: int) -> NDArray[np.uint8]:
        """Return one byte of every packet, contiguous."""
        return np.ascontiguousarray(self.rows[:, place])

    def chunks(self, most: int) -> Iterator[tuple[int, Rows]]:
        """Yield all packets in pieces of at most `most`, each with the index of its first."""
        for at in range(0, len(self.rows), most):
            yield at, self.rows[at : at + most]

    def take(self, indices: NDArray[np.int64]) -> Rows:
        """Return copies of the packets at `indices`, in that order."""
        return self.rows[indices]


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
        self._rows: list[Rows] = []
        self._offsets: list[range] = []
        self._packets = 0
        self._odd: list[OddPiece] = []
        self._realtime: dict[int, Tally] = {}
        self._rubble = Tally()
        if opening is not None:
            self._size = len(opening.raw)
            self._count_realtime(opening.realtime)

    def add(self, item: PacketRun | Piece | Rubble) -> None:
        self._size += size_of(item)
        if isinstance(item, PacketRun):
            self._take(item.rows, range(item.offset, item.offset + item.size, PACKET_BYTES))
        elif isinstance(item, Rubble):
            self._rubble.add(item.offset, self._packets, item.size)
        elif item.kind is PieceKind.REALTIME:
            self._count_realtime(((item.offset, item.raw[0]),))
        else:
            self._count_realtime(item.realtime)
            if is_packet(item):
                row = np.frombuffer(item.body, np.uint8).reshape(1, PACKET_BYTES)
                self._take(row, range(item.offset, item.offset + 1))
            else:
                self._odd.append(OddPiece(self._packets, item))

    def _take(self, rows: Rows, offsets: range) -> None:
        self._rows.append(rows)
        self._offsets.append(offsets)
        self._packets += len(rows)

    def build(self, next_header: Header | None) -> Section:
        alone = len(self._rows) == 1  # one run of packets stays a view of the stream
        return Section(
            data=self._data,
            offset=self._offset,
            size=self._size,
            opening=self._opening,
            header=self.header,
            rows=self._rows[0] if alone else np.concatenate([_NO_ROWS, *self._rows]),
            offsets=self._offsets[0] if alone else _joined(self._offsets),
            odd=tuple(self._odd),
            realtime=self._realtime,
            rubble=self._rubble,
            next_header=next_header,
        )

    def _count_realtime(self, found: Iterable[tuple[int, int]]) -> None:
        for offset, byte in found:
            self._realtime.setdefault(byte, Tally()).add(offset, self._packets)


def _joined(runs: Iterable[range]) -> NDArray[np.int64]:
    each = (np.arange(run.start, run.stop, run.step, dtype=np.int64) for run in runs)
    return np.concatenate([np.empty(0, np.int64), *each])


def _header(piece: Piece | None) -> Header | None:
    if piece is None or piece.kind is not PieceKind.EXCLUSIVE:
        return None
    message = decode(piece.body)
    return message if isinstance(message, DumpHeader | ExtendedHeader) else None
