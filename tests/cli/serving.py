"""The command serve in a process of its own, and a host at its other end made of plain sockets."""

from __future__ import annotations

import json
import queue
import signal
import socket
import subprocess
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

from tests import oracle
from tests.cli.forked import Forked
from tests.cli.runs import environment

PATIENCE_S: Final = 90
"""After that a test that hangs is ended; an emulated computer is slow."""
PERIOD_NS: Final = 22_676


def dump(number: int, words: Sequence[int], *, bits: int = 16, device_id: int = 0) -> list[bytes]:
    """Header and packets of a dump, message by message."""
    data = oracle.dump(
        bits=bits, words=words, sample_number=number, period_ns=PERIOD_NS, device_id=device_id
    )
    return [message for _, message in oracle.split(data)]


class Unit:
    """A process that serves: `ready` is its first line, `said` what came later."""

    def __init__(self, process: subprocess.Popen[str] | Forked) -> None:
        self.process: Final = process
        self.said: Final[list[dict[str, Any]]] = []
        self._lines: Final[queue.Queue[str]] = queue.Queue()
        self._thread: Final = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()
        self.ready: Final = self._next()
        assert self.ready["event"] == "ready"

    @property
    def address(self) -> tuple[str, int]:
        """Where it listens."""
        kind, host, number = str(self.ready["port"]).split(":")
        assert kind == "tcp"
        return host, int(number)

    def act(self, *lines: str) -> None:
        """Do something at the panel."""
        assert self.process.stdin is not None
        self.process.stdin.write("".join(f"{line}\n" for line in lines))
        self.process.stdin.flush()

    def await_event(self, event: str) -> dict[str, Any]:
        """Return the next event of this name; others before it are kept in `said`."""
        while True:
            said = self._next()
            self.said.append(said)
            if said["event"] == event:
                return said

    def end(self) -> tuple[int, list[dict[str, Any]]]:
        """Wait for its end; return its exit code and all that it said after the first line."""
        code = self.process.wait(PATIENCE_S)
        self._thread.join(PATIENCE_S)
        while not self._lines.empty():
            self.said.append(self._next())
        return code, self.said

    def quit(self) -> list[dict[str, Any]]:
        """Have it end as its user would; return all that it said."""
        self.act("quit")
        code, said = self.end()
        assert code == 0
        assert said[-1]["event"] == "end"
        return said

    def signal(self, number: signal.Signals) -> None:
        self.process.send_signal(number)

    @contextmanager
    def peer(self) -> Iterator[socket.socket]:
        """Be connected; afterwards the unit has seen that nobody is."""
        with socket.create_connection(self.address) as connection:
            yield connection
        while self.await_event("peer")["peer"]:
            pass

    def load(self, messages: Sequence[bytes], *, device_id: int = 0) -> None:
        """Send a dump as a sender does that waits for each answer, which has to be ACK."""
        with self.peer() as peer:
            talk(peer, messages, device_id=device_id)

    def read_back(self, number: int, *, device_id: int = 0) -> list[int]:
        """Return the words that the unit sends for a sample."""
        with self.peer() as peer:
            words = ask(peer, number, device_id=device_id)
        return words

    def _next(self) -> dict[str, Any]:
        line = self._lines.get(timeout=PATIENCE_S)
        said = json.loads(line)
        assert isinstance(said, dict)
        return said

    def _listen(self) -> None:
        assert self.process.stdout is not None
        with suppress(ValueError):  # closed meanwhile: the test is over
            for line in self.process.stdout:
                self._lines.put(line)


@contextmanager
def serving(
    folder: Path, *options: str, tcp: str = "127.0.0.1:0", profile: str = "lantern-desk"
) -> Iterator[Unit]:
    """Serve in `folder`; the process is ended by its id if the test has not done it."""
    words = ("serve", profile, "--tcp", tcp, "--no-panel", *options)
    with Forked(words, cwd=folder, env=environment(), has_stdin=True, has_stderr=False) as process:
        try:
            yield Unit(process)
        finally:
            process.kill()


def receive(peer: socket.socket, end: bytes = b"\xf7") -> bytes:
    """Return the next message, read byte by byte: whatever follows it stays."""
    peer.settimeout(PATIENCE_S)
    data = b""
    while not data.endswith(end):
        byte = peer.recv(1)
        assert byte, f"the connection ended after {data.hex(' ')}"
        data += byte
    return data


def talk(peer: socket.socket, messages: Sequence[bytes], *, device_id: int = 0) -> None:
    """Send messages; each has to be answered by ACK with its number, a header's with any."""
    for message in messages:
        peer.sendall(message)
        answer = receive(peer)
        number = message[4] if message[3] == 0x02 else answer[4]
        assert answer == oracle.handshake(device_id=device_id, kind="ACK", packet_number=number)


def ask(peer: socket.socket, number: int, *, device_id: int = 0) -> list[int]:
    """Ask for a sample and acknowledge all of it."""
    peer.sendall(oracle.dump_request(device_id=device_id, sample_number=number))
    data = receive(peer)
    bits, length = data[6], oracle.from_n7(data[10:13])  # M1 p. 37
    peer.sendall(oracle.handshake(device_id=device_id, kind="ACK"))
    for index in range(oracle.packet_count(length, bits)):
        data += receive(peer)
        peer.sendall(oracle.handshake(device_id=device_id, kind="ACK", packet_number=index % 128))
    return oracle.read_dump(data).words
