"""Two ports in one process, joined crosswise: what one sends the other receives, byte for byte."""

from collections import deque
from collections.abc import Sequence
from typing import Final

from dryload.emulator.ports.attention import Attention
from dryload.emulator.ports.clock import Clock
from dryload.emulator.ports.port import Abilities, Arrival, PortError, Truncated, closed

_POLL_NS: Final = 200_000  # how long one end sleeps before it looks again
_LIMIT: Final = 1 << 16  # messages that may wait

_ABILITIES: Final = Abilities(
    truncated=Truncated.AT_ONCE,
    resolution_ns=1_000,
    holds_back=False,
)


class LoopbackPort:
    """One end; `loopback` makes both.  The ends may be used from two threads."""

    abilities: Final = _ABILITIES

    def __init__(self, name: str, clock: Clock) -> None:
        self.name: Final = name
        self.clock: Final = clock
        self._other = self
        self._incoming: Final[deque[tuple[int, bytes]]] = deque()
        self._is_closed = False

    def join(self, other: "LoopbackPort") -> None:
        """Make `other` the far end of this one and this one the far end of it."""
        self._other, other._other = other, self

    def send(self, message: bytes) -> None:
        """Send bytes to the other end."""
        self._check()
        if self._other._is_closed:
            raise self._lonely()
        if len(self._other._incoming) >= _LIMIT:
            raise PortError(
                f"{self.name}: {_LIMIT} messages wait at the other end and nobody reads them.",
                "See that somebody does.",
            )
        self._other._incoming.append((self.clock.now_ns(), message))

    def receive(self, timeout_ns: int, attention: Attention | None = None) -> Sequence[Arrival]:
        """Return what has arrived."""
        self._check()
        until_ns = self.clock.now_ns() + timeout_ns
        while True:
            if self._incoming:
                return self._take()
            if self._other._is_closed:
                raise self._lonely()
            left_ns = until_ns - self.clock.now_ns()
            if left_ns <= 0:
                return ()
            self.clock.sleep_ns(min(left_ns, _POLL_NS))

    def close(self) -> None:
        """Close this end; the other learns of it."""
        self._is_closed = True

    def _take(self) -> list[Arrival]:
        arrivals = []
        for _ in range(len(self._incoming)):
            at_ns, data = self._incoming.popleft()
            arrivals.append(Arrival(at_ns, data, at_ns))
        return arrivals

    def _check(self) -> None:
        if self._is_closed:
            raise closed(self.name)

    def _lonely(self) -> PortError:
        return PortError(f"{self.name}: the other end has been closed.", "Make a new pair.")


def loopback(clock: Clock) -> tuple[LoopbackPort, LoopbackPort]:
    """Return two joined ports."""
    here, there = LoopbackPort("loopback A", clock), LoopbackPort("loopback B", clock)
    here.join(there)
    return here, there
