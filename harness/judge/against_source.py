"""What was sent, or arrived, against the dump that was to be sent: header and packet by packet.

Theory of operation.  Of each packet the best sending counts, as the judge has it; of several that
look right, the first one that is not.  A dump may go to another device ID than its file says: then
IDs, and checksums that are right, are not compared.
"""

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import fields

from dryload.emulator.wire.constants import MAX_BITS, MIN_BITS, PACKET_BYTES
from dryload.emulator.wire.messages import DataPacket, Header
from dryload.emulator.wire.packets import CHECKSUM, DATA, DEVICE_ID, NUMBER
from dryload.emulator.wire.words import unpack_words
from dryload.harness.judge.account import Kind
from dryload.harness.judge.dialogue.exchanges import Exchange
from dryload.harness.judge.explanation import explain
from dryload.harness.judge.plan import plan_of
from dryload.harness.judge.timed_messages import TimedMessage

_NEAR: Final = 2
_CLOSE: Final = 16  # bytes that differ in two sendings of one packet
_FORMS: Final = {
    Kind.TOP_BIT_FLIPPED: "two's complement",
    Kind.BYTES_REVERSED: "low byte first",
    Kind.RIGHT_JUSTIFIED: "at the lower end",
}


class Source(Struct, frozen=True, kw_only=True, eq=False):
    """A dump that was to be sent, message by message."""

    name: str
    """File and, of several, which dump of it."""
    header: Header
    packets: tuple[bytes, ...]
    """As they stand in the file: one may be missing, torn or there twice."""

    @property
    def numbers(self) -> list[int | None]:
        """The number that each packet bears, None where it is too short to have one."""
        return [each[NUMBER] if len(each) > NUMBER else None for each in self.packets]

    def whole(self, place: int) -> bytes | None:
        """Return the packet at a place; None where the file has none there, or not all of it."""
        packet = self.packets[place] if 0 <= place < len(self.packets) else b""
        return packet if len(packet) == PACKET_BYTES else None

    @property
    def is_last_partly_filled(self) -> bool:
        """Whether filler follows the last word."""
        plan = plan_of(self.header)
        return plan is not None and plan.words % plan.per_packet != 0

    def has_twice(self, body: bytes) -> bool:
        """Whether it holds a packet of this number and content more than once."""
        return sum(each[NUMBER:] == body[NUMBER:] for each in self.packets) > 1


class HeaderDifference(Struct, frozen=True, kw_only=True):
    """A field of the header that is not what it was to be."""

    name: str
    expected: int | None
    """None where the source has no such field."""
    found: int | None

    @property
    def is_one_bit(self) -> bool:
        """Whether one bit was turned over."""
        return ((self.expected or 0) ^ (self.found or 0)).bit_count() == 1

    @property
    def is_rounded(self) -> bool:
        """Whether it is a period that was rounded the other way (HDR-05)."""
        near = abs((self.expected or 0) - (self.found or 0)) <= 1
        return self.name == "period_ns" and near


class PacketDifference(Struct, frozen=True, kw_only=True, eq=False):
    """A packet that is not what it was to be."""

    place: int
    """Packet of the source, counted from 0."""
    exchange: Exchange
    heard: TimedMessage
    """The sending that was compared."""
    expected: bytes
    found: bytes
    offsets: tuple[int, ...]
    """Bytes of the packet that differ, F0 being 0; of another length: the first one."""
    words: tuple[tuple[int, int, int], ...]
    """Words of the sound that differ: index, in the source, as sent; none where only filler or the
    length does."""
    is_whole: bool
    """Whether both are whole packets."""

    @property
    def is_filler(self) -> bool:
        """Whether only what stands behind the last word differs, and the checksum with it."""
        return self.is_whole and not self.words and DATA.start <= self.offsets[0] < CHECKSUM

    @property
    def is_summed_anew(self) -> bool:
        """Whether the checksum is another one, so that whoever changed the packet made it anew."""
        return self.is_whole and CHECKSUM in self.offsets


class Compared(Struct, frozen=True, kw_only=True, eq=False):
    """A dump held against its source."""

    fields: tuple[HeaderDifference, ...]
    packets: tuple[PacketDifference, ...]
    compared: int
    """Packets that were held against one of the source."""

    @property
    def unseen(self) -> tuple[PacketDifference, ...]:
        """The differences that no receiver can see."""
        return tuple(each for each in self.packets if each.heard.is_sound)


def against(header: Header | None, packets: Sequence[Exchange], source: Source) -> Compared:
    """Return everything in which a dump differs from its source."""
    differences = []
    compared, due = 0, 0
    for exchange in packets:
        place = _place_in(exchange, source, due)
        if place is not None:
            compared, due = compared + 1, place + 1
            differences.append(_difference(exchange, source, place))
    return Compared(
        fields=() if header is None else tuple(_fields(header, source.header)),
        packets=tuple(each for each in differences if each is not None),
        compared=compared,
    )


def _place_in(exchange: Exchange, source: Source, due: int) -> int | None:
    """Return which packet of the source this is: by its number, or the next one if it is closer.

    The number itself may be what was altered, and then it says nothing.  A source that has a packet
    twice, or lacks one, has the others a little beside their places.
    """
    mine = due if exchange.place is None else exchange.place
    near = dict.fromkeys((mine, due, due + 1, mine - 1))
    body = exchange.best.body
    apart = {
        each: len(_offsets(body, source.packets[each]))
        for each in near
        if 0 <= each < len(source.packets)
    }
    if not apart:
        return None
    nearest = min(apart, key=apart.__getitem__)
    # If it is like none of them, its number counts.
    return nearest if apart[nearest] <= _CLOSE else next(iter(apart))


def is_as_source(exchange: Exchange, source: Source) -> bool | None:
    """Whether the source has a packet just as it was sent; None where it has no such packet.

    Where the source itself lacks a packet, its packets stand a little before their places.
    """
    place = exchange.place
    near = () if place is None else source.packets[max(place - _NEAR, 0) : place + _NEAR + 1]
    same = (_same(each.body, other) for each in exchange.sendings for other in near)
    return any(same) if near else None


def _same(found: bytes, expected: bytes) -> bool:
    if found == expected:
        return True
    if len(found) != len(expected) or len(found) < PACKET_BYTES:
        return False
    shift = found[DEVICE_ID] ^ expected[DEVICE_ID]
    ends = found[CHECKSUM] ^ shift == expected[CHECKSUM]
    return ends and found[DEVICE_ID + 1 : CHECKSUM] == expected[DEVICE_ID + 1 : CHECKSUM]


def _fields(found: Header, expected: Header) -> Iterator[HeaderDifference]:
    names = dict.fromkeys(each.name for header in (expected, found) for each in fields(header))
    for name in names:
        one, other = getattr(expected, name, None), getattr(found, name, None)
        if one != other and name != "device_id":
            yield HeaderDifference(name=name, expected=one, found=other)


def _difference(exchange: Exchange, source: Source, place: int) -> PacketDifference | None:
    expected = source.packets[place]
    # Of several that are right the unit may have kept any.
    odd = [each for each in exchange.sendings if not _same(each.body, expected)]
    unseen = [each for each in odd if each.is_sound]
    if not odd or (not unseen and _same(exchange.best.body, expected)):
        return None
    heard = unseen[0] if unseen else exchange.best
    found = heard.body
    whole = isinstance(heard.message, DataPacket) and len(expected) == PACKET_BYTES
    return PacketDifference(
        place=place,
        exchange=exchange,
        heard=heard,
        expected=expected,
        found=found,
        offsets=_offsets(found, expected),
        words=_words(found, expected, place, source) if whole else (),
        is_whole=whole,
    )


def _offsets(found: bytes, expected: bytes) -> tuple[int, ...]:
    """Return which bytes differ; of another length the first that does."""
    if found == expected:
        return ()
    pairs = enumerate(zip(found, expected, strict=False))
    differing = [at for at, (one, other) in pairs if one != other]
    if len(found) != len(expected):
        return (differing[0] if differing else min(len(found), len(expected)),)
    if DEVICE_ID in differing:  # it may be another one, and the checksum then has to be
        differing = [at for at in differing if at not in (DEVICE_ID, CHECKSUM)] or differing
    return tuple(differing)


def _words(
    found: bytes, expected: bytes, place: int, source: Source
) -> tuple[tuple[int, int, int], ...]:
    plan = plan_of(source.header)
    if plan is None:
        return ()
    one, other = (np.frombuffer(packet[DATA], np.uint8) for packet in (expected, found))
    words, came = (unpack_words(data, plan.header.bits) for data in (one, other))
    first, differing = (
        place * plan.per_packet,
        np.unique(np.flatnonzero(one != other) // plan.width),
    )
    return tuple(
        (first + at, int(words[at]), int(came[at]))
        for at in differing.tolist()
        if first + at < plan.words
    )


def form_of(pairs: Sequence[tuple[bytes, bytes]], bits: int) -> str:
    """Return in which other form all words of packets are those expected; "" where in none.

    The pairs are packets as expected and as found.
    """
    whole = all(len(one) == len(other) == PACKET_BYTES for one, other in pairs)
    if not MIN_BITS <= bits <= MAX_BITS or not whole:
        return ""
    expected, found = (
        unpack_words(np.frombuffer(b"".join(packet[DATA] for packet in side), np.uint8), bits)
        for side in zip(*pairs, strict=True)
    )
    lowest = -(1 << (bits - 1))
    sound = (expected != lowest) | (found != lowest)  # filler stays 00 in whatever form words are
    account = explain(expected[sound], found[sound], bits=(bits, bits))
    return _FORMS.get(account[0].kind, "") if len(account) == 1 else ""
