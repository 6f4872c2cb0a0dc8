"""Whole messages that stand in a dump beside its header and packets."""

from collections.abc import Mapping, Sequence
from typing import Final

from emulator.wire.codec import Foreign, Malformed, decode
from emulator.wire.constants import ALL_CALL, ALL_LOOPS, EXTENDED_LOOP_TYPES, FAMILY, LOOP_TYPES
from emulator.wire.messages import (
    DataPacket,
    DumpHeader,
    ExtendedHeader,
    ExtendedLoopPoints,
    Handshake,
    HandshakeKind,
    LoopPoints,
    Message,
    SampleName,
    title,
)
from emulator.wire.splitter import Piece, PieceKind
from harness.files.sections import OddPiece
from harness.judge.dump import DumpContents
from harness.judge.finding import Answerable, Place, Verdict
from harness.judge.headers import NO_LOOP_TYPES, judge_damaged
from harness.judge.heaps import Heaps, Kind
from harness.judge.notes import Notes
from harness.judge.plain import byte, counted, spelled

_REALTIME_FAMILY: Final = 0x7F  # FRM-06, M1 p. 35
_SPACE, _TILDE = 0x20, 0x7E  # NAM-02: printable ASCII


def judge_others(
    heaps: Heaps, odd: Sequence[OddPiece], lengths: Mapping[int, int], owner: int | None
) -> None:
    """Add findings for the whole messages among odd pieces.

    `lengths` are the words of the samples whose headers came before, by sample number; `owner` is
    the device ID that leads the dump.
    """
    for before, piece in odd:
        if piece.kind is not PieceKind.EXCLUSIVE:
            continue
        message = decode(piece.body)
        if isinstance(message, Foreign):
            _judge_foreign(heaps, before, piece)
        elif isinstance(message, Malformed):
            judge_damaged(heaps.notes, piece, "")
        else:
            _judge_id(heaps, piece, message, owner)
            _judge_message(heaps, before, piece, message, lengths)


def _judge_message(
    heaps: Heaps, before: int, piece: Piece, message: Message, lengths: Mapping[int, int]
) -> None:
    if isinstance(message, Handshake):
        _judge_handshake(heaps, before, piece, message.kind)
        return
    if heaps.is_inside(before):
        _judge_between(heaps, piece, f"a {title(message)}")
    if isinstance(message, LoopPoints | ExtendedLoopPoints):
        _judge_loop(heaps, piece, message, lengths.get(message.sample_number))
    elif isinstance(message, SampleName):
        _judge_name(heaps, piece, message)


def _judge_id(heaps: Heaps, piece: Piece, message: Message, owner: int | None) -> None:
    found = message.device_id
    if owner in (None, ALL_CALL) or found in (owner, ALL_CALL):
        return
    ids = f"addressed to device {found}, the dump to device {owner}."
    heaps.add(
        Kind(
            clause="DEV-03",
            one=f"A message beside the packets is {ids}",
            many=f"{{n}} messages beside the packets are {ids}",
            expected=f"device ID {owner}",
            found=f"device ID {found}",
            do="Give every message of the dump the same ID.",
        ),
        piece.offset,
    )


def _judge_handshake(heaps: Heaps, before: int, piece: Piece, kind: HandshakeKind) -> None:
    if kind is HandshakeKind.EOF:
        if heaps.is_inside(before):
            heaps.add(_EARLY_EOF, piece.offset)
    elif kind is HandshakeKind.CANCEL:
        heaps.add(_CANCEL, piece.offset)
    else:
        whose = "which a receiver sends and a sender does not."
        answer = Kind(
            clause="HSK-19",
            one=f"The file holds one {kind.name}, {whose}",
            many=f"The file holds {{n}} {kind.name}s, {whose}",
            expected="header and packets only",
            found=kind.name,
            do="Leave the answers out: this looks like a recording of both sides.",
        )
        heaps.add(answer, piece.offset)


_EARLY_EOF: Final = Kind(
    clause="HSK-18",
    one="An EOF stands before the last packet.",
    many="{n} EOFs stand before the last packet.",
    expected="no EOF, or one after the last packet",
    found="EOF",
    do="Leave the EOF out: a sample dump ends with its last word.",
)
_CANCEL: Final = Kind(
    clause="HSK-19",
    one="A CANCEL stands in the file: a unit would give the dump up there.",
    many="{n} CANCELs stand in the file: a unit would give the dump up at the first.",
    expected="header and packets only",
    found="CANCEL",
    do="Leave it out, and make sure that the dump is whole: somebody broke it off.",
)


def _judge_foreign(heaps: Heaps, before: int, piece: Piece) -> None:
    if (meant := _meant(piece.body)) is None:
        if heaps.is_inside(before):
            _judge_between(heaps, piece, "a message that is none of a sample dump")
        return
    second = byte(piece.body[1])
    wrong_family = Kind(
        clause="FRM-06",
        one=f"A {title(meant)} has {second} as its second byte.",
        many=f"{{n}} messages of the kind {title(meant)} have {second} as their second byte.",
        expected="7E",
        found=second,
        do="Begin every message of the dump with F0 7E: this way it belongs to another family.",
    )
    heaps.add(wrong_family, piece.offset)


def _meant(body: bytes) -> Message | None:
    """Return the message of a dump that `body` would be, were its second byte 7E."""
    if body[1] != _REALTIME_FAMILY:
        return None
    message = decode(bytes([body[0], FAMILY]) + body[2:])
    return message if isinstance(message, DataPacket | DumpHeader | ExtendedHeader) else None


def _judge_between(heaps: Heaps, piece: Piece, what: str) -> None:
    what_here = what[0].upper() + what[1:]
    between = Kind(
        clause="PKT-12",
        one=f"{what_here} stands between the packets.",
        many=f"{what_here} stands between the packets, {{n}} times.",
        expected="nothing but packets from the header to the last packet",
        found=what,
        do="Move it behind the last packet: a unit may take it for the end of the dump.",
    )
    heaps.add(between, piece.offset)


def _judge_loop(
    heaps: Heaps, piece: Piece, loop: LoopPoints | ExtendedLoopPoints, length: int | None
) -> None:
    if loop.loop_number == ALL_LOOPS:
        return  # deletes all loops; the other fields mean nothing (LOP-04)
    types = LOOP_TYPES if isinstance(loop, LoopPoints) else EXTENDED_LOOP_TYPES
    if loop.loop_type not in types:
        what = f"has the type {byte(loop.loop_type)}, which means nothing."
    elif loop.loop_type in NO_LOOP_TYPES:
        return
    elif loop.loop_start > loop.loop_end:
        what = "begins after its end."
    elif length is not None and loop.loop_end >= length:
        what = f"ends beyond the sample, which has {counted(length, 'word')}."
    else:
        return
    heaps.notes.add(
        "LOP-06",
        f"Loop {loop.loop_number:,} of sample {loop.sample_number:,} {what}",
        at=Place(byte=piece.offset),
        expected="a known type, and start <= end < length",
        found=f"type {byte(loop.loop_type)}, {loop.loop_start:,} to {loop.loop_end:,}",
        do="Correct the loop.",
        answerable=Answerable.SENDER,
    )


def judge_early(notes: Notes, contents: DumpContents) -> None:
    """Add findings on loop points and names that stand before the header of their dump."""
    header = contents.header
    for offset, message in contents.added:
        if header is None or offset >= contents.section.offset:
            return
        what = "name" if isinstance(message, SampleName) else "loop points"
        notes.add(
            "HDR-01",
            f"{what.capitalize()} of sample {header.sample_number:,} "
            f"{'stands' if what == 'name' else 'stand'} before its header and "
            f"{'is' if what == 'name' else 'are'} taken to belong to it.",
            at=Place(byte=offset),
            expected="the header of a sample before what is said of it",
            found=f"{title(message)} first",
            do="Move it behind the packets: a unit that has no such sample yet passes over it.",
            verdict=Verdict.NOTED,
            answerable=Answerable.SENDER,
        )


def _judge_name(heaps: Heaps, piece: Piece, message: SampleName) -> None:
    odd = bytes(value for value in message.name if not _SPACE <= value <= _TILDE)
    if message.language or not odd:
        return
    heaps.notes.add(
        "NAM-02",
        f"The name of sample {message.sample_number:,} has {counted(len(odd), 'byte')} that "
        "cannot be printed.",
        at=Place(byte=piece.offset),
        expected="bytes 20 to 7E",
        found=spelled(odd),
        do="Write the name in plain ASCII, or give it a language tag.",
        answerable=Answerable.SENDER,
    )
