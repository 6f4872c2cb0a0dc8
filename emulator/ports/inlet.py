"""What has come through a port and waits for its instant."""

from collections import deque
from collections.abc import Iterator
from typing import Final

from emulator.dump.capture import Direction
from emulator.line.cable import Cable
from emulator.line.simulate import NEVER
from emulator.ports.lateness import Lateness
from emulator.ports.port import Arrival, Port

_BYTES: Final = 1 << 20  # that may wait: more than five minutes of the line
_BYTES_AHEAD: Final = 1 << 12  # that are taken from a peer who can wait
_ARRIVALS: Final = 1 << 16
_ROUNDS: Final = 64  # to empty a port that somebody floods


class Inlet:
    """Empties `port`; with `byte_ns` its bytes come as over a line of that, otherwise at once.

    Where that line is behind what the port gives, bytes wait here.  When there are many, the peer
    has to wait if the port can do that, and what comes is lost if not: `lateness` counts it.
    """

    def __init__(
        self, port: Port, direction: Direction, *, byte_ns: int, lateness: Lateness
    ) -> None:
        self._port: Final = port
        self._cable: Final = Cable(direction, byte_ns=byte_ns) if byte_ns else None
        self._lateness: Final = lateness
        self._waiting: Final[deque[Arrival]] = deque()
        self._bytes = 0
        self.drop()

    @property
    def next_ns(self) -> int:
        """When the next bytes are here, NEVER where none wait."""
        return self._waiting[0].at_ns if self._waiting else NEVER

    @property
    def since_ns(self) -> int:
        """From when on the next bytes may have been here, NEVER where none wait."""
        return self._waiting[0].since_ns if self._waiting else NEVER

    def fill(self, timeout_ns: int) -> None:
        """Take what the port has, waiting at most `timeout_ns`; PortError where it has gone."""
        holds_back = self._port.abilities.holds_back
        if holds_back and self._is_full:
            self._port.clock.sleep_ns(timeout_ns)
            return
        for arrival in self._port.receive(timeout_ns):
            if self._is_full and not holds_back:
                self._lateness.lost_bytes += len(arrival.data)
            elif arrival.data:
                self._keep(arrival)

    @property
    def _is_full(self) -> bool:
        limit = _BYTES_AHEAD if self._port.abilities.holds_back else _BYTES
        return self._bytes >= limit or len(self._waiting) >= _ARRIVALS

    def due(self, now_ns: int) -> Iterator[Arrival]:
        """Take out what is here at `now_ns`."""
        while self._waiting and self._waiting[0].at_ns <= now_ns:
            yield self._pop()

    def doubtful(self, now_ns: int) -> Iterator[Arrival]:
        """Take out what is known to be here only later, but may have been here at `now_ns`."""
        while self._waiting and self._waiting[0].since_ns <= now_ns:
            arrival = self._pop()
            self._lateness.doubtful += len(arrival.data)
            yield arrival

    def drop(self) -> None:
        """Throw away everything that has come so far."""
        for _ in range(_ROUNDS):
            if not self._port.receive(0):
                break
        self._waiting.clear()
        self._bytes = 0

    def _keep(self, arrival: Arrival) -> None:
        self._bytes += len(arrival.data)
        if self._cable is None:
            self._waiting.append(arrival)
            return
        # What the port itself took is no part of the line's time.
        self._cable.send(arrival.data, arrival.at_ns - self._port.abilities.latency_ns)
        for end_ns, data in self._cable.arrivals:
            here_ns = max(end_ns, arrival.at_ns)
            self._waiting.append(Arrival(here_ns, data, here_ns))
        self._cable.arrivals.clear()

    def _pop(self) -> Arrival:
        arrival = self._waiting.popleft()
        self._bytes -= len(arrival.data)
        return arrival
