"""Foreign gear at the end of a line in virtual time, told of everything by whoever drives it."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Any, Final

from tests.foreign import wire
from tests.foreign.unit import Gear

_S: Final = 1_000_000_000


class GearEndpoint:
    """Gear that takes bytes and instants in nanoseconds, and gives one message at a time."""

    def __init__(self, gear: Gear) -> None:
        self.gear: Final = gear
        self._cutter = wire.Cutter()
        self._ready: deque[bytes] = deque()

    def receive_bytes(self, data: bytes, now_ns: int) -> Sequence[Any]:
        for raw in self._cutter.feed(data):
            self.gear.take(raw, now_ns / _S)
        return self.handle_deadline(now_ns)

    def message_left(self, now_ns: int) -> Sequence[Any]:
        return ()

    def handle_deadline(self, now_ns: int) -> Sequence[Any]:
        self._ready += self.gear.due(now_ns / _S + 1e-9)  # floats round
        return ()

    def next_deadline_ns(self) -> int | None:
        due_s = self.gear.due_s()
        return None if due_s is None else round(due_s * _S)

    def bytes_to_send(self) -> bytes:
        return self._ready.popleft() if self._ready else b""
