"""What stands beside the header and the packets of a dump: messages, scraps, real-time bytes.

It comes in swarms, 5,000 handshakes of a recording of both sides, a clock, noise: so each kind of
thing is one finding, with how many there are and where the first one stands.
"""

from collections.abc import Mapping
from typing import Final, NamedTuple

from emulator.wire.codec import Foreign, Malformed, decode, kind_of
from emulator.wire.constants import (
    ALL_CALL,
    ALL_LOOPS,
    END,
    EXTENDED_LOOP_TYPES,
    FAMILY,
    LOOP_TYPES,
    START,
    SYSTEM_RESET,
)
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
from emulator.wire.prose import capitalised, counted, spelled
from emulator.wire.splitter import Piece, PieceKind
from harness.files.sections import Section
from harness.judge.dump import DumpContents
from harness.judge.finding import Answerable, Findings, Place, Verdict
from harness.judge.headers import NO_LOOP_TYPES, judge_damaged
from harness.judge.plain import byte

UNDEFINED: Final = (0xF4, 0xF5, 0xF9, 0xFD)  # FRM-08, M1 p. A-2
_REALTIME_FAMILY: Final = 0x7F  # FRM-06, M1 p. 35
_SPACE, _TILDE = 0x20, 0x7E  # NAM-02: printable ASCII
_CHANNEL_DATA: Final = 2  # data bytes of the longest channel message


class _Row(NamedTuple):
    """How one kind of thing is told: for one of them, and for {n}."""

    clause: str
    one: str
    many: str
    expected: str
    do: str
    verdict: Verdict | None = None


_RESET: Final = _Row(
    "FRM-12",
    "A system reset (FF) stands in the dump.",
    "{n} system resets (FF) stand in the dump.",
    "none",
    "Leave it out: a unit that obeys it loses the dump.",
)
_LONE_END: Final = _Row(
    "FRM-07",
    "An F7 stands where no message is to be ended.",
    "{n} times an F7 stands where no message is to be ended.",
    "F0 before F7",
    "Take it out.",
)
_SHORT: Final = _Row(
    "PKT-12",
    "A short message, such as a note, stands between the packets.",
    "{n} short messages, such as notes, stand between the packets.",
    "nothing but packets from the header to the last packet",
    "Leave it out: it is legal there, but a unit may lose the dump over it.",
    Verdict.NOTED,
)
_NO_STATUS: Final = _Row(
    "FRM-10",
    "Data bytes stand right behind an F7, like a channel message without its status byte.",
    "{n} times data bytes stand right behind an F7, like a channel message without its status "
    "byte.",
    "a status byte after F7",
    "Give the message its status byte, or take the bytes out.",
)
_STRAY: Final = _Row(
    "FRM-07",
    "Loose data bytes lie between the messages.",
    "{n} times loose data bytes lie between the messages.",
    "F0",
    "Take them out; often they are the rest of a torn message.",
)
_EARLY_EOF: Final = _Row(
    "HSK-18",
    "An EOF stands before the last packet.",
    "{n} EOFs stand before the last packet.",
    "no EOF, or one after the last packet",
    "Leave the EOF out: a sample dump ends with its last word.",
)
_CANCEL: Final = _Row(
    "HSK-19",
    "A CANCEL stands in the file: a unit would give the dump up there.",
    "{n} CANCELs stand in the file: a unit would give the dump up at the first.",
    "header and packets only",
    "Leave it out, and make sure that the dump is whole: somebody broke it off.",
)


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
        if value in UNDEFINED:
            judge.undefined(value, tally.first, tally.count)
        elif value == SYSTEM_RESET and judge.is_inside(tally.before):
            judge.tell(_RESET, tally.first, "FF", tally.count)
    if section.rubble.count:
        size = section.rubble.size
        findings.add(
            "FRM-07",
            f"{counted(size, 'more byte')} of odd things were not looked at one by one.",
            at=Place(byte=section.rubble.first),
            expected="messages of a dump",
            found=counted(size, "byte"),
            do="See what is said of the bytes before: most of this is no dump.",
        )
    judge_early(findings, contents)


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

    def tell(self, row: _Row, offset: int, found: str, count: int = 1) -> None:
        """Add `count` things of one kind; `offset` is where the first one stands."""
        self._findings.add(
            row.clause,
            row.one,
            many=row.many,
            count=count,
            at=Place(byte=offset),
            expected=row.expected,
            found=found,
            do=row.do,
            verdict=row.verdict,
        )

    # Whole messages.

    def exclusive(self, before: int, piece: Piece) -> None:
        """Judge a System Exclusive message."""
        message = decode(piece.body)
        if isinstance(message, Malformed):
            judge_damaged(self._findings, piece, "")
        elif isinstance(message, Foreign):
            if (meant := _meant(piece.body)) is not None:
                self._wrong_family(piece, meant)
            elif self.is_inside(before):
                self._between(piece, "a message that is none of a sample dump")
        else:
            self._address(piece, message)
            self._message(before, piece, message)

    def _message(self, before: int, piece: Piece, message: Message) -> None:
        if isinstance(message, Handshake):
            self._handshake(before, piece, message.kind)
            return
        if self.is_inside(before):
            self._between(piece, f"a {title(message)}")
        if isinstance(message, LoopPoints | ExtendedLoopPoints):
            self._loop(piece, message)
        elif isinstance(message, SampleName):
            self._name(piece, message)

    def _wrong_family(self, piece: Piece, meant: Message) -> None:
        second = byte(piece.body[1])
        row = _Row(
            "FRM-06",
            f"A {title(meant)} has {second} as its second byte.",
            f"{{n}} messages of the kind {title(meant)} have {second} as their second byte.",
            "7E",
            "Begin every message of the dump with F0 7E: this way it belongs to another family.",
        )
        self.tell(row, piece.offset, second)

    def _address(self, piece: Piece, message: Message) -> None:
        owner, found = self._owner, message.device_id
        if owner in (None, ALL_CALL) or found in (owner, ALL_CALL):
            return
        ids = f"addressed to device {found}, the dump to device {owner}."
        row = _Row(
            "DEV-03",
            f"A message beside the packets is {ids}",
            f"{{n}} messages beside the packets are {ids}",
            f"device ID {owner}",
            "Give every message of the dump the same ID.",
        )
        self.tell(row, piece.offset, f"device ID {found}")

    def _handshake(self, before: int, piece: Piece, kind: HandshakeKind) -> None:
        if kind is HandshakeKind.EOF:
            if self.is_inside(before):
                self.tell(_EARLY_EOF, piece.offset, "EOF")
        elif kind is HandshakeKind.CANCEL:
            self.tell(_CANCEL, piece.offset, "CANCEL")
        else:
            whose = "which a receiver sends and a sender does not."
            row = _Row(
                "HSK-19",
                f"The file holds one {kind.name}, {whose}",
                f"The file holds {{n}} {kind.name}s, {whose}",
                "header and packets only",
                "Leave the answers out: this looks like a recording of both sides.",
            )
            self.tell(row, piece.offset, kind.name)

    def _between(self, piece: Piece, what: str) -> None:
        row = _Row(
            "PKT-12",
            f"{capitalised(what)} stands between the packets.",
            f"{capitalised(what)} stands between the packets, {{n}} times.",
            "nothing but packets from the header to the last packet",
            "Move it behind the last packet: a unit may take it for the end of the dump.",
        )
        self.tell(row, piece.offset, what)

    def _loop(self, piece: Piece, loop: LoopPoints | ExtendedLoopPoints) -> None:
        if loop.loop_number == ALL_LOOPS:
            return  # deletes all loops; the other fields mean nothing (LOP-04)
        types = LOOP_TYPES if isinstance(loop, LoopPoints) else EXTENDED_LOOP_TYPES
        length = self._lengths.get(loop.sample_number)
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
        self._findings.add(
            "LOP-06",
            f"Loop {loop.loop_number:,} of sample {loop.sample_number:,} {what}",
            at=Place(byte=piece.offset),
            expected="a known type, and start <= end < length",
            found=f"type {byte(loop.loop_type)}, {loop.loop_start:,} to {loop.loop_end:,}",
            do="Correct the loop.",
            who=Answerable.SENDER,
        )

    def _name(self, piece: Piece, message: SampleName) -> None:
        odd = bytes(value for value in message.name if not _SPACE <= value <= _TILDE)
        if message.language or not odd:
            return
        self._findings.add(
            "NAM-02",
            f"The name of sample {message.sample_number:,} has {counted(len(odd), 'byte')} that "
            "cannot be printed.",
            at=Place(byte=piece.offset),
            expected="bytes 20 to 7E",
            found=spelled(odd),
            do="Write the name in plain ASCII, or give it a language tag.",
            who=Answerable.SENDER,
        )

    # Scraps.

    def scrap(self, before: int, piece: Piece) -> None:
        """Judge whatever is no whole System Exclusive message."""
        if piece.kind is PieceKind.CUT:
            self._cut(before, piece)
        elif piece.kind is PieceKind.SHORT:
            self._short(before, piece)
        elif piece.kind is PieceKind.STRAY:
            self._stray(piece)

    def _cut(self, before: int, piece: Piece) -> None:
        if kind_of(piece.body) is not None:
            judge_damaged(self._findings, piece, "")
            return
        inside = self.is_inside(before)
        row = _Row(
            "FRM-01" if piece.ended_by in (None, START) else "FRM-02",
            "A message has no F7 at its end.",
            "{n} messages have no F7 at their ends.",
            "F7",
            "Make or record the dump anew."
            if inside
            else "Take it out: it belongs to no dump, but a unit may stumble over it.",
            # The clauses speak of the messages of a dump; outside one it is only untidy.
            None if inside else Verdict.BENT,
        )
        ended = "the end of the file" if piece.ended_by is None else byte(piece.ended_by)
        self.tell(row, piece.offset, ended)

    def _short(self, before: int, piece: Piece) -> None:
        status = piece.body[0]
        if status in UNDEFINED:
            self.undefined(status, piece.offset, 1)
        elif status == END:
            self.tell(_LONE_END, piece.offset, "F7")
        elif self.is_inside(before):
            self.tell(_SHORT, piece.offset, spelled(piece.body))

    def _stray(self, piece: Piece) -> None:
        follows_end = piece.offset > 0 and self._section.data[piece.offset - 1] == END
        if follows_end and len(piece.body) <= _CHANNEL_DATA:
            self.tell(_NO_STATUS, piece.offset, spelled(piece.body))
        else:
            size = counted(len(piece.body), "byte")
            self.tell(_STRAY, piece.offset, f"{size}: {spelled(piece.body)}")

    def undefined(self, value: int, offset: int, count: int) -> None:
        """Judge status bytes that the standard leaves undefined."""
        stands = f"The undefined status byte {byte(value)} stands in the stream"
        row = _Row(
            "FRM-08",
            f"{stands}.",
            f"{stands} {{n}} times.",
            "no F4, F5, F9 or FD",
            "Take it out, and see what puts it in.",
        )
        self.tell(row, offset, byte(value), count)


def _meant(body: bytes) -> Message | None:
    """Return the message of a dump that `body` would be, were its second byte 7E."""
    if body[1] != _REALTIME_FAMILY:
        return None
    message = decode(bytes([body[0], FAMILY]) + body[2:])
    return message if isinstance(message, DataPacket | DumpHeader | ExtendedHeader) else None


def judge_early(findings: Findings, contents: DumpContents) -> None:
    """Add findings on loop points and names that stand before the header of their dump."""
    header = contents.header
    for offset, message in contents.added:
        if header is None or offset >= contents.section.offset:
            return
        of_name = isinstance(message, SampleName)
        findings.add(
            "HDR-01",
            f"{'Name' if of_name else 'Loop points'} of sample {header.sample_number:,} "
            f"{'stands' if of_name else 'stand'} before its header and "
            f"{'is' if of_name else 'are'} taken to belong to it.",
            at=Place(byte=offset),
            expected="the header of a sample before what is said of it",
            found=f"{title(message)} first",
            do="Move it behind the packets: a unit that has no such sample yet passes over it.",
            verdict=Verdict.NOTED,
            who=Answerable.SENDER,
        )
