"""MIDI bytes over TCP, nothing added: a client, and a server with room for one peer at a time."""

import socket
from collections.abc import Sequence
from typing import Final

from dryload.emulator.ports.attention import Attention
from dryload.emulator.ports.clock import Clock
from dryload.emulator.ports.port import Arrival, PortError, closed
from dryload.emulator.ports.tcp_stream import (
    SEND_LIMIT_NS,
    TCP_ABILITIES,
    GoneError,
    TcpStream,
    wait,
)

LOOPBACK: Final = "127.0.0.1"
_CONNECT_S: Final = 10.0
_SILENT_NS: Final = 10_000_000_000
"""Who has said nothing at all for so long gives way to the next who comes."""
_DEAF_NS: Final = 500_000_000  # for whoever comes, after the system could not let somebody in


class TcpClient:
    """A connection that was made by `open_tcp`."""

    abilities: Final = TCP_ABILITIES

    def __init__(self, name: str, clock: Clock, stream: TcpStream) -> None:
        self.name: Final = name
        self.clock: Final = clock
        self._stream: TcpStream | None = stream

    def send(self, message: bytes) -> None:
        """Send bytes."""
        try:
            self._open().write(message)
        except GoneError as problem:
            raise self._gone(problem) from problem

    def receive(self, timeout_ns: int, attention: Attention | None = None) -> Sequence[Arrival]:
        """Return what has arrived."""
        stream = self._open()
        try:
            arrivals = stream.read()
            if not arrivals and timeout_ns > 0:
                wait([stream.connection], timeout_ns)
                arrivals = stream.read()
        except GoneError as problem:
            raise self._gone(problem) from problem
        return arrivals

    def close(self) -> None:
        """Hang up."""
        if self._stream is not None:
            self._stream.close()
            self._stream = None

    def _open(self) -> TcpStream:
        if self._stream is None:
            raise closed(self.name)
        return self._stream

    def _gone(self, problem: GoneError) -> PortError:
        return PortError(
            f"{self.name}: {problem}.",
            "Check that it is still running and nobody else is connected: it may accept only one.",
        )


def open_tcp(
    host: str, port: int, clock: Clock, *, send_limit_ns: int = SEND_LIMIT_NS
) -> TcpClient:
    """Connect; PortError where nobody answers there."""
    name = f"tcp:{host}:{port}"
    try:
        _check_number(port)
        connection = socket.create_connection((host, port), timeout=_CONNECT_S)
    except (OSError, ValueError) as problem:
        raise PortError(
            f"{name} can't be reached: {_why(problem)}.",
            "Check the address, and that a program listens there, such as dryload serve --tcp.",
        ) from problem
    return TcpClient(name, clock, TcpStream(connection, clock, send_limit_ns))


class TcpServer:
    """Listens at once, and is the port of whoever is connected.

    While somebody is, another one is told off by closing at once.  Without anybody, what is sent is
    lost, as on a cable that leads nowhere.  Port number 0 takes a free one: `address` says which.
    """

    abilities: Final = TCP_ABILITIES

    def __init__(
        self,
        port: int,
        clock: Clock,
        *,
        host: str = LOOPBACK,
        send_limit_ns: int = SEND_LIMIT_NS,
        silent_ns: int = _SILENT_NS,
    ) -> None:
        self.clock: Final = clock
        self._listener: Final = _listen(host, port)
        self._listener.setblocking(False)
        self.address: Final[tuple[str, int]] = self._listener.getsockname()[:2]
        self.name: Final = f"tcp:{self.address[0]}:{self.address[1]}"
        self._send_limit_ns: Final = send_limit_ns
        self._silent_ns: Final = silent_ns
        self._stream: TcpStream | None = None
        self._since_ns = 0  # when the peer came
        self._deaf_until_ns = 0
        self._is_closed = False
        self.peer = ""
        """Who is connected, "" for nobody."""
        self.came = 0
        """Connections so far that were taken."""
        self.last_peer = ""
        """Who was connected last, or is."""
        self.turned_away = 0
        """Connections that were closed at once."""
        self.last_end = ""
        """Why the last peer went, "" before that."""

    def send(self, message: bytes) -> None:
        """Send bytes to whoever is connected; who does not read is let go."""
        self._check()
        if self._stream is None:
            return
        try:
            self._stream.write(message)
        except GoneError as problem:
            self._let_go(str(problem))

    def receive(self, timeout_ns: int, attention: Attention | None = None) -> Sequence[Arrival]:
        """Return what has arrived, and see who comes and goes."""
        self._check()
        arrivals = self._look()
        if not arrivals and timeout_ns > 0:
            streams = [] if self._stream is None else [self._stream.connection]
            is_deaf = self.clock.now_ns() < self._deaf_until_ns
            wait(streams if is_deaf else [self._listener, *streams], timeout_ns)
            arrivals = self._look()
        return arrivals

    def look_at_door(self) -> None:
        """Tell off whoever waits to be let in while the present peer keeps `receive` busy.

        Where that one has hung up, the next waits until everything that it sent has been received.
        """
        self._check()
        if self._stream is not None and not self._stream.has_hung_up():
            self._accept()

    def close(self) -> None:
        """Hang up and listen no longer."""
        self._is_closed = True
        if self._stream is not None:
            self._let_go("this side has closed the connection")
        self._listener.close()

    def _look(self) -> list[Arrival]:
        arrivals: list[Arrival] = []
        if self._stream is not None:
            try:
                arrivals = self._stream.read()
            except GoneError as problem:
                self._let_go(str(problem))
        if not arrivals:  # else the end of the present peer may stand behind what it sent
            self._accept()
        return arrivals

    def _accept(self) -> None:
        """Take one who waits at the door, or tell them off."""
        now_ns = self.clock.now_ns()
        if now_ns < self._deaf_until_ns:
            return
        try:
            connection, address = self._listener.accept()
        except (BlockingIOError, ConnectionAbortedError):  # nobody waits, or has gone again
            return
        except OSError:  # too many open files: who waits keeps the door open, and us awake
            self._deaf_until_ns = now_ns + _DEAF_NS
            return
        if self._stream is not None:
            if self._stream.has_spoken or now_ns - self._since_ns < self._silent_ns:
                self.turned_away += 1
                connection.close()
                return
            self._let_go("it said nothing, and somebody else came")
        try:
            self._stream = TcpStream(connection, self.clock, self._send_limit_ns)
        except OSError:  # gone again
            connection.close()
            return
        self._since_ns = now_ns
        self.peer = self.last_peer = f"{address[0]}:{address[1]}"
        self.came += 1

    def _let_go(self, why: str) -> None:
        assert self._stream is not None
        self._stream.close()
        self._stream = None
        self.peer = ""
        self.last_end = why

    def _check(self) -> None:
        if self._is_closed:
            raise closed(self.name)


def _listen(host: str, port: int) -> socket.socket:
    try:
        _check_number(port)
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        return socket.create_server((host, port), family=family, backlog=4)
    except (OSError, ValueError) as problem:
        raise PortError(
            f"cannot listen on tcp:{host}:{port}: {_why(problem)}.",
            "Use another port number, or end the program that uses this one.",
        ) from problem


def _why(problem: OSError | ValueError) -> str:
    why = (isinstance(problem, OSError) and problem.strerror) or str(problem)
    return why.partition(" (while ")[0]  # the address is told already


def _check_number(port: int) -> None:
    if not 0 <= port <= 65_535:
        raise ValueError("port numbers go from 0 to 65535")
