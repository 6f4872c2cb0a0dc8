"""Our message on its way out: handed over to the port, and leaving when the pacer says so."""

from typing import Final

from dryload.emulator.dump.endpoint import Endpoint
from dryload.emulator.line.simulate import NEVER
from dryload.emulator.ports.lateness import Lateness
from dryload.emulator.ports.pacer import Pacer
from dryload.emulator.ports.port import Port

_SLACK_NS: Final = 1_000_000
"""How late we may hand a message over and still say that it began when its turn came.

Every process wakes a little late; counted anew for each message that would add up over a dump.  It
makes a reply limit of 20 ms shorter by this at most; whoever is later than this says so.
"""


class Outlet:
    """Takes one message at a time from an endpoint and sends it through `port`.

    With `at_end` a message goes to the port so that it is on the other side when its last byte has
    left, otherwise when its first byte may.
    """

    def __init__(self, port: Port, pacer: Pacer, *, at_end: bool, lateness: Lateness) -> None:
        self.left_ns = NEVER
        """When the message on its way will have left, NEVER where none is."""
        self.is_awaited = False
        """Whether the endpoint that sent it wants to know when it has left."""
        self._port: Final = port
        self._pacer: Final = pacer
        self._at_end: Final = at_end
        self._lateness: Final = lateness
        self._message = b""
        self._hands_ns = NEVER  # when it is to be handed over, NEVER where that has been done
        self._unentered = b""

    @property
    def is_busy(self) -> bool:
        """Whether a message is on its way."""
        return self.left_ns != NEVER

    @property
    def next_ns(self) -> int:
        """When something is to be done about it, NEVER where there is none."""
        return min(self._hands_ns, self.left_ns)

    def take(self, endpoint: Endpoint, ready_ns: int) -> None:
        """If the line is free, take a message that has been ready since `ready_ns`."""
        if self.is_busy or not (message := endpoint.bytes_to_send()):
            return
        self._message = message
        self.is_awaited = True
        if self._at_end:
            self.left_ns = self._pacer.sent(len(message), ready_ns)
            self._hands_ns = max(ready_ns, self.left_ns - self._port.abilities.latency_ns)
            return
        now_ns = self._port.clock.now_ns()
        self._hands_ns = ready_ns
        self.hand_over(ready_ns, now_ns)
        start_ns = ready_ns if now_ns - ready_ns <= _SLACK_NS else now_ns
        self.left_ns = self._pacer.sent(len(message), start_ns)

    def hand_over(self, instant_ns: int, now_ns: int) -> None:
        """Hand the message over if that is due at `instant_ns`."""
        if self._hands_ns > instant_ns:
            return
        self._hands_ns = NEVER
        self._lateness.note(instant_ns, now_ns)
        self._port.send(self._message)
        self._unentered = self._message

    def leave(self) -> None:
        """The message has left: be free."""
        self.left_ns = NEVER
        self.is_awaited = False

    def to_enter(self) -> bytes:
        """Return the message that was handed over last, b"" where this was asked for it before."""
        message, self._unentered = self._unentered, b""
        return message
