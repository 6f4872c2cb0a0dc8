"""An emulated unit, or anything else that is an endpoint, behind a port in virtual time."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from dryload.emulator.dump.endpoint import Endpoint
from dryload.emulator.ports.attention import Attention
from dryload.emulator.ports.port import Abilities, Arrival, PortError, Truncated
from tests.ports.clockwork import FakeClock

_BYTE_NS: Final = 320_000  # ten bits at 31,250 baud (M1 p. 1)
_NEVER: Final = 1 << 62


class EndpointPort:
    """The host's port.

    `passes` is asked of every message that comes from the endpoint; where the answer is no it is
    lost on the way.  After `hangs_up` nothing goes any more.
    """

    name = "the unit"
    abilities: Final = Abilities(truncated=Truncated.AT_ONCE, resolution_ns=1, holds_back=False)

    def __init__(
        self,
        endpoint: Endpoint,
        clock: FakeClock,
        *,
        passes: Callable[[bytes], bool] = lambda message: True,
    ) -> None:
        self.clock: Final = clock
        self._endpoint: Final = endpoint
        self._passes: Final = passes
        self._leaving: tuple[int, bytes] | None = None
        self._ready: list[Arrival] = []
        self._is_gone = False

    def hang_up(self) -> None:
        self._is_gone = True

    def send(self, message: bytes) -> None:
        self._catch_up()
        self._endpoint.receive_bytes(message, self.clock.now_ns())
        self._take(self.clock.now_ns())

    def receive(self, timeout_ns: int, attention: Attention | None = None) -> list[Arrival]:
        until_ns = self.clock.now_ns() + timeout_ns
        self._catch_up()
        while not self._ready and self.clock.now_ns() < until_ns:
            self.clock.sleep_ns(min(self._next_ns(), until_ns) - self.clock.now_ns())
            self._catch_up()
        found, self._ready = self._ready, []
        return found

    def close(self) -> None:
        """Nothing is kept."""

    def _next_ns(self) -> int:
        due_ns = self._endpoint.next_deadline_ns()
        leaves_ns = _NEVER if self._leaving is None else self._leaving[0]
        return min(leaves_ns, _NEVER if due_ns is None else due_ns)

    def _catch_up(self) -> None:
        """Let happen what is due by now, in its order."""
        if self._is_gone:
            raise PortError("The unit has hung up.", "Plug it in.")
        while (at_ns := self._next_ns()) <= self.clock.now_ns():
            if self._leaving is not None and self._leaving[0] == at_ns:
                message, self._leaving = self._leaving[1], None
                if self._passes(message):
                    self._ready.append(Arrival(at_ns, message, at_ns))
                self._endpoint.message_left(at_ns)
            else:
                self._endpoint.handle_deadline(at_ns)
            self._take(at_ns)

    def _take(self, now_ns: int) -> None:
        if self._leaving is None and (message := self._endpoint.bytes_to_send()):
            self._leaving = now_ns + len(message) * _BYTE_NS, message
