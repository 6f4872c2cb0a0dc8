"""One direction of a MIDI line: 31,250 baud, byte-exact (M1 p. 1).

Theory of operation.  A message takes 320,000 ns a byte and leaves when its last byte has.  What
arrives is delivered in stretches: a stretch ends where an endpoint may have to act (at the F7 of an
exclusive message, at the status byte that cuts one short, be it the F0 of the next) and where bytes
do not follow one another without a gap.  An undisturbed message is one stretch, delivered when its
F7 is there, which no state machine that acts on whole messages can tell from a byte-by-byte
delivery.
"""

from collections import deque
from collections.abc import Iterator, Sequence
from itertools import zip_longest
from typing import Final

from emulator.dump.capture import Direction
from emulator.line.disturbance import CutLine, Disturbance, TimedByte, disturb
from emulator.wire.constants import BYTE_NS, END, FIRST_REALTIME, START


class Cable:
    """Carries messages one way; `arrivals` are (instant of the last byte, bytes), in order."""

    def __init__(
        self,
        direction: Direction,
        disturbances: Sequence[Disturbance] = (),
        *,
        byte_ns: int = BYTE_NS,
    ) -> None:
        self.direction: Final = direction
        self.arrivals: deque[tuple[int, bytes]] = deque()
        self.free_ns = 0
        self._byte_ns: Final = byte_ns
        self._sent = 0  # counted on a line with disturbances only
        self._is_open = False  # an exclusive message has begun to arrive and not ended
        self._cuts = [each for each in disturbances if isinstance(each, CutLine)]
        self._by_message: dict[int, list[Disturbance]] = {}
        for each in disturbances:
            if not isinstance(each, CutLine):
                self._by_message.setdefault(each.message, []).append(each)
        self._is_plain: Final = not disturbances

    def send(self, message: bytes, now_ns: int) -> int:
        """Take a message at `now_ns` or when the wire is free; return when its last byte leaves."""
        start_ns = now_ns if now_ns > self.free_ns else self.free_ns
        left_ns = start_ns + len(message) * self._byte_ns
        disturbances = () if self._is_plain else self._next_disturbances()
        if (
            not (disturbances or self._is_open)
            and message[-1] == END
            and message[1:-1].isascii()  # broken ones are sent too, as they are
        ):
            self.arrivals.append((left_ns, message))
            self.free_ns = left_ns
            return left_ns
        timed = self._disturbed(self._timed(message, start_ns), disturbances)
        self.arrivals.extend(self._stretches(timed))
        self.free_ns = max(left_ns, timed[-1].at_ns if timed else 0)
        return left_ns

    def _next_disturbances(self) -> Sequence[Disturbance]:
        self._sent += 1
        return (*self._by_message.get(self._sent - 1, ()), *self._cuts)

    def _timed(self, message: bytes, start_ns: int) -> list[TimedByte]:
        return [
            TimedByte(start_ns + (index + 1) * self._byte_ns, value)
            for index, value in enumerate(message)
        ]

    def _disturbed(
        self, timed: list[TimedByte], disturbances: Sequence[Disturbance]
    ) -> list[TimedByte]:
        for disturbance in disturbances:
            timed = disturb(timed, disturbance, self._byte_ns)
        return timed

    def _stretches(self, timed: Sequence[TimedByte]) -> Iterator[tuple[int, bytes]]:
        current = bytearray()
        for this, following in zip_longest(timed, timed[1:]):
            current.append(this.value)
            acts = False
            if 0x80 <= this.value < FIRST_REALTIME:
                acts = self._is_open
                self._is_open = this.value == START
            if acts or following is None or following.at_ns != this.at_ns + self._byte_ns:
                yield this.at_ns, bytes(current)
                current.clear()
