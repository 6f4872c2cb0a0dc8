"""What a receiver needs from whoever keeps the words: a unit's memory, or the harness."""

from collections.abc import Sequence
from typing import Protocol

from msgspec import Struct

from dryload.emulator.wire.messages import DataPacket, Header


class Accept(Struct, frozen=True):
    """The header is welcome."""


class Refuse(Struct, frozen=True):
    """The header gets CANCEL, for a reason in plain words."""

    reason: str


class Hold(Struct, frozen=True):
    """The header gets WAIT until somebody decides: `Receiver.release` says how."""

    reason: str


class Ignore(Struct, frozen=True):
    """The header gets no answer at all, for a reason in plain words."""

    reason: str


Decision = Accept | Refuse | Hold | Ignore


class Storage(Protocol):
    """Keeps the words of one dump at a time."""

    def begin(self, header: Header, now_ns: int) -> Decision:
        """Decide about a dump; after Accept the place is taken."""
        ...

    def has_room(self, packets: int = 1) -> bool:
        """Whether so many more packets can be stored (HSK-12)."""
        ...

    def append(self, packet: DataPacket, now_ns: int) -> None:
        """Store a packet."""
        ...

    def extend(self, packets: Sequence[bytes]) -> None:
        """Store packets, as they are on the wire."""
        ...

    def finish(self, now_ns: int) -> None:
        """The last packet is stored: the sample is whole."""
        ...

    def abandon(self, now_ns: int) -> None:
        """The dump will not end: keep or drop what there is."""
        ...
