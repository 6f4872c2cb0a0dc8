"""From the gaps between messages that a MIDI driver reports to instants of our own clock.

Theory of operation.  The driver says of each message how long after the one before it came,
measured when it came.  We know of each that it was not there when the queue was last seen empty,
and is there now.  So the gaps give the instants up to one offset, and both bounds pin the offset
down; it is set right with every message, so that neither a slow drift between the clocks nor one
wrong gap lasts.  A process that was held up for a second still learns when the messages of that
second came.
"""

from dryload.emulator.ports.port import Arrival


class ArrivalTimes:
    """Turns gaps into arrivals; tell it whenever the queue was seen empty."""

    def __init__(self, now_ns: int) -> None:
        self._latest_ns: int | None = None  # of the arrivals so far; the first has no gap
        self._since_ns = now_ns  # before this the next one was not here
        self._is_first = True  # of those found since the queue was empty

    def empty(self, now_ns: int) -> None:
        """The queue was found empty by a look that began at `now_ns`."""
        self._since_ns = now_ns
        self._is_first = True

    def arrived(self, data: bytes, gap_ns: int, now_ns: int) -> Arrival:
        """Return the arrival of what is found at `now_ns`, `gap_ns` after the one before."""
        gap_ns = max(gap_ns, 0)
        if not self._is_first:
            self._since_ns = min(self._since_ns + gap_ns, now_ns)
        self._is_first = False
        guess_ns = now_ns if self._latest_ns is None else self._latest_ns + gap_ns
        at_ns = min(max(guess_ns, self._since_ns), now_ns)
        self._latest_ns = at_ns
        return Arrival(at_ns, data, self._since_ns)
