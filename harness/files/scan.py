"""From a whole byte stream to packets in bulk and pieces for everything else, losing no byte.

Theory of operation.  A dump consists almost entirely of consecutive data packets.  Those are found
in bulk, and a header right in front of them at once; only what else is between them goes through
the splitter, piece by piece.  The bytes of all items, joined, are the stream, and the items are
what the splitter alone would have found: a well-framed packet is always a piece of its own, because
its F0 ends anything open (FRM-02).

A stream may not be a dump at all: noise, or 200 MB of one byte.  So odd bytes are examined piece by
piece up to a budget that every header renews, and beyond it counted as `Rubble`, up to the next
packet or header.  Packets are never part of rubble.
"""

import re
from collections.abc import Iterator
from mmap import mmap
from typing import Final

import numpy as np
from msgspec import Struct

from dryload.emulator.wire.codec import kind_of
from dryload.emulator.wire.constants import PACKET_BYTES
from dryload.emulator.wire.messages import DataPacket, DumpHeader, ExtendedHeader
from dryload.emulator.wire.packets import Rows, leading_packets
from dryload.emulator.wire.splitter import Piece, PieceKind, Splitter

Stream = bytes | mmap

DETAIL: Final = 4 << 20
"""Bytes of odd pieces between two headers that are looked at one by one."""
_PIECE_COST: Final = 100  # bytes that a piece costs beside its own
_REALTIME_COST: Final = 16
_LONGEST: Final = 1 << 20  # of one odd piece; the longest message of the standard has 264 bytes
_CHUNK: Final = 1 << 16

_PACKET: Final = re.compile(rb"\xf0\x7e[\x00-\x7f]\x02[\x00-\x7f]{122}\xf7")  # PKT-01
_PLAIN_HEADER: Final = re.compile(
    rb"\xf0\x7e[\x00-\x7f](?:\x01[\x00-\x7f]{16}|\x05\x05[\x00-\x7f]{28})\xf7"
)  # M1 p. 37, CA-019 p. 2
_SHORT_RUN: Final = 8  # packets that are found one by one sooner than in bulk
# A header or packet with real-time bytes anywhere (FRM-03) and nothing else amiss.
_R: Final = rb"[\xf8-\xff]*"
_FRONT: Final = rb"\xf0" + _R + rb"\x7e" + _R + rb"[\x00-\x7f]" + _R
_WHOLE_HEADER: Final = (
    rb"\x01(?:" + _R + rb"[\x00-\x7f]){16}" + _R + rb"\xf7"
    + rb"|\x05" + _R + rb"\x05(?:" + _R + rb"[\x00-\x7f]){28}" + _R + rb"\xf7"
)  # fmt: skip
_WHOLE_PACKET: Final = rb"\x02(?:" + _R + rb"[\x00-\x7f]){122}" + _R + rb"\xf7"
HEADER: Final = re.compile(_FRONT + rb"(?:" + _WHOLE_HEADER + rb")")
"""A whole header, real-time bytes in it included."""
_ANCHOR: Final = re.compile(_FRONT + rb"(?:" + _WHOLE_HEADER + rb"|" + _WHOLE_PACKET + rb")")
# A damaged header is told from a damaged packet by its length: 21 or 34 bytes, give or take a few.
_HEADER_LENGTHS: Final = {DumpHeader: range(15, 28), ExtendedHeader: range(28, 41)}
_RESET: Final = b"\xf0\x7e"  # ends whatever a splitter holds, as the next packet does


class PacketRun(Struct, frozen=True, eq=False):
    """Well-framed data packets back to back, without real-time bytes inside."""

    offset: int
    rows: Rows
    """A view of the stream, shape (packets, 127)."""

    @property
    def size(self) -> int:
        """Bytes of the stream."""
        return PACKET_BYTES * len(self.rows)


class Rubble(Struct, frozen=True):
    """Bytes beyond the budget, not looked at; no whole header and no whole packet is in them."""

    offset: int
    size: int


Item = PacketRun | Piece | Rubble


def size_of(item: Item) -> int:
    """Return how many bytes of the stream an item covers."""
    return len(item.raw) if isinstance(item, Piece) else item.size


def is_packet(piece: Piece) -> bool:
    """Return whether a piece is a whole data packet, real-time bytes in it set aside (FRM-03)."""
    return (
        piece.kind is PieceKind.EXCLUSIVE
        and len(piece.body) == PACKET_BYTES
        and kind_of(piece.body) is DataPacket
    )


def opens_dump(piece: Piece) -> bool:
    """Return whether a piece is a dump header, whole or damaged."""
    if piece.kind not in (PieceKind.EXCLUSIVE, PieceKind.CUT):
        return False
    kind = kind_of(piece.body)
    return kind in _HEADER_LENGTHS and len(piece.body) in _HEADER_LENGTHS[kind]


def scan(data: Stream, *, detail: int = DETAIL) -> Iterator[Item]:
    """Yield what is in a stream, in order; `detail` is the budget for odd bytes."""
    return _Scanner(data, detail).items()


class _Scanner:
    def __init__(self, data: Stream, detail: int) -> None:
        self._data = data
        self._buffer = np.frombuffer(data, np.uint8)
        self._detail = detail
        self._left = detail

    def items(self) -> Iterator[Item]:
        position = 0
        while position < len(self._data):
            if count := self._packets_at(position):
                end = position + PACKET_BYTES * count
                rows = self._buffer[position:end].reshape(count, PACKET_BYTES)
                yield PacketRun(position, rows)
                position = end
                continue
            if header := _PLAIN_HEADER.match(self._data, position):
                self._left = self._detail
                body = header.group()
                yield Piece(PieceKind.EXCLUSIVE, position, body, body)
                position = header.end()
                continue
            found = _PACKET.search(self._data, position)
            end = found.start() if found else len(self._data)
            yield from self._between(position, end)
            position = end

    def _packets_at(self, position: int) -> int:
        for count in range(_SHORT_RUN):
            if _PACKET.match(self._data, position + count * PACKET_BYTES) is None:
                return count
        return leading_packets(self._buffer[position:])

    def _between(self, start: int, end: int) -> Iterator[Item]:
        """Yield what stands before `end`, where a packet begins or the stream ends."""
        while start < end:
            if self._left >= 0:
                for piece in self._pieces(start, end):
                    self._pay(piece)
                    if self._left < 0:
                        break
                    yield piece
                    start += len(piece.raw)
                else:
                    return
            anchor = _ANCHOR.search(self._data, start, end)
            stop = anchor.start() if anchor else end
            if stop > start:
                yield Rubble(start, stop - start)
            if anchor is None:
                return
            start = anchor.end()
            for piece in Splitter().feed(anchor.group()):
                self._pay(piece)
                yield piece.moved(stop)

    def _pieces(self, start: int, end: int) -> Iterator[Piece]:
        splitter = Splitter(limit=_LONGEST)
        told = start
        for at in range(start, end, _CHUNK):
            for piece in splitter.feed(self._data[at : min(at + _CHUNK, end)]):
                told += len(piece.raw)
                yield piece.moved(start)
        if told < end:
            last = splitter.feed(_RESET) if end < len(self._data) else splitter.flush()
            for piece in last:
                yield piece.moved(start)

    def _pay(self, piece: Piece) -> None:
        if opens_dump(piece):
            self._left = self._detail
        elif piece.kind is PieceKind.REALTIME:
            self._left -= _REALTIME_COST
        elif not is_packet(piece):
            self._left -= _PIECE_COST + len(piece.raw)
