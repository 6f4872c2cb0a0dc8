"""MIDI bytes over TCP: who may come, who is let go, and what nobody can make us hold."""

from __future__ import annotations

import errno
import socket
import struct
from collections.abc import Callable, Iterator

import pytest

from dryload.emulator.dump.capture import Direction
from dryload.emulator.ports.clock import MonotonicClock
from dryload.emulator.ports.port import PortError
from dryload.emulator.ports.real import RealLine
from dryload.emulator.ports.tcp import TcpServer, open_tcp
from dryload.emulator.unit.board import RackUnit
from tests import oracle
from tests.ports.clockwork import MS
from tests.unit.rack import profile_of

ACK = oracle.handshake(kind="ACK")
LONG_NS = 5_000 * MS  # that something which comes at once may take on a busy machine


@pytest.fixture
def server() -> Iterator[TcpServer]:
    made = TcpServer(0, MonotonicClock(), send_limit_ns=50 * MS)
    yield made
    made.close()


@pytest.fixture
def dial(server: TcpServer) -> Iterator[Callable[[], socket.socket]]:
    """Connect as anybody might, with a bare socket."""
    opened = []

    def make() -> socket.socket:
        opened.append(socket.create_connection(server.address, timeout=5))
        return opened[-1]

    yield make
    for each in opened:
        each.close()


def until(server: TcpServer, happened: Callable[[], bool]) -> bytes:
    """Let the server work until something has happened; return what it heard."""
    heard = b""
    deadline_ns = server.clock.now_ns() + LONG_NS
    while not happened():
        assert server.clock.now_ns() < deadline_ns, "it never happened"
        heard += b"".join(arrival.data for arrival in server.receive(10 * MS))
    return heard


def hear(server: TcpServer, count: int) -> bytes:
    heard = b""
    while len(heard) < count:
        (arrival,) = server.receive(LONG_NS)
        heard += arrival.data
    return heard


def test_it_listens_at_the_loopback_address_unless_told_otherwise(server: TcpServer) -> None:
    assert server.address[0] == "127.0.0.1"
    assert server.name == f"tcp:127.0.0.1:{server.address[1]}"


def test_the_second_peer_is_told_off_and_the_first_is_undisturbed(
    server: TcpServer, dial: Callable[[], socket.socket]
) -> None:
    first = dial()
    until(server, lambda: bool(server.peer))
    first.sendall(ACK[:3])
    assert hear(server, 3) == ACK[:3]
    second = dial()
    until(server, lambda: server.turned_away == 1)
    assert second.recv(10) == b""
    first.sendall(ACK[3:])
    assert hear(server, 3) == ACK[3:]
    server.send(ACK)
    assert first.recv(10) == ACK


def leave_politely(peer: socket.socket) -> None:
    peer.close()


def break_off(peer: socket.socket) -> None:
    peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    peer.close()  # with a reset


@pytest.mark.parametrize("leave", [leave_politely, break_off])
def test_a_peer_that_goes_makes_room_for_the_next(
    server: TcpServer, dial: Callable[[], socket.socket], leave: Callable[[socket.socket], None]
) -> None:
    for _ in range(3):
        peer = dial()
        until(server, lambda: bool(server.peer))
        peer.sendall(ACK)
        assert hear(server, len(ACK)) == ACK
        leave(peer)
        until(server, lambda: not server.peer)
        server.send(ACK)  # to nobody: as on a cable that leads nowhere
    assert server.last_end != ""


def test_a_peer_that_says_nothing_keeps_its_place_for_a_while_only() -> None:
    server = TcpServer(0, MonotonicClock(), silent_ns=0)
    with socket.create_connection(server.address, timeout=5) as silent:
        until(server, lambda: bool(server.peer))
        with socket.create_connection(server.address, timeout=5) as talker:
            until(server, lambda: "said nothing" in server.last_end)
            assert silent.recv(10) == b""
            talker.sendall(ACK)
            assert hear(server, len(ACK)) == ACK
            with socket.create_connection(server.address, timeout=5) as third:
                until(server, lambda: server.turned_away == 1)
                assert third.recv(10) == b""
    server.close()


def test_a_peer_that_does_not_read_is_let_go(
    server: TcpServer, dial: Callable[[], socket.socket]
) -> None:
    dial()
    until(server, lambda: bool(server.peer))
    begun_ns = server.clock.now_ns()
    server.send(bytes(64 << 20))  # more than any system keeps
    assert 50 * MS <= server.clock.now_ns() - begun_ns < LONG_NS
    assert (server.peer, server.last_end) == ("", "the other side has not read for 0.05 s")
    peer = dial()
    until(server, lambda: bool(server.peer))
    server.send(ACK)
    assert peer.recv(10) == ACK


def test_a_client_whose_peer_does_not_read_learns_of_it() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        number = listener.getsockname()[1]
        client = open_tcp("127.0.0.1", number, MonotonicClock(), send_limit_ns=50 * MS)
        with pytest.raises(PortError, match=r"not read for 0\.05 s"):
            client.send(bytes(64 << 20))
        client.close()


def test_a_flood_waits_at_the_peer(server: TcpServer, dial: Callable[[], socket.socket]) -> None:
    peer = dial()
    until(server, lambda: bool(server.peer))
    peer.setblocking(False)
    line = RealLine(server, sends=Direction.FROM_UNIT, emulates_line=True)
    line.connect(RackUnit(profile_of()))
    taken = 0
    for _ in range(40):
        try:
            while True:
                taken += peer.send(bytes([0xFE]) * 65_536)
        except BlockingIOError:
            line.advance(5 * MS)
    assert taken < 16 << 20  # what the two systems keep in between
    assert line.lateness.lost_bytes == 0


@pytest.mark.parametrize(
    ("host", "port"), [("127.0.0.1", 70_000), ("127.0.0.1", -1), ("no.such.host.invalid", 1)]
)
def test_an_address_that_is_none(host: str, port: int) -> None:
    with pytest.raises(PortError, match=r"can't be reached.*Check the address"):
        open_tcp(host, port, MonotonicClock())
    with pytest.raises(PortError, match=r"cannot listen on.*Use another"):
        TcpServer(port, MonotonicClock(), host=host)


def test_nobody_listens_there(server: TcpServer) -> None:
    server.close()
    with pytest.raises(PortError, match="can't be reached"):
        open_tcp(*server.address, MonotonicClock())


def test_two_servers_cannot_have_one_address(server: TcpServer) -> None:
    with pytest.raises(PortError, match="cannot listen on"):
        TcpServer(server.address[1], MonotonicClock())


def test_who_comes_while_somebody_floods_is_told_off_and_not_left_waiting(
    server: TcpServer, dial: Callable[[], socket.socket]
) -> None:
    flooding = dial()
    until(server, lambda: bool(server.peer))
    flooding.sendall(ACK * 2_000)
    second = dial()
    for _ in range(2):  # there is always something of the first one to be received
        assert server.receive(LONG_NS)
    server.look_at_door()
    assert server.turned_away == 1
    assert second.recv(10) == b""
    assert len(hear(server, 1_000)) >= 1_000


def test_who_comes_when_the_one_before_has_hung_up_gets_the_place_when_all_is_received(
    server: TcpServer, dial: Callable[[], socket.socket]
) -> None:
    first = dial()
    until(server, lambda: bool(server.peer))
    first.sendall(ACK * 2_000)
    first.close()
    second = dial()
    server.look_at_door()
    assert server.turned_away == 0
    assert len(hear(server, 6 * 2_000)) == 6 * 2_000
    until(server, lambda: server.came == 2)
    second.sendall(ACK)
    assert hear(server, 6) == ACK


def test_at_the_limit_of_open_files_it_waits_like_everybody(
    server: TcpServer, dial: Callable[[], socket.socket], monkeypatch: pytest.MonkeyPatch
) -> None:
    tries = []

    def accept(listener: socket.socket) -> tuple[socket.socket, object]:
        tries.append(1)
        raise OSError(errno.EMFILE, "Too many open files")

    with monkeypatch.context() as limit:
        limit.setattr(socket.socket, "accept", accept)
        waiting = dial()
        began_ns = server.clock.now_ns()
        for _ in range(10):
            server.receive(30 * MS)
        assert server.clock.now_ns() - began_ns >= 250 * MS  # nothing can have come: it has slept
        assert len(tries) == 1
    until(server, lambda: bool(server.peer))  # and later it lets in who is still there
    waiting.sendall(ACK)
    assert hear(server, 6) == ACK
