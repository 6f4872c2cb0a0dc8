"""Every byte of a message: what it is, what it means, and which clause defines it.

Theory of operation.  The layouts (`emulator.wire.layout`) are followed field by field along the
bytes that are there, so a torn message is explained as far as it goes.  Real-time bytes belong to
no message (FRM-03): fields are found without them, and each is shown in its place.
"""

from collections.abc import Iterator
from typing import Any, Final

from construct import Construct

from dryload.emulator.wire.codec import decode, kind_of
from dryload.emulator.wire.constants import MAX_BITS, MIN_BITS
from dryload.emulator.wire.layout import FIXED, LAYOUTS, note_of
from dryload.emulator.wire.messages import (
    TITLES,
    DataPacket,
    Handshake,
    HandshakeKind,
    Header,
    Message,
)
from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.sevenbit import from_groups
from dryload.emulator.wire.sizes import words_per_packet
from dryload.emulator.wire.splitter import Piece, PieceKind
from dryload.harness.teach.explained import Explained, FieldLine, FieldText, field_line, places_of
from dryload.harness.teach.fields import field_text, label_of
from dryload.harness.teach.others import explain_other, realtime_line
from dryload.harness.teach.packet_words import PacketWords, checksum_text, data_lines

_EXCLUSIVE: Final = PieceKind.EXCLUSIVE
_PLAIN: Final = frozenset({"start", "family", "sub_id", "sub_id_2", "end", "maker", "revision"})
_LETTERS: Final = frozenset({"language", "name"})
_CHECKSUM: Final = FIXED[DataPacket].span("checksum").start
_LONG_MAKER: Final = 3  # bytes of a maker ID that begins with 00 (IDN-02, M1 p. 40)


def words_at(header: Header | None, packet: int, bits: int | None = None) -> PacketWords | None:
    """Return what is known about the words of packet `packet`; None if not even their width."""
    if header is None or not MIN_BITS <= header.bits <= MAX_BITS:
        return None if bits is None else PacketWords(bits=bits)
    step = words_per_packet(header.bits)
    channels = max(header.channels, 1)
    left = max(header.length * channels - packet * step, 0)
    return PacketWords(
        bits=header.bits, first=packet * step, real=min(left, step), channels=channels
    )


def explain_piece(
    piece: Piece, words: PacketWords | None = None, *, every: bool = False
) -> Explained:
    """Return the explanation of one piece of a stream."""
    kind = kind_of(piece.body)
    if kind is None:
        title, lines = explain_other(piece)
    else:
        title, lines = _title(piece.body, kind), list(_message_lines(piece, kind, words, every))
    if piece.kind is not PieceKind.REALTIME:
        lines += [realtime_line(offset, byte) for offset, byte in piece.realtime]
    lines.sort(key=lambda line: line.byte)
    return Explained(
        title=title,
        byte=piece.offset,
        size=len(piece.raw),
        lines=tuple(lines),
        problems=tuple(_problems(piece, kind)),
    )


def _title(body: bytes, kind: type[Message]) -> str:
    return HandshakeKind(body[3]).name if kind is Handshake else TITLES[kind]


def _message_lines(
    piece: Piece, kind: type[Message], words: PacketWords | None, every: bool
) -> Iterator[FieldLine]:
    at = places_of(piece)
    body = piece.body
    ends = piece.kind is _EXCLUSIVE
    inner = body[:-1] if ends else body
    before: dict[str, Any] = {}
    position = 0
    *fields, end = LAYOUTS[kind].subcons
    for field in fields:
        name = field.name
        if position >= len(inner):
            break
        size = _size(field, inner, position, closed=ends)
        raw = inner[position : position + size]
        if name == "data":
            yield from data_lines(raw, position, at, words, every=every)
        elif name == "checksum":
            yield _line(field, raw, at(position), checksum_text(inner[:position], raw[0]))
        elif size:
            yield _line(field, raw, at(position), _text(field, kind, raw, before))
        position += size
    if position < len(inner):
        left = inner[position:]
        text = FieldText(f"{counted(len(left), 'byte')} beyond the last field", "too many")
        yield field_line(at(position), left, "left over", text, "FRM-05")
    if ends:
        yield _line(end, body[-1:], at(len(body) - 1), _text(end, kind, body[-1:], before))


def _size(field: Construct, inner: bytes, position: int, *, closed: bool) -> int:
    """Return how many bytes a field takes of those that are there."""
    left = len(inner) - position
    if field.name in _LETTERS:
        return min(1 + inner[position], left)
    if field.name == "maker":
        return min(1 if inner[position] else _LONG_MAKER, left)
    if field.name == "data" and closed:
        return max(left - 1, 0)  # whatever its length, the checksum stands before F7
    return min(int(field.sizeof()), left)


def _line(field: Construct, raw: bytes, offset: int, text: FieldText) -> FieldLine:
    clause, meaning = note_of(field)
    return field_line(offset, raw, label_of(field.name), text, clause, meaning=meaning)


def _text(field: Construct, kind: type[Message], raw: bytes, before: dict[str, Any]) -> FieldText:
    name = field.name
    variable = name in _LETTERS or name == "maker"
    if not variable and len(raw) < field.sizeof():
        return FieldText("not all of it is there", f"it takes {field.sizeof()} bytes")
    value: Any = raw if name in _PLAIN else raw[1:] if name in _LETTERS else from_groups(raw)
    before[name] = value
    return field_text(kind, name, value, before)


def _problems(piece: Piece, kind: type[Message] | None) -> Iterator[str]:
    if piece.kind is PieceKind.CUT:
        cut = "at the end" if piece.ended_by is None else f"by {piece.ended_by:02X}"
        yield f"it has no F7: cut off {cut} after {len(piece.body)} bytes"
        if kind is DataPacket and len(piece.body) <= _CHECKSUM:
            place = piece.offset + _CHECKSUM + len(piece.realtime)
            yield f"its checksum would stand at byte {place:,}"
        return
    fixed = FIXED.get(kind) if kind is not None else None
    if kind is not None and fixed is not None and len(piece.body) != fixed.size:
        yield f"it has {len(piece.body)} bytes, and a {TITLES[kind]} has {fixed.size}"
    elif kind is not None and fixed is None and type(decode(piece.body)) is not kind:
        yield "its lengths do not add up"
