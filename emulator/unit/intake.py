"""The unit's input: what arrives while it is at work waits in a buffer; what does not fit is lost.

Theory of operation.  A message that is being received and messages that wait to be worked on share
the buffer; a message that fills it alone will never be whole and is cut short there.  Bytes come
320 us apart and are told of together when the last is there: where the unit took a piece out in
between, the bytes up to that instant found the buffer fuller than those after it.  Which bytes are
lost comes out as if each had been told of by itself.  What becomes of a message that loses its end
here, or to a poor input, is decided when the next message is there and not at the first byte of it.
"""

from collections import deque
from typing import Final

from dryload.emulator.unit.traits import InputTraits
from dryload.emulator.wire.constants import BYTE_NS, PACKET_BYTES
from dryload.emulator.wire.splitter import Piece, Splitter


class Intake:
    """Takes bytes and keeps whole pieces in `waiting` until somebody takes them out."""

    def __init__(self, traits: InputTraits) -> None:
        self._size: Final = traits.buffer_bytes
        self._drop_every: Final = traits.drop_every_byte
        self._splitter: Final = Splitter(limit=traits.buffer_bytes - 1)
        self.waiting: Final[deque[Piece]] = deque()
        self._waiting_bytes = 0
        self._arrived_ns = -1  # when bytes last came
        self._freed: Final[list[tuple[int, int]]] = []  # since then: (instant, bytes taken out)
        self._count = 0  # bytes that ever arrived

    def single(self, data: bytes) -> Piece | None:
        """Return the piece that `data` is where it is one and nothing stands in its way.

        The short way past the buffer for a unit that is idle; None means nothing was taken.
        """
        if self.waiting or self._freed or self._drop_every or len(data) > self._size:
            return None
        return self._splitter.whole(data)

    @property
    def is_free(self) -> bool:
        """Whether nothing stands in the way of the next message, of any size."""
        is_empty = not (self.waiting or self._freed or self._drop_every)
        return is_empty and self._splitter.is_free and self._size >= PACKET_BYTES

    def take(self, data: bytes, now_ns: int, busy_until_ns: int) -> int:
        """Take bytes of which the last arrived at `now_ns`; return how many were lost.

        The unit is, or was, at work until `busy_until_ns`; what comes later it takes out at once.
        """
        self._arrived_ns = now_ns
        if not self._freed and busy_until_ns <= now_ns - len(data) * BYTE_NS:
            return len(data) - self._flow(data)  # it was idle all the time
        arrived, kept = len(data), 0
        later = sum(size for _, size in self._freed)  # bytes that were not yet taken out
        for instant_ns, size in self._freed:
            early, data = _parted(data, now_ns, instant_ns)
            kept += self._fill(early, later)
            later -= size
        self._freed.clear()
        early, data = _parted(data, now_ns, busy_until_ns)
        return arrived - kept - self._fill(early, 0) - self._flow(data)

    def next_piece(self, now_ns: int) -> Piece:
        """Take out the piece that waits longest; IndexError where none does."""
        piece = self.waiting.popleft()
        size = len(piece.raw)
        self._waiting_bytes -= size
        if self._arrived_ns != now_ns:  # it waited, and its bytes stood in others' way
            self._freed.append((now_ns, size))
        return piece

    def _fill(self, data: bytes, others: int) -> int:
        """Take what finds room beside `others` bytes, at a unit at work; return how many bytes."""
        if self._drop_every:
            data = self._dropped(data)
        room = self._size - self._waiting_bytes - self._splitter.held - others
        data = data[: max(room, 0)]
        self._feed(data)
        return len(data)

    def _flow(self, data: bytes) -> int:
        """Take bytes at an idle unit, which takes each piece out at once; return how many."""
        if self._drop_every:
            data = self._dropped(data)
        start = 0
        while start < len(data):  # the limit of the splitter looks at the end of what it is fed
            end = start + self._size - self._splitter.held
            self._feed(data[start:end])
            start = end
        return len(data)

    def _feed(self, data: bytes) -> None:
        for piece in self._splitter.feed(data):
            self.waiting.append(piece)
            self._waiting_bytes += len(piece.raw)

    def _dropped(self, data: bytes) -> bytes:
        first = self._count + 1
        self._count += len(data)
        return bytes(byte for index, byte in enumerate(data, first) if index % self._drop_every)


def _parted(data: bytes, now_ns: int, instant_ns: int) -> tuple[bytes, bytes]:
    """Return the bytes that arrived up to `instant_ns` and those after it, the last at `now_ns`."""
    after = -(-(now_ns - instant_ns) // BYTE_NS)
    first = max(len(data) - after, 0)
    return data[:first], data[first:]
