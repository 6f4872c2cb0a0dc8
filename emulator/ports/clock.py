"""The only clock of the project: everything else is told the time."""

import time
from typing import Final, Protocol


class Clock(Protocol):
    """Tells the time in nanoseconds that never run backwards, and lets it pass."""

    def now_ns(self) -> int:
        """Return the time."""
        ...

    def sleep_ns(self, duration_ns: int) -> None:
        """Return when `duration_ns` have passed, or a little later; at once for 0 and less."""
        ...


class MonotonicClock:
    """Nanoseconds since it was made."""

    def __init__(self) -> None:
        self._start_ns: Final = time.monotonic_ns()

    def now_ns(self) -> int:
        """Return the time."""
        return time.monotonic_ns() - self._start_ns

    def sleep_ns(self, duration_ns: int) -> None:
        """Sleep."""
        if duration_ns > 0:
            time.sleep(duration_ns / 1_000_000_000)
