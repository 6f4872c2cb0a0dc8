"""What every port can do, and what it says of itself."""

from collections.abc import Sequence
from enum import Enum
from typing import NamedTuple, Protocol

from msgspec import Struct

from dryload.emulator.ports.attention import Attention
from dryload.emulator.ports.clock import Clock


class PortError(Exception):
    """A port failed: it is not there, it is gone, it did not take what was sent.

    The text says what happened and what to do; the rig is answerable, never the unit or the file.
    """

    def __init__(self, what: str, do: str) -> None:
        super().__init__(f"{what}{do}" if what.endswith("\n") else f"{what} {do}")
        self.what = what
        """What happened: one sentence."""
        self.do = do
        """What to do about it: one or more sentences."""


class Truncated(Enum):
    """What a port shows of a System Exclusive message whose end never came."""

    AT_ONCE = "as it comes"
    WITH_THE_NEXT = "only when the next message comes, joined with it"
    NEVER = "nothing"


class Arrival(NamedTuple):
    """Bytes that a port has received."""

    at_ns: int
    """When the last of them was here, as exactly as the port knows."""
    data: bytes
    since_ns: int
    """The last instant at which they were certainly not here yet.

    A process that was held up finds bytes late: they may have come at any time from here on.
    """
    looked_ns: int = 0
    """When the port meant to look for them after a pause, 0 where it made none."""


class Abilities(Struct, frozen=True, kw_only=True):
    """What can be known from a port, so that no judgement is finer than it."""

    truncated: Truncated
    resolution_ns: int
    """How exact the times of arrivals are while this process is not held up."""
    holds_back: bool
    """Whether the peer has to wait when nobody reads; otherwise bytes pile up on this side."""
    latency_ns: int = 0
    """How long bytes typically take to the other side of it."""
    longest: int | None = None
    """Bytes of the longest message that is known to pass, None where no limit is known."""


class Port(Protocol):
    """Takes and gives MIDI bytes.

    Nothing is promised about how the bytes of a message are cut into arrivals: drivers split and
    merge.
    """

    @property
    def name(self) -> str:
        """What to call it before people."""
        ...

    @property
    def abilities(self) -> Abilities:
        """What can be known from it."""
        ...

    @property
    def clock(self) -> Clock:
        """The clock whose times it gives."""
        ...

    def send(self, message: bytes) -> None:
        """Send one message; PortError where that is not possible."""
        ...

    def receive(self, timeout_ns: int, attention: Attention | None = None) -> Sequence[Arrival]:
        """Return what has arrived, earliest first; wait at most `timeout_ns` for the first of it.

        A port that has to look for it does so as often as `attention` asks, often without.
        PortError where the port has gone.
        """
        ...

    def close(self) -> None:
        """Give the port back; nothing happens the second time, and all else raises PortError."""
        ...


def closed(name: str) -> PortError:
    """Return the error of somebody who goes on to use a port that was closed."""
    return PortError(f"{name} has been closed here.", "Open it again.")
