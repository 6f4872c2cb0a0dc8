"""From a stream of MIDI bytes to pieces, losing none of them.

Theory of operation.  Every byte of the input belongs to exactly one piece, pieces come in the order
in which they begin, and joining their `raw` bytes gives the input again, whatever chunks it came
in: the pieces of the whole are the pieces of its parts.  Real-time bytes belong to no message
(FRM-03); those that arrive while a piece is open stay in its `raw` and are listed, and `body` is
what is left without them.  Any other status byte ends an open message (FRM-02) and is no part of
it.
"""

import re
from collections.abc import Iterator, Sequence
from enum import Enum, auto
from typing import Final, NamedTuple

from dryload.emulator.wire.constants import END, FIRST_REALTIME, START


class PieceKind(Enum):
    """What a piece is."""

    EXCLUSIVE = auto()
    """A System Exclusive message from F0 to F7."""
    CUT = auto()
    """A System Exclusive message without its F7: another status byte or the end came first."""
    SHORT = auto()
    """A channel or system common message with its data bytes, or a lone F7."""
    REALTIME = auto()
    """One real-time byte outside any other piece."""
    STRAY = auto()
    """Data bytes that no status byte announced (FRM-07)."""


class Piece(NamedTuple):
    """One thing found in the stream; `offset` counts bytes of the stream from 0."""

    kind: PieceKind
    offset: int
    raw: bytes
    body: bytes
    """`raw` without real-time bytes."""
    realtime: tuple[tuple[int, int], ...] = ()
    """Real-time bytes inside: (offset in the stream, byte)."""
    ended_by: int | None = None
    """The status byte that cut a message short; None at the end of the stream."""

    def moved(self, by: int) -> "Piece":
        """Return the same piece `by` bytes further on in the stream."""
        if not by:
            return self
        realtime = tuple((offset + by, byte) for offset, byte in self.realtime)
        return self._replace(offset=self.offset + by, realtime=realtime)


# Members used for every byte of a slow line: reading one from its class costs more.
_EXCLUSIVE: Final = PieceKind.EXCLUSIVE
_CUT: Final = PieceKind.CUT
_STRAY: Final = PieceKind.STRAY
_SHORT: Final = PieceKind.SHORT
_PART: Final = 1 << 16  # bytes of a stream that are taken apart at a time
_STATUS = re.compile(rb"\xf0[\x00-\x7f]++\xf7|\xf0+|[\x80-\xef\xf1-\xf7]")
"""A whole exclusive message, a run of F0, or any other status byte."""
_REALTIME = re.compile(rb"[\xf8-\xff]")
# Data bytes of short messages (M1 tables I and VII): by high nibble, and for system common by byte.
_CHANNEL_DATA: Final = {0x8: 2, 0x9: 2, 0xA: 2, 0xB: 2, 0xC: 1, 0xD: 1, 0xE: 2}
_COMMON_DATA: Final = {0xF1: 1, 0xF2: 2, 0xF3: 1}


def data_bytes(status: int) -> int:
    """Return how many data bytes follow a status byte below F8 (M1 tables I and VII)."""
    return _CHANNEL_DATA.get(status >> 4, _COMMON_DATA.get(status, 0))


class Splitter:
    """Cuts a stream into pieces; `limit` bounds the bytes held of one that never ends."""

    def __init__(self, *, limit: int | None = None) -> None:
        self._limit = limit
        self._offset = 0  # of the first byte of the open piece, or of the next byte
        self._open: PieceKind | None = None
        self._held = bytearray()
        self._missing = 0  # data bytes that the open short message still wants
        self._running: int | None = None  # status that data bytes may use again (M1 p. A-2)
        self._out: list[Piece] = []

    @property
    def held(self) -> int:
        """Bytes of a piece that has begun and not ended."""
        return len(self._held)

    @property
    def is_free(self) -> bool:
        """Whether nothing is open: what comes next begins a piece."""
        return self._open is None

    def whole(self, data: bytes) -> Piece | None:
        """Return `data` as a piece where it is one whole exclusive message and nothing is open.

        None means that nothing was taken: the short way for what both ends of a transfer send.
        """
        if (
            self._open is None
            and len(data) > 1
            and data[0] == START
            and data[-1] == END
            and data[1:-1].isascii()
        ):
            piece = Piece(_EXCLUSIVE, self._offset, data, data)
            self._offset += len(data)
            self._running = None
            return piece
        return None

    def feed(self, data: bytes) -> Sequence[Piece]:
        """Return the pieces that `data` completes."""
        if self._open is None and (piece := self.whole(data)) is not None:
            return (piece,)
        self._out = []
        if data.isascii():  # one byte of a slow message after another comes by here
            self._absorb(data)
        else:
            position = 0
            for found in _STATUS.finditer(data):
                if position < found.start():
                    self._absorb(data[position : found.start()])
                self._message(found.group())
                position = found.end()
            self._absorb(data[position:])
        if self._limit is not None and len(self._held) > self._limit:
            self._close()
        return self._out

    def flush(self) -> Sequence[Piece]:
        """Return what was begun and not ended: the stream is over."""
        self._out = []
        self._close()
        return self._out

    def _absorb(self, data: bytes) -> None:
        """Take data and real-time bytes."""
        if not data:
            return
        if self._open is _CUT or self._open is _STRAY:
            self._close_starts()
            self._held += data
            return
        for index, byte in enumerate(data):
            if byte >= FIRST_REALTIME and self._open is None:
                self._emit(PieceKind.REALTIME, bytes([byte]))
            elif byte >= FIRST_REALTIME or self._open is _SHORT:
                self._held.append(byte)
                self._missing -= byte < FIRST_REALTIME
                if self._missing == 0:
                    self._close()
            elif self._running is not None:
                self._begin(PieceKind.SHORT, bytes([byte]), data_bytes(self._running) - 1)
            else:
                self._begin(PieceKind.STRAY, data[index:])
                return

    def _message(self, found: bytes) -> None:
        """Take a whole exclusive message or a status byte."""
        if self._open is None and (piece := self.whole(found)) is not None:
            self._out.append(piece)
        elif found[-1] == END and len(found) > 1:
            self._status(found[:1])
            self._absorb(found[1:-1])
            self._status(found[-1:])
        else:
            self._status(found)

    def _status(self, status: bytes) -> None:
        """Take one status byte that is not real-time, or a run of F0."""
        byte = status[0]
        if byte == START:
            if not (self._open is _CUT and self._held[-1] == START):
                self._close(byte)
                self._open = _CUT
            self._held += status
            self._running = None
        elif byte == END and self._open is _CUT:
            self._close_starts()
            self._held += status
            self._open = _EXCLUSIVE
            self._close()
        else:
            self._close(byte)
            self._running = byte if byte < START else None
            self._begin(PieceKind.SHORT, status, data_bytes(byte))

    def _begin(self, kind: PieceKind, data: bytes, missing: int = -1) -> None:
        self._open = kind
        self._held += data
        self._missing = missing
        if missing == 0:
            self._close()

    def _close_starts(self) -> None:
        """End all but the last of a run of F0: each was ended by the next (FRM-02)."""
        if len(self._held) > 1 and self._held[0] == self._held[1] == START:
            self._emit(PieceKind.CUT, bytes(self._held[:-1]), START)
            del self._held[:-1]

    def _close(self, ended_by: int | None = None) -> None:
        self._close_starts()
        if self._open is not None:
            cut_by = ended_by if self._open is _CUT else None
            self._emit(self._open, bytes(self._held), cut_by)
        self._open = None
        self._held.clear()

    def _emit(self, kind: PieceKind, raw: bytes, ended_by: int | None = None) -> None:
        body = raw
        realtime: tuple[tuple[int, int], ...] = ()
        if kind is not PieceKind.REALTIME and _REALTIME.search(raw):
            body = _REALTIME.sub(b"", raw)
            realtime = tuple(
                (self._offset + found.start(), raw[found.start()])
                for found in _REALTIME.finditer(raw)
            )
        self._out.append(Piece(kind, self._offset, raw, body, realtime, ended_by))
        self._offset += len(raw)


def split(data: bytes) -> list[Piece]:
    """Return all pieces of a whole stream."""
    return list(pieces_of(data))


def pieces_of(data: bytes) -> Iterator[Piece]:
    """Yield the pieces of a whole stream, few of them in memory at a time."""
    splitter = Splitter()
    for start in range(0, len(data), _PART):
        yield from splitter.feed(data[start : start + _PART])
    yield from splitter.flush()
