"""Endpoints for the tests of the line, and captures taken apart byte by byte."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence

from dryload.emulator.dump.capture import Capture, Direction
from dryload.emulator.dump.events import Event

BYTE_NS = 320_000  # ten bits at 31,250 baud (M1 p. 1)
TO, FROM = Direction.TO_UNIT, Direction.FROM_UNIT


class Player:
    """Says what it is given, each message not before its instant, and writes down every call.

    `log` holds (what, instant, bytes): "hears", "left", "deadline" and "says".
    """

    def __init__(self, *messages: tuple[int, bytes]) -> None:
        self._later = deque(messages)
        self._ready: deque[bytes] = deque()
        self._now_ns = 0
        self.log: list[tuple[str, int, bytes]] = []
        self.wake_ns: int | None = None
        """One more instant at which it wants to be called."""

    def add(self, at_ns: int, message: bytes) -> None:
        """Say one more message."""
        self._later.append((at_ns, message))

    def receive_bytes(self, data: bytes, now_ns: int) -> Sequence[Event]:
        self._now_ns = now_ns
        self.log.append(("hears", now_ns, data))
        return ()

    def message_left(self, now_ns: int) -> Sequence[Event]:
        self._now_ns = now_ns
        self.log.append(("left", now_ns, b""))
        return ()

    def handle_deadline(self, now_ns: int) -> Sequence[Event]:
        self._now_ns = now_ns
        if self.wake_ns is not None and self.wake_ns <= now_ns:
            self.wake_ns = None
            self.log.append(("deadline", now_ns, b""))
        while self._later and self._later[0][0] <= now_ns:
            self._ready.append(self._later.popleft()[1])
        return ()

    def next_deadline_ns(self) -> int | None:
        wishes = [self._later[0][0]] if self._later else []
        if self.wake_ns is not None:
            wishes.append(self.wake_ns)
        return min(wishes, default=None)

    def bytes_to_send(self) -> bytes:
        if not self._ready:
            return b""
        message = self._ready.popleft()
        self.log.append(("says", self._now_ns, message))
        return message

    @property
    def is_over(self) -> bool:
        """Whether it has said everything."""
        return not self._later and not self._ready

    @property
    def heard(self) -> bytes:
        """All bytes it was told of."""
        return b"".join(data for what, _, data in self.log if what == "hears")


def apart(arrivals: Iterable[tuple[int, bytes]]) -> list[tuple[int, int]]:
    """Return (instant, byte) for stretches of bytes of which the last arrives at the instant."""
    return [
        (end_ns - (len(data) - 1 - at) * BYTE_NS, byte)
        for end_ns, data in arrivals
        for at, byte in enumerate(data)
    ]


def bytewise(capture: Capture, direction: Direction) -> list[tuple[int, int]]:
    """Return (instant, byte) of everything that went one way."""
    return apart((p.end_ns, p.data) for p in capture.passages if p.direction is direction)


def exclusives(data: bytes) -> list[bytes]:
    """Return the whole System Exclusive messages in bytes that hold nothing torn."""
    return [b"\xf0" + part.split(b"\xf7")[0] + b"\xf7" for part in data.split(b"\xf0")[1:]]
