"""What happened to a message on its way: bytes altered, lost, added, or a foreign message inside.

Theory of operation.  A message that was hit may fall into pieces: a status byte ends it, what
follows is loose, and an end that is missing lets the next message run into it.  So the pieces up to
the next message are put together again, and their length is compared with the right one.
"""

from collections.abc import Iterable, Mapping, Sequence
from enum import Enum
from typing import Final

from msgspec import Struct

from dryload.emulator.wire.checksum import xor_of
from dryload.emulator.wire.codec import kind_of
from dryload.emulator.wire.constants import END, PACKET_BYTES, PACKET_DATA_BYTES
from dryload.emulator.wire.messages import DumpHeader, ExtendedHeader
from dryload.emulator.wire.packets import DATA, DEVICE_ID
from dryload.emulator.wire.splitter import PieceKind
from dryload.harness.judge.timed_messages import TimedMessage

_CHANNEL: Final = range(0x80, 0xF0)
_FILLER: Final = 8  # bytes of 00 at the end, which no sound ends in (our choice)
_NAME_AT: Final = 7  # of the byte that says how long the language tag is, CA-019 p. 4
# In so many bytes a bit that is not stuck varies (our choice): one packet for a bit that is set,
# which no filler and no unused bit is; more for one that is clear.
_ENOUGH: Final = {True: PACKET_DATA_BYTES, False: 240}
_VARIED: Final = 3  # values of the other bits (our choice)


class Hit(Enum):
    """The kind of damage."""

    ALTERED = "altered"
    LOST = "lost"
    ADDED = "added"
    END_LOST = "end lost"
    """Only F7 is missing."""
    CUT = "cut"
    """The rest of the message is missing, F7 with it."""
    NOTE = "note"
    """A whole channel message stands inside."""


class Damage(Struct, frozen=True, kw_only=True):
    """What happened to one message."""

    hit: Hit
    count: int
    """Bytes that were altered, lost or added."""
    length: int
    """Bytes of the message as it arrived, without a foreign message inside."""
    shown: str
    """Bytes that say something, in hexadecimal; "" where none do."""


def remains_of(spoken: Iterable[TimedMessage]) -> Mapping[int, Sequence[TimedMessage]]:
    """Return by place what is loose behind each System Exclusive message of one direction."""
    found: dict[int, list[TimedMessage]] = {}
    last: int | None = None
    for heard in spoken:
        if heard.piece.kind in (PieceKind.EXCLUSIVE, PieceKind.CUT):
            last = heard.place
        elif last is not None:
            found.setdefault(last, []).append(heard)
    return found


def damage_of(
    heard: TimedMessage,
    remains: Sequence[TimedMessage],
    reference: bytes | None = None,
    right_length: int = PACKET_BYTES,
) -> Damage:
    """Return what happened to a message that is not sound.

    `remains` is what is loose behind it; `reference` the message as it should be, if known.
    """
    body = heard.body
    notes = [each for each in remains if _is_note(each)]
    loose = [each for each in remains if not _is_note(each)]
    is_torn = heard.piece.kind is PieceKind.CUT
    rest = b"".join(each.body for each in loose) if is_torn or _ends_early(body, loose) else b""
    whole = body + rest
    length = len(whole)
    if is_torn and notes and not _is_altered(whole, notes, right_length):
        return Damage(
            hit=Hit.NOTE, count=len(notes[0].body), length=length, shown=_hex(notes[0].body)
        )
    whole += b"".join(each.body for each in notes) if is_torn else b""
    length = len(whole)
    if length == right_length:
        count = 1 if reference is None else _different(whole, reference)
        return Damage(hit=Hit.ALTERED, count=count, length=length, shown=_altered(whole, reference))
    if length > right_length:
        return Damage(hit=Hit.ADDED, count=length - right_length, length=length, shown="")
    missing = right_length - length
    if whole[-1] != END:
        hit = Hit.END_LOST if missing == 1 else Hit.CUT
        if reference is not None and not reference.startswith(whole):
            hit = Hit.LOST
        return Damage(hit=hit, count=missing, length=length, shown="")
    return Damage(hit=Hit.LOST, count=missing, length=length, shown="")


def _is_note(heard: TimedMessage) -> bool:
    piece = heard.piece
    return piece.kind is PieceKind.SHORT and piece.body[0] in _CHANNEL


def _ends_early(body: bytes, loose: Sequence[TimedMessage]) -> bool:
    """Whether an F7 in the middle has ended a message whose rest follows."""
    return bool(loose) and len(body) < PACKET_BYTES and loose[-1].body.endswith(bytes([END]))


def _is_altered(whole: bytes, notes: Sequence[TimedMessage], right_length: int) -> bool:
    """Whether the status byte is rather one of the message's own bytes with its high bit set."""
    with_notes = len(whole) + sum(len(each.body) for each in notes)
    return with_notes == right_length and len(whole) != right_length


def _different(one: bytes, other: bytes) -> int:
    return sum(a != b for a, b in zip(one, other, strict=False)) + abs(len(one) - len(other))


def _altered(whole: bytes, reference: bytes | None) -> str:
    if reference is None or len(reference) != len(whole):
        return ""
    at = next((at for at, (a, b) in enumerate(zip(whole, reference, strict=True)) if a != b), None)
    return "" if at is None else f"byte {at}: {whole[at]:02X} in place of {reference[at]:02X}"


def _hex(data: bytes) -> str:
    return data[:12].hex(" ").upper()


def sum_is_off_by(body: bytes) -> int:
    """Return by which bits the checksum of a whole packet is off (M1 p. 39)."""
    return xor_of(body[1:-1])


def data_bytes(packets: Sequence[TimedMessage]) -> bytes:
    """Return the data bytes of whole packets, in order."""
    return b"".join(each.body[DATA] for each in packets)


def device_byte(body: bytes) -> int:
    """Return the byte of a message that holds its device ID (M1 p. 35)."""
    return int(body[DEVICE_ID])


def is_header_start(heard: TimedMessage) -> bool:
    """Whether a System Exclusive message, whole or torn, was a header (M1 p. 37, CA-019 p. 2)."""
    is_exclusive = heard.piece.kind in (PieceKind.EXCLUSIVE, PieceKind.CUT)
    return is_exclusive and kind_of(heard.body) in (DumpHeader, ExtendedHeader)


def held_bit(by: int, packets: Sequence[TimedMessage]) -> bool | None:
    """Return which value a bit has in every data byte of whole packets.

    None where it varies, or too little is there: silence proves nothing.
    """
    data = data_bytes(packets)
    values = {bool(byte & by) for byte in data}
    if len(values) != 1 or len({byte & ~by for byte in data}) < _VARIED:
        return None
    value = values.pop()
    return value if len(data) >= _ENOUGH[value] else None


def changed_bits(body: bytes, right: bytes) -> set[int]:
    """Return by which bits data bytes of a whole packet are off."""
    return {a ^ b for a, b in zip(body[DATA], right[DATA], strict=True)} - {0}


def differs_in_device(body: bytes, right: bytes) -> bool:
    """Whether a whole packet is another one but for its device ID: checksum and all."""
    behind = DEVICE_ID + 1
    return body[DEVICE_ID] != right[DEVICE_ID] and body[behind:] == right[behind:]


def is_filled_up(packet: TimedMessage) -> bool:
    """Whether a whole packet holds words and then filler: so the sound ended in it (M1 p. 39)."""
    data = packet.body[DATA]
    return packet.is_whole_packet and any(data) and not any(data[-_FILLER:])


def is_short_by_filler(packet: TimedMessage, used: int) -> bool:
    """Whether a last packet ends right behind its last word, checksum and all (PKT-01)."""
    body = packet.body
    ends = packet.piece.kind is PieceKind.EXCLUSIVE
    if not ends or used >= PACKET_DATA_BYTES or len(body) != DATA.start + used + 2:
        return False
    return xor_of(body[1:-2]) & 0x7F == body[-2]


def stops_at_number(packet: TimedMessage, place: int) -> bool:
    """Whether a packet breaks off where its number would be, which is no data byte (PKT-07)."""
    piece = packet.piece
    at_number = len(packet.body) == DEVICE_ID + 2 and piece.kind is PieceKind.CUT
    return at_number and piece.ended_by == min(place, 0xFF)
