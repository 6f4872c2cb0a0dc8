"""Explanations of everything else: other messages, real-time bytes and stray bytes."""

from collections.abc import Iterator
from typing import Final

from dryload.emulator.wire.constants import ACTIVE_SENSING, END, FAMILY, SYSTEM_RESET
from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.splitter import Piece, PieceKind
from dryload.harness.teach.explained import FieldLine, FieldText, field_line, places_of

_CHANNEL: Final = (
    *("note off", "note on", "key pressure", "controller"),
    *("program change", "channel pressure", "pitch bend"),
)
"""By the high nibble of the status byte, from 8 on (M1 table I)."""
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


def explain_other(piece: Piece) -> tuple[str, list[FieldLine]]:
    """Return title and lines of a piece that is no sample dump message."""
    match piece.kind:
        case PieceKind.REALTIME:
            return "real-time byte", [realtime_line(piece.offset, piece.raw[0])]
        case PieceKind.STRAY:
            return "stray data bytes", [_stray(piece)]
        case PieceKind.SHORT:
            title = _short_title(piece.body[0])
            return title, [_short(piece, title)]
        case _:
            return "another System Exclusive message", list(_exclusive(piece))


def _stray(piece: Piece) -> FieldLine:
    outside = f"{counted(len(piece.body), 'data byte')} outside any message"
    text = FieldText(outside, "a unit ignores them")
    meaning = "often the rest of a message that lost its beginning"
    return field_line(piece.offset, piece.body, "stray bytes", text, "FRM-07", meaning=meaning)


def _short_title(status: int) -> str:
    if status < 0x80:
        return "channel message without its status byte"
    if status < 0xF0:
        return f"{_CHANNEL[(status >> 4) - 8]}, channel {(status & 0x0F) + 1}"
    return _COMMON.get(status, "undefined status byte")


def _short(piece: Piece, title: str) -> FieldLine:
    status = piece.body[0]
    clause, problem = "FRM-02", ""
    if status in _UNDEFINED:
        clause, problem = "FRM-08", _FORBIDDEN
    elif status == END:
        clause, problem = "FRM-01", "no message was open"
    elif status < 0xF0:
        clause = "FRM-10"
    text = FieldText(title, problem)
    meaning = "not part of a sample dump; inside a message it ends that message"
    return field_line(piece.offset, piece.body, "short message", text, clause, meaning=meaning)


def _exclusive(piece: Piece) -> Iterator[FieldLine]:
    body, at = piece.body, places_of(piece)
    last = len(body) - (piece.kind is PieceKind.EXCLUSIVE)
    family, content = body[1 : min(2, last)], body[2:last]
    yield field_line(at(0), body[:1], "begin", FieldText("System Exclusive begins"), "FRM-01")
    if family:
        text = FieldText(_FAMILIES.get(family[0], "a maker's own"))
        clause = "FRM-09" if family[0] == FAMILY else "FRM-06"
        yield field_line(at(1), family, "family", text, clause)
    if content:
        unknown = f"{counted(len(content), 'byte')} unknown to the sample dump standard"
        yield field_line(at(2), content, "content", FieldText(unknown), "FRM-09")
    if last < len(body):
        yield field_line(at(last), body[last:], "end", FieldText("System Exclusive ends"), "FRM-01")
