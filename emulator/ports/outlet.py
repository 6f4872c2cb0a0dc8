"""Our message on its way out: handed over to the port, and leaving when the pacer says so."""

from typing import Final

from emulator.dump.endpoint import Endpoint
from emulator.line.simulate import NEVER
from emulator.ports.lateness import Lateness
from emulator.ports.pacer import Pacer
from emulator.ports.port import Port

_SLACK_NS: Final = 1_000_000
"""How late we may hand a message over and still say that it began when its turn came.

Every process wakes a little late; counted anew for each message that would add up over a dump.  It
makes a reply limit of 20 ms shorter by this at most; whoever is later than this says so.
"""


class Outlet:
    """Takes one message at a time from an endpoint and sends it through `port`.

    With `at_end` a message goes to the port when its last byte has left, otherwise when its first
    may.
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
        self._unentered = b""

    @property
    def is_busy(self) -> bool:
        """Whether a message is on its way."""
        return self.left_ns != NEVER

    def take(self, endpoint: Endpoint, ready_ns: int) -> None:
        """If the line is free, take a message that has been ready since `ready_ns` or now."""
        if self.is_busy or not (message := endpoint.bytes_to_send()):
            return
        start_ns = ready_ns
        if not self._at_end:
            now_ns = self._port.clock.now_ns()
            self._lateness.note(ready_ns, now_ns)
            self._port.send(message)
            self._unentered = message
            if now_ns - ready_ns > _SLACK_NS:
                start_ns = now_ns
        self._message = message
        self.left_ns = self._pacer.sent(len(message), start_ns)
        self.is_awaited = True

    def leave(self) -> None:
        """The message has left: hand it over if that has not been done, and be free."""
        message, self._message = self._message, b""
        self.left_ns = NEVER
        self.is_awaited = False
        if self._at_end:
            self._port.send(message)
            self._unentered = message

    def to_enter(self) -> bytes:
        """Return the message that was handed over last, b"" where this was asked for it before."""
        message, self._unentered = self._unentered, b""
        return message
