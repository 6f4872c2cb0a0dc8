"""Stand-ins for the input and the output of the MIDI library."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any

from tests.ports.clockwork import FakeClock


class FakeSource:
    """Messages come at their instants; the gap is told as the library does, in seconds."""

    def __init__(self, clock: FakeClock, *messages: tuple[int, bytes]) -> None:
        self._clock = clock
        self._later = deque(messages)
        self._last_ns: int | None = None
        self.deleted = 0

    def add(self, at_ns: int, data: bytes) -> None:
        self._later.append((at_ns, data))

    def now_ns(self) -> int:
        return self._clock.now_ns()

    def get_message(self) -> tuple[list[int], float] | None:
        assert not self.deleted, "the library would crash"
        if not self._later or self._later[0][0] > self._clock.now_ns():
            return None
        at_ns, data = self._later.popleft()
        gap_ns = 0 if self._last_ns is None else at_ns - self._last_ns
        self._last_ns = at_ns
        return list(data), gap_ns / 1_000_000_000

    def close_port(self) -> None:
        assert not self.deleted

    def delete(self) -> None:
        self.deleted += 1


class FakeSink:
    """Takes what the library takes: at most three bytes, or an exclusive message."""

    def __init__(self) -> None:
        self.sent: list[bytes] = []
        self.problem: Exception | None = None
        self.says: tuple[object, str] | None = None
        self.deleted = 0

    def set_error_callback(self, function: Callable[[Any, str, object], None]) -> None:
        self._report = function

    def send_message(self, message: bytes) -> None:
        if self.says is not None:
            self._report(*self.says, None)
        assert not self.deleted, "the library would crash"
        if self.problem is not None:
            raise self.problem
        if not message or (len(message) > 3 and message[0] != 0xF0):
            raise ValueError("'message' longer than 3 bytes but does not start with 0xF0.")
        self.sent.append(bytes(message))

    def close_port(self) -> None:
        assert not self.deleted

    def delete(self) -> None:
        self.deleted += 1
