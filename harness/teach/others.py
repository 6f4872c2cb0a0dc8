"""What is no message of the sample dump: other messages, real-time bytes, loose bytes."""

from typing import Final

from emulator.wire.constants import ACTIVE_SENSING, END, FAMILY, SYSTEM_RESET
from emulator.wire.splitter import Piece, PieceKind
from harness.teach.line import Line, places_of

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
    0x7E: "Universal Non-Real-Time, and no message of a sample dump",
    0x7F: "Universal Real Time",
    0x7D: "non-commercial, for study",
}  # M1 pp. 34-35


def realtime_line(offset: int, byte: int) -> Line:
    """Return the line for a real-time byte, which may stand anywhere (FRM-03)."""
    name = _REALTIME.get(byte)
    return Line(
        offset=offset,
        raw=bytes([byte]),
        field="real time",
        value=f"{name or 'undefined'}: belongs to no message",
        clause=_REALTIME_CLAUSES.get(byte, "FRM-03"),
        meaning="a single byte that may stand anywhere, inside a message too",
        problem="" if name else "nobody should send it",
    )


def title_of(piece: Piece) -> str:
    """Return what to call a piece that is no message of a sample dump."""
    match piece.kind:
        case PieceKind.REALTIME:
            return "real-time byte"
        case PieceKind.STRAY:
            return "loose data bytes"
        case PieceKind.SHORT:
            return _short_title(piece.body[0])
        case _:
            return "another System Exclusive message"


def lines_of(piece: Piece) -> list[Line]:
    """Return the lines for such a piece, without its real-time bytes."""
    match piece.kind:
        case PieceKind.REALTIME:
            return [realtime_line(piece.offset, piece.raw[0])]
        case PieceKind.STRAY:
            return [_stray(piece)]
        case PieceKind.SHORT:
            return [_short(piece)]
        case _:
            return _exclusive(piece)


def _short_title(status: int) -> str:
    if status < 0x80:
        return "channel message without its status byte"
    if status < 0xF0:
        return f"{_CHANNEL[status >> 4]}, channel {(status & 0x0F) + 1}"
    return "F7 without a message" if status == END else _COMMON.get(status, "undefined status byte")


def _short(piece: Piece) -> Line:
    status = piece.body[0]
    undefined = status in (0xF4, 0xF5)
    problem = ""
    if undefined:
        problem = "nobody should send it"
    elif status == END:
        problem = "no message was open"
    clause = "FRM-08" if undefined else "FRM-01" if status == END else "FRM-02"
    return Line(
        offset=piece.offset,
        raw=piece.body,
        field="short message",
        value=_short_title(status),
        clause="FRM-10" if status < 0xF0 else clause,
        meaning="no part of a sample dump; inside a message it ends it",
        problem=problem,
    )


def _stray(piece: Piece) -> Line:
    count = len(piece.body)
    return Line(
        offset=piece.offset,
        raw=piece.body,
        field="loose bytes",
        value=f"{count} data byte{'s' if count > 1 else ''} that belong to no message",
        clause="FRM-07",
        meaning="often the rest of a message that lost its beginning",
        problem="a unit passes over them",
    )


def _exclusive(piece: Piece) -> list[Line]:
    body, at = piece.body, places_of(piece)
    inner = body[1:-1] if piece.kind is PieceKind.EXCLUSIVE else body[1:]
    lines = [_plain(at(0), body[:1], "begin", "System Exclusive begins", "FRM-01")]
    if inner:
        family = _FAMILIES.get(inner[0], "a maker's own")
        clause = "FRM-09" if inner[0] == FAMILY else "FRM-06"
        lines.append(_plain(at(1), inner[:1], "family", family, clause))
    if inner[1:]:
        count = len(inner) - 1
        said = f"{count} byte{'s' if count > 1 else ''} that a sample dump does not know"
        lines.append(_plain(at(2), inner[1:], "content", said, "FRM-09"))
    if piece.kind is PieceKind.EXCLUSIVE:
        lines.append(_plain(at(len(body) - 1), body[-1:], "end", "System Exclusive ends", "FRM-01"))
    return lines


def _plain(offset: int, raw: bytes, field: str, value: str, clause: str) -> Line:
    return Line(offset=offset, raw=raw, field=field, value=value, clause=clause)
