"""One direction of a MIDI line: 31,250 baud, byte-exact (M1 p. 1).

Theory of operation.  A message takes 320,000 ns a byte and leaves when its last byte has.  What arrives is
delivered in stretches: a stretch ends where an endpoint may have to act (after F7, after a status byte that
cuts a message short) and where bytes do not follow one another without a gap.  An undisturbed message is
one stretch, delivered when its F7 is there, which no state machine that acts on whole messages can tell
from a byte-by-byte delivery.
"""

from collections import deque
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from emulator.dump.capture import Direction
from emulator.line.disturbance import CutLine, Disturbance, TimedByte, disturb
from emulator.wire.constants import BYTE_NS, FIRST_REALTIME, START


class Cable:
    """Carries messages one way; `arrivals` holds (instant of the last byte, bytes), earliest first."""

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
        self.busy_ns = 0
        """Time in which bytes were on the wire."""
        self._byte_ns: Final = byte_ns
        self._sent = 0
        self._cut_ns = [each.at_ns for each in disturbances if isinstance(each, CutLine)]
        self._by_message: dict[int, list[Disturbance]] = {}
        for each in disturbances:
            if not isinstance(each, CutLine):
                self._by_message.setdefault(each.message, []).append(each)

    def send(self, message: bytes, now_ns: int) -> int:
        """Take a message at `now_ns` or when the wire is free; return when its last byte has left."""
        start_ns = now_ns if now_ns > self.free_ns else self.free_ns
        took_ns = len(message) * self._byte_ns
        left_ns = start_ns + took_ns
        self.busy_ns += took_ns
        disturbances = self._by_message.get(self._sent) if self._by_message else None
        self._sent += 1
        if disturbances is None and not self._cut_ns:
            self.arrivals.append((left_ns, message))
            self.free_ns = left_ns
            return left_ns
        timed = [
            TimedByte(start_ns + (index + 1) * self._byte_ns, value)
            for index, value in enumerate(message)
        ]
        for disturbance in disturbances or ():
            timed = disturb(timed, disturbance, self._byte_ns)
        for cut_ns in self._cut_ns:
            timed = [each for each in timed if each.at_ns < cut_ns]
        self.arrivals.extend(_stretches(timed, self._byte_ns))
        self.free_ns = max(left_ns, timed[-1].at_ns if timed else 0)
        return left_ns


def _stretches(timed: Sequence[TimedByte], byte_ns: int) -> list[tuple[int, bytes]]:
    stretches = []
    current = bytearray()
    for this, following in pairwise([*timed, None]):
        assert this is not None
        current.append(this.value)
        acts = START < this.value < FIRST_REALTIME
        if (
            following is None
            or acts
            or 0x80 <= following.value < FIRST_REALTIME
            or following.at_ns != this.at_ns + byte_ns
        ):
            stretches.append((this.at_ns, bytes(current)))
            current.clear()
    return stretches
