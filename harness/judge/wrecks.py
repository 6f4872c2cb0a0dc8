"""Packets that were torn on the way: which pieces of the stream belong to one, and what tore it.

Theory of operation.  A packet that lost a byte is still one piece, of the wrong length.  A packet
in which a byte became a status byte falls apart: what stood before the status is cut off, and
the rest goes by as other messages or loose bytes.  The pieces that stood within one
packet's length are put together again, so that one fault is told once and at its own byte.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from emulator.wire.codec import Foreign, Malformed, decode, kind_of
from emulator.wire.constants import END, FAMILY, PACKET_BYTES, PACKET_NUMBERS, START
from emulator.wire.messages import DataPacket, DumpHeader, ExtendedHeader
from emulator.wire.packets import CHECKSUM, DATA, NUMBER
from emulator.wire.prose import counted, spelled
from emulator.wire.splitter import Piece, PieceKind
from harness.files.sections import OddPiece
from harness.judge.finding import Findings, Place
from harness.judge.plan import DumpPlan

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


def gather(odd: Sequence[OddPiece]) -> tuple[list[Wreck], list[OddPiece]]:
    """Return the torn packets among odd pieces, and the rest."""
    wrecks: list[Wreck] = []
    rest: list[OddPiece] = []
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
    findings: Findings,
    wrecks: Iterable[Wreck],
    places: Iterable[tuple[int, bool]],
    plan: DumpPlan | None,
) -> None:
    """Add a finding for each torn packet.

    `places` gives the place of each and whether it is the only packet for it.
    """
    for wreck, (place, own) in zip(wrecks, places, strict=True):
        lost = f"What it held is lost: {plan.sound(place, 1)}. " if own and plan is not None else ""
        kind, offset, names = _damage(wreck)
        findings.tell(
            kind,
            Place(byte=offset, packet=place),
            clause="FRM-02" if names.get("is_front") else "",
            name=f"Packet {place:,}" if own else f"A torn packet beside packet {place:,}",
            do=f"{lost}Make or record the dump anew.",
            due=place % PACKET_NUMBERS,
            names=names,
        )


def _damage(wreck: Wreck) -> tuple[str, int, dict[str, object]]:
    """Return which kind of finding a torn packet is, the byte at fault, and what to fill in."""
    body, first = wreck.body, wreck.pieces[0]
    size = len(first.body)
    length = counted(size, "byte")
    statuses = [place for place in range(1, len(body)) if body[place] > 0x7F]
    if len(body) == PACKET_BYTES and body[-1] == END and len(statuses) == 2:
        at = statuses[0]
        offset, status = _offset_in(wreck, at), body[at]
        if at == NUMBER:
            return "number is no data byte", offset, {"status": status}
        where = f"byte {at}" if at < DATA.start else f"data byte {at - DATA.start}"
        what = "the checksum" if at == CHECKSUM else where
        names = {"status": status, "what": what, "is_front": at < DATA.start}
        return "status byte in a packet", offset, names
    if first.kind is PieceKind.STRAY:
        return "packet without its beginning", first.offset, {"found": spelled(body)}
    if first.kind is PieceKind.EXCLUSIVE:
        off = counted(abs(PACKET_BYTES - size), "byte")
        by = f"{off} too {'few' if size < PACKET_BYTES else 'many'}"
        return "packet of the wrong length", first.offset, {"length": length, "by": by}
    end = first.offset + len(first.raw)
    if first.ended_by in (None, START):
        is_end = size == PACKET_BYTES - 1
        what = "has no F7 at its end" if is_end else f"breaks off after {length}"
        ended = "the end of the file" if first.ended_by is None else "F0"
        return "packet without its end", end, {"length": length, "what": what, "ended": ended}
    return "packet cut off", end, {"length": length, "status": first.ended_by}


def _offset_in(wreck: Wreck, place: int) -> int:
    """Return where byte `place` of the packet stands in the stream, real-time bytes counted."""
    for piece in wreck.pieces:
        if place < len(piece.body):
            realtime = {offset for offset, _ in piece.realtime}
            offsets = range(piece.offset, piece.offset + len(piece.raw))
            return [offset for offset in offsets if offset not in realtime][place]
        place -= len(piece.body)
    return wreck.offset
