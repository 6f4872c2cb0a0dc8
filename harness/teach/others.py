"""Explanations of everything else: other messages, real-time bytes and stray bytes."""

from collections.abc import Iterator
from typing import Final

from emulator.wire.constants import ACTIVE_SENSING, END, FAMILY, SYSTEM_RESET
from emulator.wire.prose import counted
from emulator.wire.splitter import Piece, PieceKind
from harness.teach.explained import FieldLine, FieldText, field_line, places_of

_CHANNEL: Final = {
    0x8: "note off",
    0x9: "note on",
    0xA: "key pressure",
    0xB: "controller",
    0xC: "program change",
    0xD: "channel pressure",
    0xE: "pitch bend",
}  # M1 table I
_COMMON: Final = {
    0xF1: "time code",
    0xF2: "song position",
    0xF3: "song select",
    0xF6: "tune request",
    END: "F7 without a message",
}  # M1 table VII
_REALTIME: Final = {
    0xF8: "clock",
    0xFA: "start",
    0xFB: "continue",
    0xFC: "stop",
    ACTIVE_SENSING: "active sensing",
    SYSTEM_RESET: "reset",
}  # M1 p. 30
_REALTIME_CLAUSES: Final = {0xF9: "FRM-08", 0xFD: "FRM-08", 0xFE: "TIM-09", 0xFF: "FRM-12"}
_FAMILIES: Final = {
    0x7E: "Universal Non-Real-Time, but not a sample dump message",
    0x7F: "Universal Real Time",
    0x7D: "non-commercial, for study",
}  # M1 pp. 34-35
_UNDEFINED: Final = (0xF4, 0xF5)
_FORBIDDEN: Final = "must not be sent"


def realtime_line(offset: int, byte: int) -> FieldLine:
    """Return the line for a real-time byte, which may stand anywhere (FRM-03)."""
    name = _REALTIME.get(byte)
    return field_line(
        offset,
        bytes([byte]),
        "real time",
        FieldText(f"{name or 'undefined'}: belongs to no message", "" if name else _FORBIDDEN),
        _REALTIME_CLAUSES.get(byte, "FRM-03"),
        meaning="a single byte that may stand anywhere, even inside a message",
    )


def title_of(piece: Piece) -> str:
    """Return the name of a piece that is not a sample dump message."""
    match piece.kind:
        case PieceKind.REALTIME:
            return "real-time byte"
        case PieceKind.STRAY:
            return "stray data bytes"
        case PieceKind.SHORT:
            return _short_title(piece.body[0])
        case _:
            return "another System Exclusive message"


def lines_of(piece: Piece) -> list[FieldLine]:
    """Return the lines for such a piece, without its real-time bytes."""
    match piece.kind:
        case PieceKind.REALTIME:
            return [realtime_line(piece.offset, piece.raw[0])]
        case PieceKind.STRAY:
            text = FieldText(
                f"{counted(len(piece.body), 'data byte')} outside any message",
                "a unit ignores them",
            )
            meaning = "often the rest of a message that lost its beginning"
            return [
                field_line(piece.offset, piece.body, "stray bytes", text, "FRM-07", meaning=meaning)
            ]
        case PieceKind.SHORT:
            return [_short(piece)]
        case _:
            return list(_exclusive(piece))


def _short_title(status: int) -> str:
    if status < 0x80:
        return "channel message without its status byte"
    if status < 0xF0:
        return f"{_CHANNEL[status >> 4]}, channel {(status & 0x0F) + 1}"
    return _COMMON.get(status, "undefined status byte")


def _short(piece: Piece) -> FieldLine:
    status = piece.body[0]
    clause, problem = "FRM-02", ""
    if status in _UNDEFINED:
        clause, problem = "FRM-08", _FORBIDDEN
    elif status == END:
        clause, problem = "FRM-01", "no message was open"
    elif status < 0xF0:
        clause = "FRM-10"
    text = FieldText(_short_title(status), problem)
    meaning = "not part of a sample dump; inside a message it ends that message"
    return field_line(piece.offset, piece.body, "short message", text, clause, meaning=meaning)


def _exclusive(piece: Piece) -> Iterator[FieldLine]:
    body, at = piece.body, places_of(piece)
    is_whole = piece.kind is PieceKind.EXCLUSIVE
    inner = body[1:-1] if is_whole else body[1:]
    yield field_line(at(0), body[:1], "begin", FieldText("System Exclusive begins"), "FRM-01")
    if inner:
        family = FieldText(_FAMILIES.get(inner[0], "a maker's own"))
        clause = "FRM-09" if inner[0] == FAMILY else "FRM-06"
        yield field_line(at(1), inner[:1], "family", family, clause)
    if inner[1:]:
        content = FieldText(
            f"{counted(len(inner) - 1, 'byte')} unknown to the sample dump standard"
        )
        yield field_line(at(2), inner[1:], "content", content, "FRM-09")
    if is_whole:
        last = len(body) - 1
        yield field_line(at(last), body[last:], "end", FieldText("System Exclusive ends"), "FRM-01")
