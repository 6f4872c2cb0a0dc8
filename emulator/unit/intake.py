"""The unit's input: what arrives while it is at work waits in a buffer, and what does not fit is lost.

Theory of operation.  A message that is being received and messages that wait to be worked on share the
buffer.  Bytes come 320 us apart and are told of together when the last is there; where the unit finished
a piece of work in between, the bytes before that instant found the buffer fuller than those after it.
"""

from collections import deque
from typing import Final

from emulator.unit.traits import InputTraits
from emulator.wire.constants import BYTE_NS
from emulator.wire.splitter import Piece, Splitter


class Intake:
    """Takes bytes and keeps whole pieces in `waiting` until somebody takes them out."""

    def __init__(self, traits: InputTraits) -> None:
        self._size: Final = traits.buffer_bytes
        self._drop_every: Final = traits.drop_every_byte
        self._splitter: Final = Splitter(limit=traits.buffer_bytes)
        self.waiting: Final[deque[Piece]] = deque()
        self._waiting_bytes = 0
        self._arrived_ns = -1  # when bytes last came
        self._freed_ns = 0  # when a piece was last taken out of a buffer in use
        self._held_before = 0  # bytes held just before that
        self._count = 0  # bytes that ever arrived

    def single(self, data: bytes) -> Piece | None:
        """Return the piece that `data` is where it is one and nothing stands in its way.

        The short way past the buffer for a unit that is idle; None means nothing was taken.
        """
        if self.waiting or self._drop_every or len(data) > self._size:
            return None
        self._held_before = 0
        return self._splitter.whole(data)

    def take(self, data: bytes, now_ns: int) -> int:
        """Take bytes of which the last arrived at `now_ns`; return how many were lost."""
        self._arrived_ns = now_ns
        arrived = len(data)
        if self._drop_every:
            data = self._dropped(data)
        room = self._size - self._waiting_bytes - self._splitter.held
        if self._held_before or arrived > room:
            data = self._fitting(data, room, now_ns)
        for piece in self._splitter.feed(data):
            self.waiting.append(piece)
            self._waiting_bytes += len(piece.raw)
        return arrived - len(data)

    def next_piece(self, now_ns: int) -> Piece:
        """Take out the piece that waits longest; IndexError where none does."""
        piece = self.waiting.popleft()
        if self._arrived_ns != now_ns:  # it waited, and its bytes stood in others' way
            self._held_before = self._waiting_bytes + self._splitter.held
            self._freed_ns = now_ns
        self._waiting_bytes -= len(piece.raw)
        return piece

    def _fitting(self, data: bytes, room: int, now_ns: int) -> bytes:
        """Return the bytes that find room: those before a piece was taken out found less of it."""
        since = (now_ns - self._freed_ns) // BYTE_NS
        early = min(max(len(data) - since, 0), len(data))
        room_before = max(self._size - self._held_before, 0)
        self._held_before = 0  # whatever comes later finds the buffer as it is
        return (data[: min(early, room_before)] + data[early:])[: max(room, 0)]

    def _dropped(self, data: bytes) -> bytes:
        first = self._count + 1
        self._count += len(data)
        return bytes(byte for index, byte in enumerate(data, first) if index % self._drop_every)
