"""The one idea that carries the house: both ends of a dump are endpoints.

An endpoint has no I/O and no clock.  A driver tells it what arrived, when its own last byte has
left and when a deadline it asked for is due, and takes from it one whole message at a time.
"""

from collections.abc import Sequence
from typing import Protocol

from dryload.emulator.dump.events import Event


class Endpoint(Protocol):
    """A sender, a requester, a rack unit: anything at one end of a line."""

    def receive_bytes(self, data: bytes, now_ns: int) -> Sequence[Event]:
        """Take bytes of which the last arrived at `now_ns`; never raises, whatever they are."""
        ...

    def message_left(self, now_ns: int) -> Sequence[Event]:
        """Learn that the last byte of the message taken last has left the wire."""
        ...

    def handle_deadline(self, now_ns: int) -> Sequence[Event]:
        """Act on what is due at `now_ns`; nothing happens unless something is."""
        ...

    def next_deadline_ns(self) -> int | None:
        """Return the instant at which `handle_deadline` wants to be called, None for none."""
        ...

    def bytes_to_send(self) -> bytes:
        """Return one whole message to send now, b"" for none."""
        ...
