"""Whatever a peer does, a served unit goes on: a good sender is served word for word afterwards.

No published source says what a unit makes of rubbish, beside that a status byte ends a message (M1
p. 29); that it must not fall over is common sense.
"""

from __future__ import annotations

import random
import re
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from tests import oracle
from tests.cli.killing import words_of
from tests.cli.serving import PATIENCE_S, Unit, dump, receive, serving, talk

KEPT = {0: words_of(1, 900), 1: words_of(2, 40), 5: words_of(3, 1)}
GOOD = 9
"""The sample number of the good sender."""
MOST_MORE_KB = 24 * 1024
"""By how much its memory may grow over everything that follows in a test."""


def memory_kb(unit: Unit) -> int:
    status = Path(f"/proc/{unit.process.pid}/status")
    if not status.exists():
        pytest.skip("this system does not tell how much memory a process has")
    found = re.search(r"VmRSS:\s+(\d+) kB", status.read_text("utf-8"))
    assert found is not None
    return int(found[1])


@contextmanager
def prepared(folder: Path, *options: str) -> Iterator[Unit]:
    """A unit that has all sorts of samples and has been at work; what it had is looked at after."""
    with serving(folder, "--no-pace", "--image", "desk.image", *options) as unit:
        for number, words in KEPT.items():
            unit.load(dump(number, words))
        send_well(unit, words_of(4, 500))
        for number in KEPT:  # rubbish may spell a header as well as anybody
            unit.act(f"protect {number + 1}")
            unit.await_event("action")
        before_kb = memory_kb(unit)
        yield unit
        send_well(unit, words_of(5, 3_000))
        grown_kb = memory_kb(unit) - before_kb
        assert grown_kb < MOST_MORE_KB, f"{grown_kb:,} kB more than before"
        for number, words in KEPT.items():
            unit.act(f"unprotect {number + 1}")
            unit.await_event("action")
            assert unit.read_back(number) == words
        said = unit.quit()
        assert said[-1]["event"] == "end"
    print(f"memory grew by {grown_kb:,} kB")


def send_well(unit: Unit, words: list[int]) -> None:
    """Load a sample and read it back; what the unit may still be sending to others is ended."""
    with unit.peer() as peer:
        peer.sendall(oracle.handshake(kind="CANCEL"))
        settle(peer)
        header, *packets = dump(GOOD, words)
        peer.sendall(header)
        while receive(peer)[:4] != oracle.handshake(kind="ACK")[:4]:
            pass  # a packet that was on its way to others, a NAK for half a message of theirs
        talk(peer, packets)
    assert unit.read_back(GOOD) == words


def settle(peer: socket.socket) -> None:
    """Read what still comes because of others, until nothing has come for a while."""
    peer.settimeout(0.3)
    with suppress(TimeoutError):
        while peer.recv(1 << 16):
            pass


@contextmanager
def flooding(unit: Unit) -> Iterator[Callable[[bytes], None]]:
    """Be a peer that sends a lot and reads along, so that the unit never waits for it."""
    with unit.peer() as peer:
        peer.settimeout(PATIENCE_S)
        reader = threading.Thread(target=read_on, args=(peer,), daemon=True)
        reader.start()
        yield peer.sendall
        peer.shutdown(socket.SHUT_WR)
        reader.join(PATIENCE_S)


def read_on(peer: socket.socket) -> None:
    with suppress(OSError):
        while peer.recv(1 << 16):
            pass


def valid() -> list[bytes]:
    return [
        *dump(20, words_of(6, 100)),
        *dump(21, list(range(-25, 25)), bits=12),
        oracle.extended_header(sample_number=22, bits=16, rate_integer=44_100, length=40),
        oracle.dump_request(sample_number=GOOD),
        oracle.dump_request(sample_number=0),
        *(oracle.handshake(kind=kind, packet_number=1) for kind in oracle.HANDSHAKES),
        oracle.sample_name(sample_number=0, name=b"Gulls"),
        oracle.sample_name_request(sample_number=0),
        oracle.loop_points(sample_number=0, loop_number=1, loop_type=0, loop_start=1, loop_end=2),
        oracle.loop_points_request(sample_number=0, loop_number=16_383),
        oracle.identity_request(),
    ]


def mutated(rng: random.Random, message: bytes) -> bytes:
    """Change a few bytes, or leave some out, or put some in."""
    data = bytearray(message)
    for _ in range(rng.randrange(1, 4)):
        at = rng.randrange(len(data) + 1)
        match rng.randrange(4):
            case 0:
                data[at : at + 1] = bytes([rng.randrange(256)])
            case 1:
                del data[at : at + rng.randrange(1, 9)]
            case 2:
                data[at:at] = rng.randbytes(rng.randrange(1, 9))
            case 3:
                data = data[:at]
    return bytes(data)


def test_ten_thousand_random_and_ten_thousand_mutated_messages(tmp_path: Path) -> None:
    rng, messages = random.Random(11), valid()
    with prepared(tmp_path) as unit, flooding(unit) as send:
        for _ in range(100):
            send(b"".join(rng.randbytes(rng.randrange(1, 150)) for _ in range(100)))
            send(b"".join(mutated(rng, rng.choice(messages)) for _ in range(100)))


def test_floods_and_a_message_without_an_end(tmp_path: Path) -> None:
    rng = random.Random(12)
    with prepared(tmp_path) as unit, flooding(unit) as send:
        for byte in (0xF8, 0xFE, 0xFF):  # real time (M1 p. 5)
            send(bytes([byte]) * 200_000)
        send(bytes(rng.randrange(0xF8, 0x100) for _ in range(100_000)))
        send(b"\xf0" * 300_000)
        send(b"\xf7" * 100_000)
        send(b"\xf0\x7e\x00\x02\x00" + bytes(6_000_000))
        send(b"\xf0" + b"\x7e\xf8" * 100_000)


def test_peers_that_say_nothing_or_come_together_or_vanish(tmp_path: Path) -> None:
    header, *packets = dump(GOOD, words_of(8, 100))
    with prepared(tmp_path) as unit:
        with unit.peer():  # says nothing and goes
            unit.await_event("peer")
        with unit.peer() as first:
            first.sendall(header)
            assert receive(first)[3] == oracle.HANDSHAKES["ACK"]
            with socket.create_connection(unit.address) as second:
                second.settimeout(PATIENCE_S)
                assert is_closed(second)
                assert "one at a time" in unit.await_event("turned away")["message"]
            first.sendall(packets[0])
            assert receive(first)[3] == oracle.HANDSHAKES["ACK"]
        with unit.peer() as gone:
            gone.sendall(header + packets[0][:60])
            assert receive(gone)[3] == oracle.HANDSHAKES["ACK"]
            unit.await_event("header")
            # With this a connection breaks at once, as when a cable is pulled.
            gone.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))


def test_who_comes_while_another_floods_is_told_off_at_once(tmp_path: Path) -> None:
    with (
        serving(tmp_path) as unit,  # paced: it takes three seconds to read what comes at once
        socket.create_connection(unit.address) as flooding,
    ):
        flooding.sendall(b"\xf0" * 10_000)
        unit.await_event("peer")
        with socket.create_connection(unit.address) as second:
            second.settimeout(2)
            assert second.recv(1) == b""
        unit.await_event("turned away")
        unit.quit()


def test_a_peer_that_stays_and_says_nothing_gives_way(tmp_path: Path) -> None:
    pause = threading.Event()
    with prepared(tmp_path) as unit, socket.create_connection(unit.address):
        unit.await_event("peer")
        for _ in range(PATIENCE_S * 2):
            with socket.create_connection(unit.address) as next_one:
                next_one.settimeout(PATIENCE_S)
                with suppress(OSError):
                    next_one.sendall(oracle.identity_request())
                if not is_closed(next_one):
                    break
            pause.wait(0.5)  # so that the unit isn't asked a thousand times a second
        else:
            raise AssertionError("nobody else was let in")
        while unit.await_event("peer")["peer"]:
            pass


def is_closed(peer: socket.socket) -> bool:
    """Whether the other side hangs up instead of saying something."""
    try:
        return peer.recv(1) == b""
    except ConnectionError:
        return True
