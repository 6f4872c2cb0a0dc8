"""Torn messages, loose bytes and real-time bytes beside the packets of a dump."""

from collections.abc import Sequence
from typing import Final

from emulator.wire.codec import kind_of
from emulator.wire.constants import END, START, SYSTEM_RESET
from emulator.wire.splitter import Piece, PieceKind
from harness.files.sections import OddPiece
from harness.judge.finding import Place, Verdict
from harness.judge.headers import judge_damaged
from harness.judge.heaps import Heaps, Kind
from harness.judge.plain import byte, counted, spelled

UNDEFINED: Final = (0xF4, 0xF5, 0xF9, 0xFD)  # FRM-08, M1 p. A-2
_CHANNEL_DATA: Final = 2  # data bytes of the longest channel message


def judge_loose(heaps: Heaps, odd: Sequence[OddPiece]) -> None:
    """Add findings for whatever is no whole System Exclusive message."""
    for before, piece in odd:
        if piece.kind is PieceKind.CUT:
            _judge_cut(heaps, before, piece)
        elif piece.kind is PieceKind.SHORT:
            _judge_short(heaps, before, piece)
        elif piece.kind is PieceKind.STRAY:
            _judge_stray(heaps, piece)
    for value, tally in heaps.section.realtime.items():
        if value in UNDEFINED:
            _judge_undefined(heaps, value, tally.first, tally.count)
        elif value == SYSTEM_RESET and heaps.is_inside(tally.before):
            heaps.add(_RESET, tally.first, tally.count)
    _judge_rubble(heaps)


_RESET: Final = Kind(
    clause="FRM-12",
    one="A system reset (FF) stands in the dump.",
    many="{n} system resets (FF) stand in the dump.",
    expected="none",
    found="FF",
    do="Leave it out: a unit that obeys it loses the dump.",
)
_LONE_END: Final = Kind(
    clause="FRM-07",
    one="An F7 stands where no message is to be ended.",
    many="{n} times an F7 stands where no message is to be ended.",
    expected="F0 before F7",
    found="F7",
    do="Take it out.",
)


def _judge_cut(heaps: Heaps, before: int, piece: Piece) -> None:
    if kind_of(piece.body) is not None:
        judge_damaged(heaps.notes, piece, "")
        return
    inside = heaps.is_inside(before)
    torn = Kind(
        clause="FRM-01" if piece.ended_by in (None, START) else "FRM-02",
        one="A message has no F7 at its end.",
        many="{n} messages have no F7 at their ends.",
        # The clauses speak of the messages of a dump; outside one it is only untidy.
        verdict=None if inside else Verdict.BENT,
        expected="F7",
        found="the end of the file" if piece.ended_by is None else byte(piece.ended_by),
        do="Make or record the dump anew."
        if inside
        else "Take it out: it belongs to no dump, but a unit may stumble over it.",
    )
    heaps.add(torn, piece.offset)


def _judge_short(heaps: Heaps, before: int, piece: Piece) -> None:
    status = piece.body[0]
    if status in UNDEFINED:
        _judge_undefined(heaps, status, piece.offset, 1)
    elif status == END:
        heaps.add(_LONE_END, piece.offset)
    elif heaps.is_inside(before):
        short = Kind(
            clause="PKT-12",
            one="A short message, such as a note, stands between the packets.",
            many="{n} short messages, such as notes, stand between the packets.",
            verdict=Verdict.NOTED,
            expected="nothing but packets from the header to the last packet",
            found=spelled(piece.body),
            do="Leave it out: it is legal there, but a unit may lose the dump over it.",
        )
        heaps.add(short, piece.offset)


def _judge_stray(heaps: Heaps, piece: Piece) -> None:
    follows_end = piece.offset > 0 and heaps.section.data[piece.offset - 1] == END
    if follows_end and len(piece.body) <= _CHANNEL_DATA:
        what = "right behind an F7, like a channel message without its status byte."
        stray = Kind(
            clause="FRM-10",
            one=f"Data bytes stand {what}",
            many=f"{{n}} times data bytes stand {what}",
            expected="a status byte after F7",
            found=spelled(piece.body),
            do="Give the message its status byte, or take the bytes out.",
        )
    else:
        stray = Kind(
            clause="FRM-07",
            one="Loose data bytes lie between the messages.",
            many="{n} times loose data bytes lie between the messages.",
            expected="F0",
            found=f"{counted(len(piece.body), 'byte')}: {spelled(piece.body)}",
            do="Take them out; often they are the rest of a torn message.",
        )
    heaps.add(stray, piece.offset)


def _judge_undefined(heaps: Heaps, value: int, offset: int, count: int) -> None:
    undefined = Kind(
        clause="FRM-08",
        one=f"The undefined status byte {byte(value)} stands in the stream.",
        many=f"The undefined status byte {byte(value)} stands in the stream {{n}} times.",
        expected="no F4, F5, F9 or FD",
        found=byte(value),
        do="Take it out, and see what puts it in.",
    )
    heaps.add(undefined, offset, count)


def _judge_rubble(heaps: Heaps) -> None:
    rubble = heaps.section.rubble
    if rubble.count:
        heaps.notes.add(
            "FRM-07",
            f"{counted(rubble.size, 'more byte')} of odd things were not looked at one by one.",
            at=Place(byte=rubble.first),
            expected="messages of a dump",
            found=counted(rubble.size, "byte"),
            do="See what is said of the bytes before: most of this is no dump.",
        )
