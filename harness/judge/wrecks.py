"""Packets that were torn on the way: which pieces of the stream belong to one, and what tore it.

Theory of operation.  A packet that lost a byte is still one piece, of the wrong length.  A packet
in which a byte became a status byte falls apart: what stood before the status is cut off, and
the rest goes by as other messages or loose bytes.  The pieces that stood within one
packet's length are put together again, so that one fault is told once and at its own byte.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from emulator.wire.codec import Foreign, Malformed, decode, kind_of
from emulator.wire.constants import END, FAMILY, PACKET_BYTES, START
from emulator.wire.messages import DataPacket, DumpHeader, ExtendedHeader
from emulator.wire.packets import CHECKSUM, DATA, NUMBER
from emulator.wire.splitter import Piece, PieceKind
from harness.files.sections import Odd
from harness.judge.finding import Place
from harness.judge.notes import Notes
from harness.judge.plain import byte, counted, spelled

_SUB_ID: Final = 0x02
_GROWTH: Final = 3  # bytes that a torn packet may be longer than a whole one
_NEARLY_WHOLE: Final = range(PACKET_BYTES - 2, PACKET_BYTES + 3)


@dataclass(frozen=True, slots=True)
class Wreck:
    """The pieces of one torn packet and how many whole packets stand before it."""

    before: int
    pieces: tuple[Piece, ...]

    @property
    def offset(self) -> int:
        """Where it begins."""
        return self.pieces[0].offset

    @property
    def body(self) -> bytes:
        """Its bytes without real-time bytes (FRM-03)."""
        return b"".join(piece.body for piece in self.pieces)


def gather(odd: Sequence[Odd]) -> tuple[list[Wreck], list[Odd]]:
    """Return the torn packets among odd pieces, and the rest."""
    wrecks: list[Wreck] = []
    rest: list[Odd] = []
    pieces: list[Piece] = []
    before = 0

    def close() -> None:
        if pieces:
            wrecks.append(Wreck(before, tuple(pieces)))
            pieces.clear()

    for item in odd:
        if pieces and (item.before != before or not _belongs(pieces, item.piece)):
            close()
        if pieces:
            pieces.append(item.piece)
        elif _is_torn_packet(item.piece):
            before = item.before
            pieces.append(item.piece)
        else:
            rest.append(item)
            continue
        if _is_over(pieces):
            close()
    close()
    return wrecks, rest


def _is_torn_packet(piece: Piece) -> bool:
    """Return whether a piece begins as a data packet, or as one whose first bytes suffered."""
    body = piece.body
    if piece.kind is PieceKind.STRAY:
        return len(body) in _NEARLY_WHOLE and body[0] == FAMILY and body[2] == _SUB_ID
    if piece.kind not in (PieceKind.EXCLUSIVE, PieceKind.CUT):
        return False
    if kind_of(body) is DataPacket:
        return True
    if len(body) not in _NEARLY_WHOLE or not isinstance(decode(body), Foreign | Malformed):
        return False
    # A byte lost or put in before the packet number moves 7E or 02 by one place.
    return FAMILY in body[1:3] or body[2] == _SUB_ID


def _belongs(pieces: Sequence[Piece], piece: Piece) -> bool:
    """Return whether a piece is the rest of the packet that `pieces` began."""
    begin = pieces[0].offset
    inside = sum(len(one.realtime) for one in pieces)
    if piece.offset >= begin + PACKET_BYTES + _GROWTH + inside:
        return False
    if piece.kind in (PieceKind.STRAY, PieceKind.SHORT):
        return True
    if kind_of(piece.body) in (DataPacket, DumpHeader, ExtendedHeader):
        return False
    end = piece.offset + len(piece.body)
    return isinstance(decode(piece.body), Foreign) and end <= begin + PACKET_BYTES + 2 * _GROWTH


def _is_over(pieces: Sequence[Piece]) -> bool:
    first, last = pieces[0], pieces[-1]
    if len(pieces) == 1 and first.kind is not PieceKind.STRAY:
        return len(first.body) >= PACKET_BYTES  # a shorter one may end with an F7 in its data
    return last.body[-1] == END


def judge_wrecks(
    notes: Notes,
    wrecks: Iterable[Wreck],
    places: Iterable[tuple[int, bool]],
    sound: Callable[[int], str],
) -> None:
    """Add a finding for each torn packet.

    `places` gives the place of each and whether it is the only packet for it; `sound` says what the
    packet for a place holds, in plain words.
    """
    for wreck, (place, own) in zip(wrecks, places, strict=True):
        name = f"Packet {place:,}" if own else f"A torn packet beside packet {place:,}"
        _judge(notes, wreck, name, Place(byte=wreck.offset, packet=place), sound(place) if own else "")


def _judge(notes: Notes, wreck: Wreck, name: str, at: Place, what: str) -> None:
    body = wreck.body
    lost = f"What it held is lost: {what}." if what else ""
    do = " ".join(filter(None, (lost, "Make or record the dump anew.")))
    statuses = [place for place in range(1, len(body)) if body[place] > 0x7F]
    if len(body) == PACKET_BYTES and body[-1] == END and len(statuses) == 2:
        _judge_status(notes, wreck, name, at, statuses[0], do)
        return
    first = wreck.pieces[0]
    if first.kind is PieceKind.STRAY:
        notes.add(
            "FRM-01",
            f"{name} begins without F0: its bytes lie loose.",
            at=at,
            expected="F0",
            found=spelled(body),
            do=do,
        )
    elif first.kind is PieceKind.EXCLUSIVE:
        notes.add(
            "PKT-01",
            f"{name} is {counted(len(first.body), 'byte')} long.",
            at=at,
            expected=f"{PACKET_BYTES} bytes",
            found=f"{counted(len(first.body), 'byte')}, {_by(len(first.body))}",
            do=do,
        )
    elif first.ended_by in (None, START):
        _judge_open_end(notes, first, name, at, do)
    else:
        notes.add(
            "FRM-02",
            f"{name} is cut off after {counted(len(first.body), 'byte')} by the status byte "
            f"{byte(first.ended_by)}.",
            at=_at_byte(at, first.offset + len(first.raw)),
            expected="data bytes 00 to 7F up to F7",
            found=byte(first.ended_by),
            do=f"Keep other messages out of the dump while it is recorded. {do}",
        )


def _judge_open_end(notes: Notes, piece: Piece, name: str, at: Place, do: str) -> None:
    """Judge a packet that another F0 or the end of the stream cut off."""
    length = len(piece.body)
    if length == PACKET_BYTES - 1:
        message = f"{name} has no F7 at its end."
    else:
        message = f"{name} breaks off after {counted(length, 'byte')}."
    found = "the end of the file" if piece.ended_by is None else "F0"
    notes.add(
        "FRM-01",
        message,
        at=_at_byte(at, piece.offset + len(piece.raw)),
        expected=f"F7 as byte {PACKET_BYTES} of the packet",
        found=f"{found} after {counted(length, 'byte')}",
        do=do,
    )


def _judge_status(notes: Notes, wreck: Wreck, name: str, at: Place, place: int, do: str) -> None:
    """Judge a packet of the right length in which one byte is a status byte."""
    value = wreck.body[place]
    at = _at_byte(at, _offset_in(wreck, place))
    if place == NUMBER:
        notes.add(
            "PKT-07",
            f"{name} bears the number {byte(value)}, which ends the message.",
            at=at,
            expected=f"{byte((at.packet or 0) % 128)}: after 7F comes 00",
            found=byte(value),
            do="Let the numbers run from 00 to 7F and begin again at 00.",
        )
        return
    where = (
        "the checksum" if place == CHECKSUM else f"data byte {place - DATA.start}"
        if place >= DATA.start else f"byte {place}"
    )  # fmt: skip
    notes.add(
        "PKT-06" if place >= DATA.start else "FRM-02",
        f"{name} has {byte(value)} where {where} belongs, which ends the message.",
        at=at,
        expected="00 to 7F",
        found=byte(value),
        do=do,
    )


def _at_byte(at: Place, offset: int) -> Place:
    return Place(byte=offset, packet=at.packet)


def _offset_in(wreck: Wreck, place: int) -> int:
    """Return where byte `place` of the packet stands in the stream, real-time bytes counted."""
    for piece in wreck.pieces:
        if place < len(piece.body):
            offsets = {offset for offset, _ in piece.realtime}
            plain = (at for at in range(piece.offset, piece.offset + len(piece.raw)))
            return _nth((at for at in plain if at not in offsets), place)
        place -= len(piece.body)
    return wreck.offset


def _nth(numbers: Iterator[int], place: int) -> int:
    for _ in range(place):
        next(numbers)
    return next(numbers)


def _by(length: int) -> str:
    short = PACKET_BYTES - length
    return f"{counted(abs(short), 'byte')} too {'few' if short > 0 else 'many'}"
