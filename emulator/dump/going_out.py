"""What a sender is given and what it says at the end: a dump as bytes, limits, why it stopped."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum, auto
from typing import Final

from emulator.wire.constants import HEADER_LIMIT_NS, PACKET_LIMIT_NS
from emulator.wire.layout import FIXED
from emulator.wire.messages import DataPacket

_DEVICE_ID: Final[int] = FIXED[DataPacket].span("device_id").start


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgoing:
    """The messages of one dump, as bytes: they are sent as they are, right or wrong."""

    header: bytes
    packets: Sequence[bytes]
    fallback: bytes | None = None
    """A standard header that says the same as an extended `header` (EXT-09)."""
    after: tuple[bytes, ...] = ()
    """Loop points and name, sent when the packets are through; no handshake belongs to them."""

    def __post_init__(self) -> None:
        """Refuse what cannot be sent at all."""
        if len(self.header) <= _DEVICE_ID:
            raise ValueError(f"a header of {len(self.header)} bytes bears no device ID")
        if self.fallback == b"" or not all(self.packets) or not all(self.after):
            raise ValueError("a message without bytes cannot be sent")

    @property
    def device_id(self) -> int:
        """The device ID of the header, which may be a broken one."""
        return self.header[_DEVICE_ID] & 0x7F

    def without_after(self) -> "Outgoing":
        """Return the dump alone: nothing follows the packets."""
        return replace(self, after=())


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How long a sender waits for a reply, from the end of its message on the wire."""

    header_ns: int = HEADER_LIMIT_NS  # TIM-01
    packet_ns: int = PACKET_LIMIT_NS  # TIM-03
    again_ns: int = 500_000_000
    """With `after_silence` "again": how long a unit that answered before is waited for; less than
    the two seconds after which a receiver may give a dump up (our choice)."""


class SenderEnd(Enum):
    """Why a sender stopped."""

    SENT = auto()  # everything left, and nobody objected
    CANCELLED = auto()  # the unit sent CANCEL
    REJECTED = auto()  # one message was rejected too often
    SILENT = auto()  # no answer where one is needed to go on
    CONFUSED = auto()  # a reply or message that allows no going on
    STOPPED = auto()  # the user interrupted
