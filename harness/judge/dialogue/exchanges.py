"""A dump as an exchange of messages: header and packets, each with its sendings and replies.

Theory of operation. A message of the sender is known again by what came before it: the same
number right after the same number is one packet sent twice, so an exchange has a list of
sendings. A reply says a number and no more, and it wraps at 128; so each is put, as it comes, to
the one exchange that it can be an answer to by its time, and by its number where that leaves a
choice (`placing`). From then on nobody asks again which message a reply belongs to. Whatever is
asked of a whole exchange (was it ever rejected, when was it first accepted, which numbers has it
had) is kept up to date as messages are added: a packet that is rejected 10,000 times costs 10,000
steps.

A place counts from 0 and never wraps. It is what the sender can have meant when the message
passed, without what came later; what the dump holds in the end `harness.judge.dump` says.
"""

from enum import StrEnum
from typing import Final

from msgspec import Struct

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.constants import ALL_CALL, PACKET_NUMBERS
from dryload.emulator.wire.messages import Handshake, HandshakeKind, Header
from dryload.harness.judge.finding import Answerable
from dryload.harness.judge.plan import plan_of
from dryload.harness.judge.timed_messages import TimedMessage

_NUMBER: Final = 4  # offset of the packet number, M1 p. 37
ACK, NAK, WAIT, CANCEL, EOF = (
    HandshakeKind.ACK,
    HandshakeKind.NAK,
    HandshakeKind.WAIT,
    HandshakeKind.CANCEL,
    HandshakeKind.EOF,
)
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


class LoopMode(StrEnum):
    """How the two sides went along with each other."""

    CLOSED = "closed loop"
    OPEN = "open loop"
    MIXED = "some answers, some silence"
    UNKNOWN = "unknown"


class Reply(Struct, kw_only=True, eq=False):
    """A handshake from the receiver, and what it was taken for."""

    heard: TimedMessage
    message: Handshake
    exchange: "Exchange"
    """What it was taken to answer."""
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
        return self.heard.end_ns


class Exchange(Struct, kw_only=True, eq=False):
    """A header or a packet: each time it was sent, and each reply to it."""

    place: int | None
    """The packet counted from 0; None for the header."""
    number: int
    """The number that it carries or should carry; 0 for the header."""
    sendings: list[TimedMessage] = []
    replies: list[Reply] = []
    jump: int = 0
    """How many numbers were passed over before it."""
    numbers: set[int] = set()
    """Every number that it was sent with, or should have been."""
    bodies: set[bytes] = set()
    """What it was sent as, without real-time bytes."""
    came_sound: bool = False
    """Whether one of its sendings is sound."""
    accepted_ns: int | None = None
    """When it was first acknowledged."""
    is_rejected: bool = False
    """Whether it was ever answered with NAK."""

    def __post_init__(self) -> None:
        """Know its own number, and those of sendings that it begins with."""
        self.numbers.add(self.number)

    def add_sending(self, message: TimedMessage) -> None:
        """Take one more time that it was sent."""
        self.sendings.append(message)
        self.bodies.add(message.body)
        self.came_sound |= message.is_sound
        if (number := message.packet_number) is not None:
            self.numbers.add(number)

    def add_reply(self, reply: "Reply") -> None:
        """Take a reply to it; replies come in order."""
        self.replies.append(reply)
        if reply.kind is ACK and self.accepted_ns is None:
            self.accepted_ns = reply.end_ns
        self.is_rejected |= reply.kind is NAK

    @property
    def is_answered(self) -> bool:
        """Whether a reply other than WAIT came."""
        return any(reply.kind is not WAIT for reply in self.replies)

    @property
    def last_reply(self) -> Reply | None:
        """The reply that came last."""
        return self.replies[-1] if self.replies else None

    @property
    def best(self) -> TimedMessage:
        """The last sending that is sound, or the last one."""
        return next((each for each in reversed(self.sendings) if each.is_sound), self.sendings[-1])


class DumpExchange(Struct, kw_only=True, eq=False):
    """One dump in one direction and what the other side said to it."""

    direction: Direction
    header: Header | None
    device_id: int | None
    exchanges: list[Exchange] = []
    sent: list[tuple[Exchange, TimedMessage]] = []
    """Every sending of header and packets, in order."""
    replies: list[Reply] = []
    """All of them, in order."""
    besides: list[TimedMessage] = []
    """What else the sender said between its header and its last packet, and its loops and names."""
    handshakes: list[tuple[TimedMessage, Handshake]] = []
    """Handshakes of the sending side: CANCEL, EOF, or ones that it should not send."""
    others: list[TimedMessage] = []
    """What the receiver said beside handshakes while the dump ran."""
    followed: "DumpExchange | None" = None
    """The dump that the same side sent next."""
    is_cancelled: bool = False
    """Whether the receiver cancelled it, or the sender."""
    goes_on_ns: int | None = None
    """When the sending side next said anything after its last packet, if it did."""
    planned: int | None = None
    """Packets that the header calls for; None where it doesn't say."""

    def __post_init__(self) -> None:
        """Work out what the header calls for."""
        if (plan := plan_of(self.header)) is not None:
            self.planned = plan.packets

    def add_sending(self, exchange: Exchange, message: TimedMessage) -> None:
        """Take one of its messages, for the first time or once more."""
        if not exchange.sendings:
            self.exchanges.append(exchange)
        exchange.add_sending(message)
        self.sent.append((exchange, message))

    def add_reply(self, reply: Reply) -> None:
        """Take what the receiver said."""
        reply.exchange.add_reply(reply)
        self.replies.append(reply)
        self.is_cancelled |= reply.kind is CANCEL and reply.binds

    def add_handshake(self, heard: TimedMessage, message: Handshake) -> None:
        """Take a handshake of the sending side."""
        self.handshakes.append((heard, message))
        self.is_cancelled |= message.kind is CANCEL

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
    def packets(self) -> int:
        """Different packets that were sent, damaged ones included."""
        return sum(each.place is not None for each in self.exchanges)

    @property
    def is_full(self) -> bool:
        """Whether the last packet that the header calls for has been sent."""
        last = self.exchanges[-1].place
        return self.planned is not None and (-1 if last is None else last) + 1 >= self.planned

    @property
    def due_number(self) -> int:
        """The number that the next packet should bear."""
        last = self.exchanges[-1] if self.exchanges else None
        return 0 if last is None or last.place is None else (last.number + 1) % PACKET_NUMBERS

    @property
    def last_ns(self) -> int:
        """When header and packets ended."""
        return self.sent[-1][1].end_ns

    @property
    def active_ns(self) -> int:
        """When anybody last said something about it."""
        ends = [self.last_ns, *(reply.end_ns for reply in self.replies[-1:])]
        ends += [heard.end_ns for heard, _ in self.handshakes[-1:]]
        return max(ends)

    @property
    def is_torn_off(self) -> bool:
        """Whether the capture ends in the middle of its last message."""
        return self.sent[-1][1].is_torn_off

    def is_ours(self, device_id: int | None) -> bool:
        """Whether a message with this device ID is for this dump (DEV-02, DEV-03)."""
        return device_id is not None and (
            self.device_id is None
            or device_id in (self.device_id, ALL_CALL)
            or self.device_id == ALL_CALL
        )
