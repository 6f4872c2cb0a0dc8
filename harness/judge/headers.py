"""What a header says, judged by itself."""

from fractions import Fraction
from typing import Final

from emulator.wire.codec import kind_of
from emulator.wire.constants import (
    EXTENDED_LOOP_TYPES,
    LOOP_BACKWARD_FORWARD,
    LOOP_FORWARD,
    LOOP_OFF,
    LOOP_TYPES,
    MAX_21_BIT,
    MAX_BITS,
    MIN_BITS,
)
from emulator.wire.layout import FIXED
from emulator.wire.messages import (
    TITLES,
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    ExtendedLoopPoints,
    ExtendedLoopPointsRequest,
    Header,
    LoopPoints,
    LoopPointsRequest,
    SampleName,
)
from emulator.wire.prose import counted
from emulator.wire.splitter import Piece, PieceKind
from harness.judge.finding import Answerable, Findings, Place, Verdict
from harness.judge.plain import byte
from harness.judge.plan import rate_of, turned
from harness.judge.rates import judge_odd_rate, near_common

NO_LOOP_TYPES: Final = (0x7E, LOOP_OFF)
_SLOWEST: Final = 477  # Hz, EXT-08: the largest period of a standard header
_POINT_GROUPS: Final = {DumpHeader: 3, ExtendedHeader: 5}


def judge_header(findings: Findings, opening: Piece, header: Header | None) -> None:
    """Add findings on a header: its form where it is damaged, its fields where it is whole."""
    if header is None:
        judge_damaged(findings, opening, "what follows has no header to go by")
        return
    at = Place(byte=opening.offset)
    if not MIN_BITS <= header.bits <= MAX_BITS:
        findings.add(
            "HDR-03",
            f"The header says {header.bits} significant bits a word.",
            at=at,
            expected=f"{MIN_BITS} to {MAX_BITS}",
            found=str(header.bits),
            do="Make the dump anew with a width that the standard has, best 16 bits.",
            who=Answerable.SENDER,
        )
    rate = rate_of(header)
    if rate is None:
        findings.add(
            "HDR-04",
            "The header gives no sample rate: its "
            + ("period is 0 ns." if isinstance(header, DumpHeader) else "rate is 0 Hz."),
            at=at,
            expected="22,676 ns for 44,100 Hz"
            if isinstance(header, DumpHeader)
            else "the rate in Hz",
            found="0",
            do="Set the rate of the sample in the header.",
            who=Answerable.SENDER,
        )
    elif near_common(float(rate)) is None:
        judge_odd_rate(findings, at, header, rate)
    _judge_loop(findings, at, header)
    if isinstance(header, ExtendedHeader):
        _judge_extended(findings, at, header, rate)


def judge_damaged(
    findings: Findings, piece: Piece, consequence: str, packet: int | None = None
) -> None:
    """Add a finding on a message that begins as one of the standard's and hasn't its form."""
    kind = kind_of(piece.body)
    name = TITLES[kind] if kind is not None else "message"
    end = piece.offset + len(piece.raw)
    length = counted(len(piece.body), "byte")
    do = "Make or record the dump anew" + (f": {consequence}." if consequence else ".")
    if piece.kind is PieceKind.EXCLUSIVE:
        size = FIXED[kind].size if kind is not None and kind in FIXED else None
        hint = ""
        if kind is ExtendedHeader and size is not None and len(piece.body) == size - 1:
            hint = " The byte for the channels seems to be missing."
        findings.add(
            LENGTH_CLAUSES.get(kind, "FRM-05") if kind is not None else "FRM-05",
            f"The {name} is {length} long.",
            at=Place(byte=piece.offset, packet=packet),
            expected=f"{size} bytes" if size else "as many bytes as its two lengths say",
            found=length,
            do=do + hint,
        )
    elif piece.ended_by in (None, 0xF0):
        findings.add(
            "FRM-01",
            f"The {name} has no F7: it breaks off after {length}.",
            at=Place(byte=end, packet=packet),
            expected="F7",
            found="the end of the file" if piece.ended_by is None else "F0",
            do=do,
        )
    else:
        findings.add(
            "FRM-02",
            f"The {name} is cut off after {length} by the status byte {byte(piece.ended_by)}.",
            at=Place(byte=end, packet=packet),
            expected="data bytes 00 to 7F up to F7",
            found=byte(piece.ended_by),
            do=do,
        )


LENGTH_CLAUSES: Final = {
    ExtendedHeader: "EXT-01",
    DumpRequest: "REQ-01",
    LoopPoints: "LOP-01",
    LoopPointsRequest: "LOP-01",
    ExtendedLoopPoints: "EXT-07",
    ExtendedLoopPointsRequest: "EXT-07",
    SampleName: "NAM-01",
}
"""The clause that gives a message's length, where it isn't FRM-05."""


def _judge_loop(findings: Findings, at: Place, header: Header) -> None:
    extended = isinstance(header, ExtendedHeader)
    types = EXTENDED_LOOP_TYPES if extended else LOOP_TYPES
    if header.loop_type not in types:
        names = ", ".join(byte(value) for value in types)
        findings.add(
            "EXT-04" if extended else "HDR-08",
            f"The loop type in the header is {byte(header.loop_type)}, which means nothing.",
            at=at,
            expected=names,
            found=byte(header.loop_type),
            do="Set 7F for no loop.",
            who=Answerable.SENDER,
        )
        return
    if header.loop_type in NO_LOOP_TYPES:
        return
    start, end, length = header.loop_start, header.loop_end, header.length
    if start == end:
        findings.add(
            "HDR-10",
            f"The loop is switched on and one word long: it begins and ends at word {start:,}.",
            at=at,
            expected="loop type 7F for a sample without a loop",
            found=f"loop type {byte(header.loop_type)}, {start:,} to {end:,}",
            do="Set loop type 7F: a unit would play a buzz instead of the end of the sound.",
            who=Answerable.SENDER,
        )
    elif start > end or end >= length:
        _judge_reversed_points(findings, at, header)
        _judge_points(findings, at, header)


def _judge_points(findings: Findings, at: Place, header: Header) -> None:
    start, end, length = header.loop_start, header.loop_end, header.length
    if start > end:
        message = f"The loop begins at word {start:,}, after its end at word {end:,}."
    elif end == length:
        message = f"The loop ends at word {end:,}, one beyond the last word of the sample."
    else:
        message = f"The loop ends at word {end:,}, but the sample has {counted(length, 'word')}."
    hint = " The sender seems to count the end as the first word not played." * (end == length)
    findings.add(
        "HDR-09",
        message,
        at=at,
        expected=f"start <= end <= {max(length - 1, 0):,}",
        found=f"{start:,} to {end:,} of {length:,}",
        do=f"Correct the loop points.{hint}",
        who=Answerable.SENDER,
    )


def _judge_reversed_points(findings: Findings, at: Place, header: Header) -> None:
    groups = _POINT_GROUPS[type(header)]
    start, end = turned(header.loop_start, groups), turned(header.loop_end, groups)
    if not start < end < header.length:
        return
    findings.add(
        "HDR-12" if isinstance(header, DumpHeader) else "EXT-03",
        "The bytes of the loop points look reversed: they read "
        f"{header.loop_start:,} to {header.loop_end:,}.",
        at=at,
        expected=f"{start:,} to {end:,}",
        found=f"{header.loop_start:,} to {header.loop_end:,} of {header.length:,}",
        do="Write the low seven bits first.",
        verdict=Verdict.NOTED,
        who=Answerable.SENDER,
    )


# The extended header.


def _judge_extended(
    findings: Findings, at: Place, header: ExtendedHeader, rate: Fraction | None
) -> None:
    if header.channels == 0:
        findings.add(
            "EXT-05",
            "The header says 0 channels.",
            at=at,
            expected="at least 1",
            found="0",
            do="Set the number of channels.",
            who=Answerable.SENDER,
        )
    fits = (
        header.channels == 1
        and header.length <= MAX_21_BIT
        and rate is not None
        and rate >= _SLOWEST
        and header.loop_type in (LOOP_FORWARD, LOOP_BACKWARD_FORWARD, LOOP_OFF)
    )
    if fits:
        findings.add(
            "EXT-08",
            "The dump has the extended header, though the standard one would do.",
            at=at,
            expected="the standard dump header",
            found="the extended dump header",
            do="Send the standard header: older units do not know the extended one "
            "and would ignore the dump.",
            who=Answerable.SENDER,
        )
