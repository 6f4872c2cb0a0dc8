"""What has come through a port and waits for its instant."""

from collections import deque
from collections.abc import Iterator
from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.line.cable import Cable
from dryload.emulator.line.simulate import NEVER
from dryload.emulator.ports.attention import Attention
from dryload.emulator.ports.lateness import Lateness
from dryload.emulator.ports.port import Arrival, Port, PortError
from dryload.emulator.wire.constants import BYTE_NS

_BYTES: Final = 1 << 20  # that may wait: more than five minutes of the line
_BYTES_AHEAD: Final = 1 << 12  # that are taken from a peer who can wait
_ARRIVALS: Final = 1 << 16
_ROUNDS: Final = 64  # to empty a port that somebody floods
_SPARE: Final = 1 << 18  # bytes that may come in one go, as from a driver that was held up
_ANSWER: Final = 160  # bytes that may come for a message of ours: a packet (127) and some more
_SHOWN: Final = 8


class Allowance:
    """How many bytes may come to a host: more is a flood, and no unit at a MIDI line can send it.

    It fills at the pace of a MIDI line, and with each message of ours, for without that line a
    unit may send a packet as soon as the one before it is answered.
    """

    def __init__(self, name: str, now_ns: int) -> None:
        self._name: Final = name
        self._begun_ns: Final = now_ns
        self._left = _SPARE
        self._line_bytes = 0  # that a line could have carried, as far as they are counted in
        self._came = 0

    def earn(self) -> None:
        """A message of ours may be answered."""
        self._left = min(self._left + _ANSWER, _SPARE)

    def spend(self, data: bytes, now_ns: int) -> None:
        """Take note of what has come; PortError where it is too much."""
        line_bytes = (now_ns - self._begun_ns) // BYTE_NS
        self._left = min(self._left + line_bytes - self._line_bytes, _SPARE) - len(data)
        self._line_bytes = line_bytes
        self._came += len(data)
        if self._left < 0:
            seconds = max((now_ns - self._begun_ns) / 1_000_000_000, 0.1)
            raise PortError(
                f"{self._name} floods this computer: {self._came:,} bytes came within "
                f"{seconds:.1f} s, more than a MIDI line can carry ("
                f"{data[:_SHOWN].hex(' ').upper()} ...).",
                "This cannot be a unit on a MIDI line: check the connection, and that no cable or "
                "program sends back what it receives. If it is the unit, switch it off and on.",
            )


class Inlet:
    """Empties `port`; with `byte_ns` its bytes come as over a line of that, otherwise at once.

    Where that line is behind what the port gives, bytes wait here.  When there are many, the peer
    has to wait if the port can do that, and what comes is lost if not: `lateness` counts it.  With
    an `allowance` a flood is a PortError.
    """

    def __init__(
        self,
        port: Port,
        direction: Direction,
        *,
        byte_ns: int,
        lateness: Lateness,
        allowance: Allowance | None = None,
    ) -> None:
        self._port: Final = port
        self._cable: Final = Cable(direction, byte_ns=byte_ns) if byte_ns else None
        self._lateness: Final = lateness
        self._allowance: Final = allowance
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

    def fill(self, timeout_ns: int, attention: Attention | None = None) -> None:
        """Take what the port has, waiting at most `timeout_ns`; PortError where it has gone.

        A port that has to look for what comes does so as often as `attention` asks.
        """
        holds_back = self._port.abilities.holds_back
        if holds_back and self._is_full:
            self._port.clock.sleep_ns(timeout_ns)
            return
        for arrival in self._port.receive(timeout_ns, attention):
            self._lateness.rested(arrival.looked_ns)
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
        if self._allowance is not None:
            self._allowance.spend(arrival.data, self._port.clock.now_ns())
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
