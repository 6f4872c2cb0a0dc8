"""What passes on a line that is to be disturbed: which message of which dump it is.

A packet's number wraps at 128 (PKT-03) and a reply says little of itself (HSK-02, HSK-04): which
packet is meant follows from what has passed before, on both cables.  Packets are counted from 0 for
every header, as everywhere here, and never wrap.
"""

from enum import Enum
from typing import Final, NamedTuple

from msgspec import Struct

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.codec import kind_of
from dryload.emulator.wire.constants import PACKET_NUMBERS
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import (
    DataPacket,
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    Handshake,
)

_PACKET_NUMBER: Final = FIXED[DataPacket].span("packet_number").start
_REPLY_NUMBER: Final = FIXED[Handshake].span("packet_number").start
OPPOSITE: Final = {
    Direction.TO_UNIT: Direction.FROM_UNIT,
    Direction.FROM_UNIT: Direction.TO_UNIT,
}


class Sort(Enum):
    """What kind of message it is."""

    HEADER = "header"
    PACKET = "packet"
    REPLY = "reply"
    REQUEST = "request"
    OTHER = "other"


class Seen(NamedTuple):
    """One message as it begins to go out."""

    direction: Direction
    message: int
    """Which message in its direction, from 0."""
    sort: Sort
    packet: int | None
    """Which data packet it is, or answers; None for a header and its answer, and for all else."""
    again: bool
    """Whether the same header, packet or answer has gone out before in this dump."""
    start_ns: int
    end_ns: int


class _Way(Struct):
    """What one direction has carried."""

    messages: int = 0
    packet: int | None = None  # the one that went last, None for a header
    packets: set[int] = set()
    answered: set[int | None] = set()  # what was answered this way
    header: bytes = b""  # the last message where it was a header


class Watch:
    """Follows both directions of a line."""

    def __init__(self) -> None:
        self._ways: Final = {direction: _Way() for direction in Direction}

    def see(self, direction: Direction, body: bytes, start_ns: int, end_ns: int) -> Seen:
        """Return what a message is; it may be as broken as it likes."""
        way = self._ways[direction]
        message, way.messages = way.messages, way.messages + 1
        kind = kind_of(body)
        packet: int | None = None
        again = False
        sort = Sort.OTHER
        if kind is DumpHeader or kind is ExtendedHeader:
            sort, again = Sort.HEADER, body == way.header
            self._begin(direction)
            way.header = body
        elif kind is DataPacket and len(body) > _PACKET_NUMBER:
            sort = Sort.PACKET
            following = 0 if way.packet is None else way.packet + 1
            packet = nearest(following, body[_PACKET_NUMBER])
            again = packet in way.packets
            way.packet, way.header = packet, b""
            way.packets.add(packet)
        elif kind is Handshake and len(body) > _REPLY_NUMBER:
            sort = Sort.REPLY
            asked = self._ways[OPPOSITE[direction]].packet
            packet = None if asked is None else nearest(asked, body[_REPLY_NUMBER])
            again = packet in way.answered
            way.answered.add(packet)
        elif kind is DumpRequest:
            sort = Sort.REQUEST
        return Seen(direction, message, sort, packet, again, start_ns, end_ns)

    def _begin(self, direction: Direction) -> None:
        way = self._ways[direction]
        if way.packets or not way.header:
            self._ways[OPPOSITE[direction]].answered.clear()
        way.packet = None
        way.packets.clear()


def nearest(expected: int, number: int) -> int:
    """Return the packet nearest to `expected` whose number on the wire is `number` (PKT-03)."""
    off = (number - expected) % PACKET_NUMBERS
    packet = expected + (off if off < PACKET_NUMBERS // 2 else off - PACKET_NUMBERS)
    return packet if packet >= 0 else packet + PACKET_NUMBERS
