"""What stands beside the header and the packets of a dump: messages, scraps, real-time bytes.

It comes in swarms, 5,000 handshakes of a recording of both sides, a clock, noise: so each kind of
thing is one finding, with how many there are and where the first one stands.
"""

from collections.abc import Mapping
from typing import Final

from dryload.emulator.wire.codec import Foreign, Malformed, decode, kind_of
from dryload.emulator.wire.constants import (
    ALL_CALL,
    ALL_LOOPS,
    END,
    EXTENDED_LOOP_TYPES,
    FAMILY,
    LOOP_TYPES,
    START,
    SYSTEM_RESET,
)
from dryload.emulator.wire.messages import (
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
from dryload.emulator.wire.prose import capitalised, counted, spelled
from dryload.emulator.wire.splitter import Piece, PieceKind
from dryload.harness.files.sections import Section
from dryload.harness.judge.dump import DumpContents
from dryload.harness.judge.finding import Findings, Place
from dryload.harness.judge.headers import NO_LOOP_TYPES
from dryload.harness.judge.wrecks import tell_damage

UNDEFINED: Final = (0xF4, 0xF5, 0xF9, 0xFD)  # FRM-08, M1 p. A-2
_REALTIME_FAMILY: Final = 0x7F  # FRM-06, M1 p. 35
_SPACE, _TILDE = 0x20, 0x7E  # NAM-02: printable ASCII
_CHANNEL_DATA: Final = 2  # data bytes of the longest channel message


def judge_beside(
    findings: Findings, contents: DumpContents, lengths: Mapping[int, int], owner: int | None
) -> None:
    """Add findings for whatever is neither the header nor a packet.

    `lengths` are the words of the samples whose headers came before, by sample number; `owner` is
    the device ID that leads the dump.
    """
    section = contents.section
    judge = _Beside(findings, section, lengths, owner)
    for before, piece in contents.odd:
        if piece.kind is PieceKind.EXCLUSIVE:
            judge.exclusive(before, piece)
    for before, piece in contents.odd:
        if piece.kind is not PieceKind.EXCLUSIVE:
            judge.scrap(before, piece)
    for value, tally in section.realtime.items():
        at = Place(byte=tally.first)
        if value in UNDEFINED:
            findings.tell("undefined status byte", at, status=value, count=tally.count)
        elif value == SYSTEM_RESET and judge.is_inside(tally.before):
            findings.tell("system reset", at, count=tally.count)
    if section.rubble.count:
        size = section.rubble.size
        findings.tell(
            "not looked at",
            Place(byte=section.rubble.first),
            more=counted(size, "more byte"),
            size=counted(size, "byte"),
        )
    _judge_early(findings, contents)


class _Beside:
    def __init__(
        self,
        findings: Findings,
        section: Section,
        lengths: Mapping[int, int],
        owner: int | None,
    ) -> None:
        self._findings = findings
        self._section = section
        self._lengths = lengths
        self._owner = owner

    def is_inside(self, before: int) -> bool:
        """Return whether what has so many packets before it stands before the last packet."""
        return self._section.opening is not None and before < self._section.packets

    # Whole messages.

    def exclusive(self, before: int, piece: Piece) -> None:
        """Judge a System Exclusive message."""
        message, at = decode(piece.body), Place(byte=piece.offset)
        if isinstance(message, Malformed):
            tell_damage(self._findings, piece, message.kind)
        elif isinstance(message, Foreign):
            if (meant := _meant(piece.body)) is not None:
                second = piece.body[1]
                self._findings.tell("another family", at, title=title(meant), second=second)
            elif self.is_inside(before):
                self._between(at, "a message that is none of a sample dump")
        else:
            owner, device = self._owner, message.device_id
            if owner not in (None, ALL_CALL) and device not in (owner, ALL_CALL):
                self._findings.tell("message for another device", at, device=device, owner=owner)
            self._message(before, at, message)

    def _message(self, before: int, at: Place, message: Message) -> None:
        if isinstance(message, Handshake):
            self._handshake(before, at, message.kind)
            return
        if self.is_inside(before):
            self._between(at, f"a {title(message)}")
        if isinstance(message, LoopPoints | ExtendedLoopPoints):
            self._loop(at, message)
        elif isinstance(message, SampleName):
            self._name(at, message)

    def _handshake(self, before: int, at: Place, kind: HandshakeKind) -> None:
        if kind is HandshakeKind.CANCEL:
            self._findings.tell("CANCEL in the file", at)
        elif kind is not HandshakeKind.EOF:
            self._findings.tell("answers in the file", at, reply=kind.name)
        elif self.is_inside(before):
            self._findings.tell("EOF before the end", at)

    def _between(self, at: Place, what: str) -> None:
        self._findings.tell("message between", at, what=capitalised(what), found=what)

    def _loop(self, at: Place, loop: LoopPoints | ExtendedLoopPoints) -> None:
        if loop.loop_number == ALL_LOOPS:
            return  # deletes all loops; the other fields mean nothing (LOP-04)
        types = LOOP_TYPES if isinstance(loop, LoopPoints) else EXTENDED_LOOP_TYPES
        length = self._lengths.get(loop.sample_number)
        if loop.loop_type not in types:
            what = f"has the type {loop.loop_type:02X}, which means nothing"
        elif loop.loop_type in NO_LOOP_TYPES:
            return
        elif loop.loop_start > loop.loop_end:
            what = "begins after its end"
        elif length is not None and loop.loop_end >= length:
            what = f"ends beyond the sample, which has {counted(length, 'word')}"
        else:
            return
        self._findings.tell(
            "loop message that cannot be",
            at,
            loop=loop.loop_number,
            sample=loop.sample_number,
            what=what,
            type=loop.loop_type,
            start=loop.loop_start,
            end=loop.loop_end,
        )

    def _name(self, at: Place, message: SampleName) -> None:
        odd = bytes(value for value in message.name if not _SPACE <= value <= _TILDE)
        if odd and not message.language:
            self._findings.tell(
                "name that cannot be printed",
                at,
                sample=message.sample_number,
                bytes=counted(len(odd), "byte"),
                found=spelled(odd),
            )

    # Scraps.

    def scrap(self, before: int, piece: Piece) -> None:
        """Judge whatever is no whole System Exclusive message."""
        at, found = Place(byte=piece.offset), spelled(piece.body)
        if piece.kind is PieceKind.CUT:
            self._cut(before, at, piece)
        elif piece.kind is PieceKind.SHORT:
            status = piece.body[0]
            if status in UNDEFINED:
                self._findings.tell("undefined status byte", at, status=status)
            elif status == END:
                self._findings.tell("lone F7", at)
            elif self.is_inside(before):
                self._findings.tell("short message between", at, found=found)
        elif piece.kind is PieceKind.STRAY:
            follows_end = piece.offset > 0 and self._section.data[piece.offset - 1] == END
            is_channel = follows_end and len(piece.body) <= _CHANNEL_DATA
            kind = "data behind an end" if is_channel else "loose bytes"
            self._findings.tell(kind, at, size=counted(len(piece.body), "byte"), found=found)

    def _cut(self, before: int, at: Place, piece: Piece) -> None:
        if (kind := kind_of(piece.body)) is not None:
            tell_damage(self._findings, piece, kind)
            return
        ended = piece.ended_by
        # The clauses speak of the messages of a dump; outside one it is only untidy.
        self._findings.tell(
            "message without F7" if self.is_inside(before) else "scrap outside a dump",
            at,
            clause="FRM-01" if ended in (None, START) else "FRM-02",
            found="the end of the file" if ended is None else f"{ended:02X}",
        )


def _meant(body: bytes) -> Message | None:
    """Return the message of a dump that `body` would be, were its second byte 7E."""
    if body[1] != _REALTIME_FAMILY:
        return None
    message = decode(bytes([body[0], FAMILY]) + body[2:])
    return message if isinstance(message, DataPacket | DumpHeader | ExtendedHeader) else None


def _judge_early(findings: Findings, contents: DumpContents) -> None:
    """Add findings on loop points and names that stand before the header of their dump."""
    header = contents.header
    for offset, message in contents.added:
        if header is None or offset >= contents.section.offset:
            return
        of_name = isinstance(message, SampleName)
        findings.tell(
            "told before the header",
            Place(byte=offset),
            what=f"{'Name' if of_name else 'Loop points'} of sample {header.sample_number:,} "
            f"{'stands' if of_name else 'stand'}",
            are="is" if of_name else "are",
            title=title(message),
        )
