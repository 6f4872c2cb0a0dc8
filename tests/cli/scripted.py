"""A unit that does just what a test says, behind a plain socket; it knows only the plain codec."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Final

from tests import oracle
from tests.cli.serving import PATIENCE_S, receive

DEVICE: Final = 3
DEAF: Final = b""
"""A question that is not answered."""


class Host:
    """What is at the other end of a scripted unit: `dryload read`."""

    def __init__(self, peer: socket.socket) -> None:
        self.peer: Final = peer

    def asks_for(self, number: int) -> None:
        """Expect a request (M1 p. 37) and nothing before it."""
        asked = oracle.dump_request(device_id=DEVICE, sample_number=number)
        assert receive(self.peer) == asked

    def gets_it_torn(self, number: int, messages: Sequence[bytes]) -> int:
        """Break off behind these messages as often as the host asks, until it hangs up."""
        tries = 0
        while first := self.peer.recv(1):
            asked = oracle.dump_request(device_id=DEVICE, sample_number=number)
            assert first + receive(self.peer) == asked
            self.takes_all(messages)
            self.peer.sendall(oracle.handshake(device_id=DEVICE, kind="CANCEL", packet_number=1))
            tries += 1
        return tries

    def takes(self, message: bytes, number: int = 0, *, answer: str = "ACK") -> None:
        """Send a header or a packet and expect the answer to it."""
        self.peer.sendall(message)
        expected = oracle.handshake(device_id=DEVICE, kind=answer, packet_number=number)
        assert receive(self.peer) == expected

    def takes_all(self, messages: Sequence[bytes]) -> None:
        """Send header and packets."""
        for message in messages:
            self.takes(message, message[4] if message[3] == 0x02 else 0)

    def asks_more(
        self, number: int, *answers: bytes, extended: bytes | None = DEAF, name: bool = True
    ) -> None:
        """Expect to be asked for loops and name.

        The answers are given to the first question; `extended` is the answer to the question for
        extended loops and None where that is not asked, as `name` says of the name.
        """
        ask = oracle.loop_points_request
        everything = {"device_id": DEVICE, "sample_number": number, "loop_number": 0x3FFF}
        questions = [(ask(extended=False, **everything), b"".join(answers))]  # M1 p. 38
        if extended is not None:
            questions.append((ask(extended=True, **everything), extended))  # CA-019 p. 3
        if name:
            questions.append(
                (oracle.sample_name_request(device_id=DEVICE, sample_number=number), DEAF)
            )
        for question, answer in questions:
            assert receive(self.peer) == question
            self.peer.sendall(answer)

    def hangs_up(self) -> None:
        """Expect the end of the connection and nothing before it."""
        self.peer.settimeout(PATIENCE_S)
        assert self.peer.recv(1) == b""


@contextmanager
def scripted(script: Callable[[Host], None]) -> Iterator[str]:
    """Yield the target where a unit follows the script; afterwards it has come to its end."""
    with socket.create_server(("127.0.0.1", 0)) as door, ThreadPoolExecutor(1) as pool:
        door.settimeout(PATIENCE_S)

        def run() -> None:
            peer, _ = door.accept()
            with peer:
                peer.settimeout(PATIENCE_S)
                script(Host(peer))

        ended = pool.submit(run)
        host, number = door.getsockname()
        yield f"tcp:{host}:{number}"
        ended.result(PATIENCE_S)
