"""Packets that were torn on the way: which pieces of the stream belong to one, and what tore it.

Theory of operation.  A packet that lost a byte is still one piece, of the wrong length.  A packet
in which a byte became a status byte falls apart: what stood before the status is cut off, and
the rest goes by as other messages or loose bytes.  The pieces that stood within one
packet's length are put together again, so that one fault is told once and at its own byte.
"""

from collections.abc import Callable, Iterable, Sequence
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
from harness.judge.plain import byte

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
    sound: Callable[[int], str],
) -> None:
    """Add a finding for each torn packet.

    `places` gives the place of each and whether it is the only packet for it; `sound` says what the
    packet for a place holds, in plain words.
    """
    for wreck, (place, own) in zip(wrecks, places, strict=True):
        name = f"Packet {place:,}" if own else f"A torn packet beside packet {place:,}"
        held = sound(place) if own else ""
        lost = f"What it held is lost: {held}. " if held else ""
        do = f"{lost}Make or record the dump anew."
        _Case(findings=findings, wreck=wreck, name=name, place=place, do=do).judge()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """One torn packet to be judged."""

    findings: Findings
    wreck: Wreck
    name: str
    place: int
    do: str

    def judge(self) -> None:
        body = self.wreck.body
        statuses = [place for place in range(1, len(body)) if body[place] > 0x7F]
        first = self.wreck.pieces[0]
        length = counted(len(first.body), "byte")
        if len(body) == PACKET_BYTES and body[-1] == END and len(statuses) == 2:
            self._judge_status(statuses[0])
        elif first.kind is PieceKind.STRAY:
            self._add(
                "FRM-01",
                "begins without F0: its bytes lie loose.",
                first.offset,
                expected="F0",
                found=spelled(body),
            )
        elif first.kind is PieceKind.EXCLUSIVE:
            self._add(
                "PKT-01",
                f"is {length} long.",
                first.offset,
                expected=f"{PACKET_BYTES} bytes",
                found=f"{length}, {_by(len(first.body))}",
            )
        elif first.ended_by in (None, START):
            self._judge_open_end(first)
        else:
            self._add(
                "FRM-02",
                f"is cut off after {length} by the status byte {byte(first.ended_by)}.",
                first.offset + len(first.raw),
                expected="data bytes 00 to 7F up to F7",
                found=byte(first.ended_by),
                do=f"Keep other messages out of the dump while it is recorded. {self.do}",
            )

    def _add(
        self, clause: str, what: str, offset: int, *, expected: str, found: str, do: str = ""
    ) -> None:
        self.findings.add(
            clause,
            f"{self.name} {what}",
            at=Place(byte=offset, packet=self.place),
            expected=expected,
            found=found,
            do=do or self.do,
        )

    def _judge_open_end(self, piece: Piece) -> None:
        """Judge a packet that another F0 or the end of the stream cut off."""
        length = len(piece.body)
        after = f"after {counted(length, 'byte')}"
        ended = "the end of the file" if piece.ended_by is None else "F0"
        self._add(
            "FRM-01",
            "has no F7 at its end." if length == PACKET_BYTES - 1 else f"breaks off {after}.",
            piece.offset + len(piece.raw),
            expected=f"F7 as byte {PACKET_BYTES} of the packet",
            found=f"{ended} {after}",
        )

    def _judge_status(self, at: int) -> None:
        """Judge a packet of the right length in which byte `at` is a status byte."""
        value = byte(self.wreck.body[at])
        offset = _offset_in(self.wreck, at)
        if at == NUMBER:
            self._add(
                "PKT-07",
                f"bears the number {value}, which ends the message.",
                offset,
                expected=f"{byte(self.place % PACKET_NUMBERS)}: after 7F comes 00",
                found=value,
                do="Let the numbers run from 00 to 7F and begin again at 00.",
            )
            return
        where = f"byte {at}" if at < DATA.start else f"data byte {at - DATA.start}"
        self._add(
            "PKT-06" if at >= DATA.start else "FRM-02",
            f"has {value} where {'the checksum' if at == CHECKSUM else where} belongs, "
            "which ends the message.",
            offset,
            expected="00 to 7F",
            found=value,
        )


def _offset_in(wreck: Wreck, place: int) -> int:
    """Return where byte `place` of the packet stands in the stream, real-time bytes counted."""
    for piece in wreck.pieces:
        if place < len(piece.body):
            realtime = {offset for offset, _ in piece.realtime}
            offsets = range(piece.offset, piece.offset + len(piece.raw))
            return [offset for offset in offsets if offset not in realtime][place]
        place -= len(piece.body)
    return wreck.offset


def _by(length: int) -> str:
    short = PACKET_BYTES - length
    return f"{counted(abs(short), 'byte')} too {'few' if short > 0 else 'many'}"
