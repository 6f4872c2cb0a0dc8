"""Packets that were torn on the way: which pieces of the stream belong to one, and what tore it.

Theory of operation.  A packet that lost a byte is still one piece, of the wrong length.  A packet
in which a byte became a status byte falls apart: what stood before the status is cut off, and
the rest goes by as other messages or loose bytes.  The pieces that stood within one
packet's length are put together again, so that one fault is told once and at its own byte.
"""

from collections.abc import Iterable, Sequence
from typing import Final

from msgspec import Struct

from dryload.emulator.wire.codec import Foreign, Malformed, decode, kind_of
from dryload.emulator.wire.constants import END, FAMILY, PACKET_BYTES, PACKET_NUMBERS, START
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import (
    TITLES,
    DataPacket,
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    ExtendedLoopPoints,
    ExtendedLoopPointsRequest,
    LoopPoints,
    LoopPointsRequest,
    Message,
    SampleName,
)
from dryload.emulator.wire.packets import CHECKSUM, DATA, NUMBER
from dryload.emulator.wire.prose import counted, spelled
from dryload.emulator.wire.splitter import Piece, PieceKind
from dryload.harness.files.sections import OddPiece
from dryload.harness.judge.finding import Findings, Place
from dryload.harness.judge.plan import DumpPlan

_SUB_ID: Final = 0x02
_GROWTH: Final = 3  # bytes that a torn packet may be longer than a whole one
_NEARLY_WHOLE: Final = range(PACKET_BYTES - 2, PACKET_BYTES + 3)


class Wreck(Struct, frozen=True):
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
        name = f"Packet {place:,}" if own else f"A torn packet beside packet {place:,}"
        body, first = wreck.body, wreck.pieces[0]
        statuses = [at for at in range(1, len(body)) if body[at] > 0x7F]
        if len(body) == PACKET_BYTES and body[-1] == END and len(statuses) == 2:
            at = statuses[0]
            findings.tell(
                "number is no data byte" if at == NUMBER else "status byte in a packet",
                Place(byte=_offset_in(wreck, at), packet=place),
                clause="FRM-02" if at < NUMBER else "",
                name=name,
                status=body[at],
                due=place % PACKET_NUMBERS,
                what=_named(at),
                lost=lost,
            )
        elif first.kind is PieceKind.STRAY:
            begin = Place(byte=first.offset, packet=place)
            found = spelled(body)
            findings.tell("packet without its beginning", begin, name=name, found=found, lost=lost)
        else:
            tell_damage(findings, first, DataPacket, name=name, packet=place, lost=lost)


def _named(at: int) -> str:
    """Return what to call a byte of a packet."""
    if at == CHECKSUM:
        return "the checksum"
    return f"byte {at}" if at < DATA.start else f"data byte {at - DATA.start}"


def tell_damage(
    findings: Findings,
    piece: Piece,
    kind: type[Message] | None,
    *,
    name: str = "",
    packet: int | None = None,
    lost: str = "",
    so: str = "",
) -> None:
    """Tell of one message that hasn't the form of its kind."""
    length = len(piece.body)
    size = FIXED[kind].size if kind is not None and kind in FIXED else None
    is_whole = piece.kind is PieceKind.EXCLUSIVE
    names = {
        "name": name or f"The {TITLES[kind] if kind is not None else 'message'}",
        "length": counted(length, "byte"),
        "lost": lost,
        "so": so,
    }
    at = Place(byte=piece.offset if is_whole else piece.offset + len(piece.raw), packet=packet)
    if is_whole:
        off = length - (size or length)
        findings.tell(
            "message of the wrong length",
            at,
            clause=_LENGTH_CLAUSES.get(kind, "") if kind is not None else "",
            expected=f"{size} bytes" if size else "as many bytes as its two lengths say",
            off=f", {counted(abs(off), 'byte')} too {'few' if off < 0 else 'many'}" if off else "",
            hint=" The byte for the channels seems to be missing."
            if kind is ExtendedHeader and off == -1
            else "",
            names=names,
        )
    elif piece.ended_by in (None, START):
        findings.tell(
            "message without its end",
            at,
            breaks="has no F7 at its end"
            if size is not None and length == size - 1
            else f"breaks off after {counted(length, 'byte')}",
            end=f"F7 as byte {size}" if size else "F7",
            ended="the end of the file" if piece.ended_by is None else "F0",
            names=names,
        )
    else:
        findings.tell("message cut off", at, status=piece.ended_by, names=names)


_LENGTH_CLAUSES: Final = {
    DataPacket: "PKT-01",
    ExtendedHeader: "EXT-01",
    DumpRequest: "REQ-01",
    LoopPoints: "LOP-01",
    LoopPointsRequest: "LOP-01",
    ExtendedLoopPoints: "EXT-07",
    ExtendedLoopPointsRequest: "EXT-07",
    SampleName: "NAM-01",
}
"""The clause that gives a message's length, where it isn't FRM-05."""


def _offset_in(wreck: Wreck, place: int) -> int:
    """Return where byte `place` of the packet stands in the stream, real-time bytes counted."""
    for piece in wreck.pieces:
        if place < len(piece.body):
            realtime = {offset for offset, _ in piece.realtime}
            offsets = range(piece.offset, piece.offset + len(piece.raw))
            return [offset for offset in offsets if offset not in realtime][place]
        place -= len(piece.body)
    return wreck.offset
