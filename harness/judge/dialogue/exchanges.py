"""A dump as it was talked about: header and packets, each with its sendings and replies."""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.checksum import checksum
from emulator.wire.codec import Malformed, device_of
from emulator.wire.constants import ALL_CALL, PACKET_NUMBERS
from emulator.wire.messages import DataPacket, Handshake, HandshakeKind, Header
from emulator.wire.sizes import packets_for
from emulator.wire.splitter import PieceKind
from harness.judge.dialogue.heard import Heard
from harness.judge.finding import Answerable

_NUMBER: Final = 4  # offset of the packet number, M1 p. 37
OTHER: Final = {
    Direction.TO_UNIT: Direction.FROM_UNIT,
    Direction.FROM_UNIT: Direction.TO_UNIT,
}


def side_of(direction: Direction) -> Answerable:
    """Return who is answerable for what goes one way."""
    return Answerable.SENDER if direction is Direction.TO_UNIT else Answerable.UNIT


class Ended(StrEnum):
    """How a dump ended, as far as a capture shows it."""

    WHOLE = "every packet was sent"
    REFUSED = "the receiver cancelled it"
    STOPPED = "the sender cancelled it"
    FELL_BACK = "another header followed, as nobody answered this one"
    REPLACED = "another header followed before it was whole"
    HELD = "it stands at a WAIT"
    GIVEN_UP = "the sender gave it up"
    SHORT = "packets are missing"
    CUT = "the capture ends before it does"
    UNKNOWN = "nobody can tell: it has no header that says how long it is"


class Loop(StrEnum):
    """How the two sides went along with each other."""

    CLOSED = "closed loop"
    OPEN = "open loop"
    MIXED = "some answers, some silence"
    UNKNOWN = "unknown"


@dataclass(slots=True, kw_only=True, eq=False)
class Reply:
    """A handshake from the receiver, and what it was taken for."""

    heard: Heard
    message: Handshake
    fits: bool
    """Whether its number is that of the message it answers; any will do for a header (HSK-04)."""
    binds: bool
    """Whether it is addressed to this dump, so that the sender has to follow it."""
    late: bool
    """Whether it answers a message that another one had followed."""
    sending: int
    """Which sending of the exchange it answers, from 0 on."""

    @property
    def kind(self) -> HandshakeKind:
        """Which handshake it is."""
        return self.message.kind

    @property
    def end_ns(self) -> int:
        """When it was there."""
        return self.heard.said.end_ns


@dataclass(slots=True, kw_only=True, eq=False)
class Exchange:
    """A header or a packet: each time it was sent, and each reply to it."""

    place: int | None
    """The packet counted from 0; None for the header."""
    number: int
    """The number that it carries or should carry; 0 for the header."""
    sendings: list[Heard] = field(default_factory=list)
    replies: list[Reply] = field(default_factory=list)
    jump: int = 0
    """How many numbers were passed over before it."""

    @property
    def is_answered(self) -> bool:
        """Whether a reply other than WAIT came."""
        return any(reply.kind is not HandshakeKind.WAIT for reply in self.replies)

    @property
    def last_reply(self) -> Reply | None:
        """The reply that came last."""
        return self.replies[-1] if self.replies else None

    @property
    def best(self) -> Heard:
        """The last sending that is sound, or the last one."""
        return next((each for each in reversed(self.sendings) if is_sound(each)), self.sendings[-1])


@dataclass(slots=True, kw_only=True, eq=False)
class DumpExchange:
    """One dump in one direction and what the other side said to it."""

    direction: Direction
    header: Header | None
    device_id: int | None
    exchanges: list[Exchange] = field(default_factory=list)
    sent: list[tuple[Exchange, Heard]] = field(default_factory=list)
    """Every sending of header and packets, in order."""
    replies: list[Reply] = field(default_factory=list)
    """All of them, in order."""
    besides: list[Heard] = field(default_factory=list)
    """What else the sender said between its header and its last packet, and its loops and names."""
    handshakes: list[tuple[Heard, Handshake]] = field(default_factory=list)
    """Handshakes of the sending side: CANCEL, EOF, or ones that it should not send."""
    others: list[Heard] = field(default_factory=list)
    """What the receiver said beside handshakes while the dump ran."""
    followed: "DumpExchange | None" = None
    """The dump that the same side sent next."""
    goes_on_ns: int | None = None
    """When the sending side next said anything after its last packet, if it did."""

    @property
    def has_header(self) -> bool:
        """Whether it begins with a header, whole or damaged."""
        return self.exchanges[0].place is None

    @property
    def sender(self) -> Answerable:
        """Who is answerable for what the sending side did."""
        return side_of(self.direction)

    @property
    def receiver(self) -> Answerable:
        """Who is answerable for what the receiving side did."""
        return side_of(OTHER[self.direction])

    @property
    def sender_name(self) -> str:
        """What to call the sending side."""
        return "the sender" if self.direction is Direction.TO_UNIT else "the unit"

    @property
    def receiver_name(self) -> str:
        """What to call the receiving side."""
        return "the unit" if self.direction is Direction.TO_UNIT else "the other side"

    @property
    def planned(self) -> int | None:
        """Packets that the header calls for; None where it doesn't say."""
        if self.header is None:
            return None
        try:
            return packets_for(self.header.length * self.header.channels, self.header.bits)
        except ValueError:
            return None

    @property
    def packets(self) -> int:
        """Different packets that were sent, damaged ones included."""
        return sum(each.place is not None for each in self.exchanges)

    @property
    def is_full(self) -> bool:
        """Whether the last packet that the header calls for has been sent."""
        last = self.exchanges[-1].place
        return self.planned is not None and (-1 if last is None else last) + 1 >= self.planned

    @property
    def last_ns(self) -> int:
        """When header and packets ended."""
        return self.sent[-1][1].said.end_ns

    @property
    def active_ns(self) -> int:
        """When anybody last said something about it."""
        ends = [self.last_ns, *(reply.end_ns for reply in self.replies[-1:])]
        ends += [heard.said.end_ns for heard, _ in self.handshakes[-1:]]
        return max(ends)

    @property
    def is_torn_off(self) -> bool:
        """Whether the capture ends in the middle of its last message."""
        return is_torn_off(self.sent[-1][1])

    def is_ours(self, device_id: int | None) -> bool:
        """Whether a message with this device ID is for this dump (DEV-02, DEV-03)."""
        return device_id is not None and (
            self.device_id is None
            or device_id in (self.device_id, ALL_CALL)
            or self.device_id == ALL_CALL
        )


def is_whole_packet(heard: Heard) -> bool:
    """Whether it is a data packet of the right form."""
    return isinstance(heard.message, DataPacket)


def is_torn_off(heard: Heard) -> bool:
    """Whether the capture ends in the middle of a message."""
    piece = heard.said.piece
    return piece.kind is PieceKind.CUT and piece.ended_by is None


def is_sound(heard: Heard) -> bool:
    """Whether it has the right form and, as a packet, the right checksum."""
    message = heard.message
    if isinstance(message, DataPacket):
        return message.checksum == checksum(message)
    if message is None:
        return heard.said.piece.kind is PieceKind.SHORT
    return not isinstance(message, Malformed)


def number_of(heard: Heard) -> int | None:
    """Return the number that a packet carries, None where none is to be read."""
    body = heard.body
    return body[_NUMBER] if len(body) > _NUMBER and body[_NUMBER] < PACKET_NUMBERS else None


def device_in(heard: Heard) -> int | None:
    """Return the device ID in a message."""
    return None if heard.message is None else device_of(heard.message)
