"""Foreign gear behind a port in virtual time: no bytes wait for a machine that is busy."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from typing import Final

from dryload.emulator.ports.attention import Attention
from dryload.emulator.ports.port import Abilities, Arrival, PortError, Truncated
from tests.foreign import wire
from tests.foreign.unit import Gear
from tests.ports.clockwork import FakeClock

_S: Final = 1_000_000_000
Heard = Callable[[bytes], Sequence[bytes]]


def as_it_is(message: bytes) -> Sequence[bytes]:
    """Let a message through."""
    return [message]


class GearPort:
    """The host's port; `answers` may alter what comes from the gear.

    `passes` is asked of every message that goes to the gear, and after every one that comes from
    it: where it says no, the port is gone, before the gear has heard that message.
    """

    name: Final = "gear"
    abilities: Final = Abilities(truncated=Truncated.AT_ONCE, resolution_ns=1, holds_back=False)

    def __init__(
        self,
        gear: Gear,
        clock: FakeClock,
        *,
        answers: Heard = as_it_is,
        passes: Callable[[bytes], bool] = lambda message: True,
    ) -> None:
        self.clock: Final = clock
        self.gear: Final = gear
        self.sent: Final[list[bytes]] = []
        self._answers: Final = answers
        self._passes: Final = passes
        self._cutter: Final = wire.Cutter()
        self._ready: deque[Arrival] = deque()
        self._is_gone = False

    def send(self, message: bytes) -> None:
        self._look()
        self._check(message)
        self.sent.append(message)
        for raw in self._cutter.feed(message):
            self.gear.take(raw, self.clock.now_ns() / _S)

    def receive(self, timeout_ns: int, attention: Attention | None = None) -> list[Arrival]:
        self._look()
        if not self._ready:
            if self._is_gone:
                raise PortError("The gear has hung up.", "Plug it in.")
            self._sleep(timeout_ns)
            self._look()
        found = list(self._ready)
        self._ready.clear()
        return found

    def close(self) -> None:
        self._is_gone = True

    def _sleep(self, timeout_ns: int) -> None:
        due_s = self.gear.due_s()
        wait_ns = timeout_ns
        if due_s is not None:
            wait_ns = min(wait_ns, max(round(due_s * _S) + 1 - self.clock.now_ns(), 0))
        self.clock.sleep_ns(wait_ns)

    def _look(self) -> None:
        now_ns = self.clock.now_ns()
        if self._is_gone:
            return
        for message in self.gear.due(now_ns / _S + 1e-9):  # floats round
            for heard in self._answers(message):
                self._ready.append(Arrival(now_ns, heard, now_ns))
            self._is_gone = self._is_gone or not self._passes(message)

    def _check(self, message: bytes) -> None:
        self._is_gone = self._is_gone or not self._passes(message)
        if self._is_gone:
            raise PortError("The gear has hung up.", "Plug it in.")
