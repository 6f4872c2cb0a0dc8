"""Single bytes that a unit sends all the time: active sensing and MIDI clock (M1 pp. 30, 32)."""

from collections import deque
from collections.abc import Sequence
from typing import Final

from dryload.emulator.unit.traits import Habits
from dryload.emulator.wire.constants import ACTIVE_SENSING

_CLOCK: Final = 0xF8
_CLOCKS_PER_BEAT: Final = 24  # M1 p. 30
_SENSING_NS: Final = 270_000_000  # TIM-09: sent within 270 ms, judged at 330 (M1 p. 32)
_MINUTE_NS: Final = 60_000_000_000


class Pulse:
    """Wants a deadline for every byte; `periods` are (nanoseconds, byte), at least one."""

    def __init__(self, periods: Sequence[tuple[int, int]]) -> None:
        self._periods: Final = periods
        self._next: Final = [period_ns for period_ns, _ in periods]
        self.next_ns = min(self._next)
        """When the next byte is due."""
        self._ready: deque[bytes] = deque()

    def beat(self, now_ns: int) -> None:
        """Queue the bytes that are due; those missed while nobody asked are not made up for."""
        for index, (period_ns, byte) in enumerate(self._periods):
            if self._next[index] <= now_ns:
                self._ready.append(bytes([byte]))
                self._next[index] += ((now_ns - self._next[index]) // period_ns + 1) * period_ns
        self.next_ns = min(self._next)

    def bytes_to_send(self) -> bytes:
        """Return one byte to send now, b"" for none."""
        return self._ready.popleft() if self._ready else b""


def pulse_of(habits: Habits) -> Pulse | None:
    """Return the pulse that a unit's habits make, None where it has neither."""
    periods = []
    if habits.active_sensing:
        periods.append((_SENSING_NS, ACTIVE_SENSING))
    if habits.clock_bpm:
        periods.append((_MINUTE_NS // (habits.clock_bpm * _CLOCKS_PER_BEAT), _CLOCK))
    return Pulse(periods) if periods else None
