"""When the last byte of a message leaves a line that hides behind a queueing interface.

Theory of operation.  A host's `send` returns long before the last bit is out: the interface queues,
and behind it the five-pin line takes 320 us a byte (M1 p. 1).  A reply limit that began at the call
would always be too short (TIM-05), and packets handed over without a pause would flood the
interface or, on a direct USB link, the unit.  So the pacer models the line: a message begins when
the one before has left, and the next is handed over only then.
"""

from typing import Final

from dryload.emulator.wire.constants import BYTE_NS


class Pacer:
    """Models a line of `byte_ns` a byte; 0 takes the line for infinitely quick: no pace.

    `latency_ns` is what the interface needs until a first byte is out: messages end later by it.
    """

    def __init__(self, *, byte_ns: int = BYTE_NS, latency_ns: int = 0) -> None:
        if byte_ns < 0 or latency_ns < 0:
            raise ValueError(f"no line takes {byte_ns} ns a byte and {latency_ns} ns before it")
        self.byte_ns: Final = byte_ns
        self._latency_ns: Final = latency_ns
        self.free_ns = 0
        """When everything handed over so far has left, the latency apart."""

    def sent(self, length: int, start_ns: int) -> int:
        """Take note of `length` bytes, to begin at `start_ns`; return when the last has left."""
        self.free_ns = max(start_ns, self.free_ns) + length * self.byte_ns
        return self.free_ns + self._latency_ns
