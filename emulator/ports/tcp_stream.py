"""One end of a TCP connection that carries plain MIDI bytes, and never blocks for long."""

import select
import socket
from typing import Final

from dryload.emulator.ports.clock import Clock
from dryload.emulator.ports.port import Abilities, Arrival, Truncated

SEND_LIMIT_NS: Final = 5_000_000_000
"""How long a peer may not read before it is given up."""
_AT_ONCE: Final = 1 << 12  # bytes taken in one go: few enough to be dealt with in between
_HELD: Final = 1 << 16  # bytes that the system is asked to keep for us at most
_HUNG_UP: Final[int] = getattr(select, "POLLRDHUP", 0)
_KEEPALIVE: Final = (("TCP_KEEPIDLE", 30), ("TCP_KEEPINTVL", 10), ("TCP_KEEPCNT", 3))
"""A peer whose machine has died is noticed after a minute, where the system can do that."""

TCP_ABILITIES: Final = Abilities(
    truncated=Truncated.AT_ONCE,
    resolution_ns=1_000_000,
    holds_back=True,
)


class GoneError(Exception):
    """The peer has closed the connection, has vanished or does not read; the text says which."""


class TcpStream:
    """Reads and writes `connection`, which it owns."""

    def __init__(self, connection: socket.socket, clock: Clock, send_limit_ns: int) -> None:
        self.connection: Final = connection
        self._clock: Final = clock
        self._send_limit_ns: Final = send_limit_ns
        self._empty_ns = clock.now_ns()  # there was nothing to read then
        self.has_spoken = False
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _HELD)
        for name, value in _KEEPALIVE:
            if (option := getattr(socket, name, None)) is not None:
                connection.setsockopt(socket.IPPROTO_TCP, option, value)

    def read(self) -> list[Arrival]:
        """Return what there is, without waiting; GoneError where the peer has gone."""
        looks_ns = self._clock.now_ns()
        try:
            data = self.connection.recv(_AT_ONCE)
        except (BlockingIOError, InterruptedError):
            self._empty_ns = looks_ns
            return []
        except OSError as problem:
            raise GoneError(f"the connection broke ({problem})") from problem
        if not data:
            raise GoneError("the other side has closed the connection")
        self.has_spoken = True
        return [Arrival(self._clock.now_ns(), data, self._empty_ns)]

    def write(self, data: bytes) -> None:
        """Hand bytes to the system; GoneError where the peer has gone or does not read for long."""
        left = memoryview(data)
        until_ns = self._clock.now_ns() + self._send_limit_ns
        while left:
            try:
                sent = self.connection.send(left)
            except (BlockingIOError, InterruptedError):
                sent = 0
            except OSError as problem:
                raise GoneError(f"the connection broke ({problem})") from problem
            left = left[sent:]
            left_ns = until_ns - self._clock.now_ns()
            if left and left_ns <= 0:
                seconds = self._send_limit_ns / 1_000_000_000
                raise GoneError(f"the other side has not read for {seconds:g} s")
            if left and not sent:
                select.select([], [self.connection], [], left_ns / 1_000_000_000)

    def has_hung_up(self) -> bool:
        """Whether the peer sends no more, whatever of it is still to be read.

        Not every system can tell; where it can't, who is there counts as going at any moment.
        """
        if not _HUNG_UP:
            return True
        poll = select.poll()
        poll.register(self.connection, _HUNG_UP)
        return bool(poll.poll(0))

    def close(self) -> None:
        """Close the connection."""
        self.connection.close()


def wait(readable: list[socket.socket], timeout_ns: int) -> None:
    """Return when one of the sockets can be read or the time is over."""
    select.select(readable, [], [], max(timeout_ns, 0) / 1_000_000_000)
