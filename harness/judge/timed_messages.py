"""The messages of a conversation in order, with their names and times."""

from collections.abc import Iterable, Iterator, Sequence

from msgspec import Struct
from msgspec.structs import force_setattr

from dryload.emulator.dump.capture import Capture, Direction
from dryload.emulator.dump.passed import Passed, passed
from dryload.emulator.wire.checksum import checksum
from dryload.emulator.wire.codec import Decoded, Foreign, Malformed, decode, device_of, kind_of
from dryload.emulator.wire.constants import BYTE_NS, PACKET_NUMBERS
from dryload.emulator.wire.messages import TITLES, DataPacket, Handshake, title
from dryload.emulator.wire.packets import NUMBER
from dryload.emulator.wire.splitter import Piece, PieceKind

_SHORTEST_NAMED = 4  # bytes that a torn message needs to be called anything
_NAMES = {
    PieceKind.CUT: "System Exclusive message that was cut short",
    PieceKind.SHORT: "message that is not System Exclusive",
    PieceKind.REALTIME: "real-time byte",
    PieceKind.STRAY: "bytes that belong to no message",
}


class TimedMessage(Struct, frozen=True, kw_only=True):
    """A message, or what else passed in one piece; times count from the first message on."""

    direction: Direction
    number: int
    """Which message of its direction, from 1 on; single real-time bytes are counted apart."""
    place: int
    """Which of both directions together, from 0 on."""
    piece: Piece
    message: Decoded | None
    """What it says; None where it is no whole System Exclusive message."""
    start_ns: int
    end_ns: int
    gaps_ns: int
    """How much longer it took than its bytes need on the line."""
    _is_sound: bool | None = None

    @property
    def is_realtime(self) -> bool:
        """Whether it is a single real-time byte outside any message."""
        return self.piece.kind is PieceKind.REALTIME

    @property
    def body(self) -> bytes:
        """Its bytes without real-time bytes (FRM-03)."""
        return self.piece.body

    @property
    def is_sound(self) -> bool:
        """Whether it has the right form and, as a packet, the right checksum."""
        if self._is_sound is None:  # asked again and again, and a checksum is 124 bytes of work
            force_setattr(self, "_is_sound", self._sound())
        return bool(self._is_sound)

    def _sound(self) -> bool:
        message = self.message
        if isinstance(message, DataPacket):
            return message.checksum == checksum(message)
        if message is None:
            return self.piece.kind is PieceKind.SHORT
        return not isinstance(message, Malformed)

    @property
    def is_whole_packet(self) -> bool:
        """Whether it is a data packet of the right form."""
        return isinstance(self.message, DataPacket)

    @property
    def is_torn_off(self) -> bool:
        """Whether the capture ends in the middle of it."""
        return self.piece.kind is PieceKind.CUT and self.piece.ended_by is None

    @property
    def packet_number(self) -> int | None:
        """The number that it carries where a packet has one, None where none is to be read."""
        body = self.piece.body
        return body[NUMBER] if len(body) > NUMBER and body[NUMBER] < PACKET_NUMBERS else None

    @property
    def device_id(self) -> int | None:
        """The device ID in it."""
        return None if self.message is None else device_of(self.message)


class ScrapLimit(Struct):
    """How many scraps are looked at one by one: what is no message of the standard, nor one torn.

    A recording may hold megabytes of noise, and each scrap of it costs more than its bytes.
    """

    left: int
    dropped: int = 0
    """Scraps that came when no more were to be looked at."""

    def takes(self, each: Passed) -> bool:
        """Whether something is looked at."""
        piece = each.piece
        if piece.kind in (PieceKind.EXCLUSIVE, PieceKind.REALTIME):
            return True
        if piece.kind is PieceKind.CUT and kind_of(piece.body) is not None:
            return True
        self.left -= 1
        if self.left >= 0:
            return True
        self.dropped += 1
        return False


def timed_messages(
    capture: Capture, directions: Sequence[Direction], limit: ScrapLimit | None = None
) -> list[TimedMessage]:
    """Return what passed in these directions, in the order in which it ended."""
    found = [
        (each.end_ns, direction is Direction.FROM_UNIT, each.start_ns, direction, each.piece)
        for direction in directions
        for each in _ended_in_order(passed(capture, direction))
        if limit is None or limit.takes(each)
    ]
    # Not by start: a message that a driver delivers whole seems to begin before what it answers.
    found.sort(key=lambda each: each[:2])
    messages = (start_ns for _, _, start_ns, _, piece in found if not _is_realtime(piece))
    zero_ns = next(messages, found[0][2] if found else 0)
    return list(_counted(found, zero_ns))


def _ended_in_order(passing: Iterable[Passed]) -> Iterator[Passed]:
    """Yield what passed in one direction; no message ends before the one in front of it.

    Where a driver delivers two messages together, faster than a line carries them, the first of
    them would by its length have ended before what was delivered earlier.
    """
    latest_ns: int | None = None
    for each in passing:
        if _is_realtime(each.piece):  # it may stand inside a message
            yield each
            continue
        latest_ns = each.end_ns if latest_ns is None else max(latest_ns, each.end_ns)
        yield each._replace(end_ns=latest_ns)


def name_of(piece: Piece) -> str:
    """Return what to call a piece: "dump header", "NAK for number 3"."""
    if piece.kind is PieceKind.EXCLUSIVE:
        return _named(decode(piece.body))
    kind = kind_of(piece.body) if len(piece.body) >= _SHORTEST_NAMED else None
    if piece.kind is PieceKind.CUT and kind is not None:
        return f"{TITLES[kind]} that was cut short"
    return _NAMES[piece.kind]


def _named(message: Decoded) -> str:
    match message:
        case Foreign():
            return "System Exclusive message of another kind"
        case Malformed(kind=kind):
            return f"damaged {TITLES[kind]}"
        case DataPacket(packet_number=number):
            return f"data packet with number {number}"
        case Handshake(packet_number=number):
            return f"{title(message)} for number {number}"
    return title(message)


def _counted(
    found: Sequence[tuple[int, bool, int, Direction, Piece]], zero_ns: int
) -> Iterator[TimedMessage]:
    numbers: dict[tuple[Direction, bool], int] = {}
    for place, (end_ns, _, start_ns, direction, piece) in enumerate(found):
        realtime = _is_realtime(piece)
        number = numbers[direction, realtime] = numbers.get((direction, realtime), 0) + 1
        yield TimedMessage(
            direction=direction,
            number=number,
            place=place,
            piece=piece,
            message=decode(piece.body) if piece.kind is PieceKind.EXCLUSIVE else None,
            start_ns=start_ns - zero_ns,
            end_ns=end_ns - zero_ns,
            gaps_ns=end_ns - start_ns - len(piece.raw) * BYTE_NS,
        )


def _is_realtime(piece: Piece) -> bool:
    return piece.kind is PieceKind.REALTIME
