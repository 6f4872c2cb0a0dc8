"""What a header says, judged by itself."""

from fractions import Fraction
from typing import Final

from dryload.emulator.wire.codec import kind_of
from dryload.emulator.wire.constants import (
    EXTENDED_LOOP_TYPES,
    LOOP_BACKWARD_FORWARD,
    LOOP_FORWARD,
    LOOP_OFF,
    LOOP_TYPES,
    MAX_21_BIT,
    MAX_BITS,
    MIN_BITS,
)
from dryload.emulator.wire.messages import (
    DumpHeader,
    ExtendedHeader,
    Header,
)
from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.splitter import Piece
from dryload.harness.judge.finding import Findings, Place
from dryload.harness.judge.plan import rate_of, turned
from dryload.harness.judge.rates import judge_odd_rate, near_common
from dryload.harness.judge.wrecks import tell_damage

NO_LOOP_TYPES: Final = (0x7E, LOOP_OFF)
_SLOWEST: Final = 477  # Hz, EXT-08: the largest period of a standard header
_POINT_GROUPS: Final = {DumpHeader: 3, ExtendedHeader: 5}


def judge_header(findings: Findings, opening: Piece, header: Header | None) -> None:
    """Add findings on a header: its form where it is damaged, its fields where it is whole."""
    if header is None:
        tell_damage(
            findings, opening, kind_of(opening.body), so=": what follows has no header to go by"
        )
        return
    at = Place(byte=opening.offset)
    if not MIN_BITS <= header.bits <= MAX_BITS:
        findings.tell("no such width", at, bits=header.bits)
    rate = rate_of(header)
    if rate is None:
        standard = isinstance(header, DumpHeader)
        findings.tell(
            "no sample rate",
            at,
            field="period is 0 ns" if standard else "rate is 0 Hz",
            expected="22,676 ns for 44,100 Hz" if standard else "the rate in Hz",
        )
    elif near_common(rate.numerator / rate.denominator) is None:
        judge_odd_rate(findings, at, header, rate)
    _judge_loop(findings, at, header)
    if isinstance(header, ExtendedHeader):
        _judge_extended(findings, at, header, rate)


def _judge_loop(findings: Findings, at: Place, header: Header) -> None:
    extended = isinstance(header, ExtendedHeader)
    types = EXTENDED_LOOP_TYPES if extended else LOOP_TYPES
    if header.loop_type in types and header.loop_type in NO_LOOP_TYPES:
        return
    start, end, length = header.loop_start, header.loop_end, header.length
    loop = {"type": header.loop_type, "start": start, "end": end, "length": length}
    if header.loop_type not in types:
        known = ", ".join(f"{value:02X}" for value in types)
        clause = "EXT-04" if extended else ""
        findings.tell("no such loop type", at, clause=clause, types=known, names=loop)
    elif start == end:
        findings.tell("loop of one word", at, names=loop)
    elif start > end or end >= length:
        groups = _POINT_GROUPS[type(header)]
        first, last = turned(start, groups), turned(end, groups)
        if first < last < length:
            clause = "EXT-03" if extended else ""
            found = {**loop, "first": first, "last": last}
            findings.tell("loop points reversed", at, clause=clause, names=found)
        findings.tell(
            "loop outside the sample",
            at,
            what=_wrong_points(start, end, length),
            last=max(length - 1, 0),
            hint=" The sender seems to count the end as the first word not played."
            if end == length
            else "",
            names=loop,
        )


def _wrong_points(start: int, end: int, length: int) -> str:
    if start > end:
        return f"begins at word {start:,}, after its end at word {end:,}"
    if end == length:
        return f"ends at word {end:,}, one beyond the last word of the sample"
    return f"ends at word {end:,}, but the sample has {counted(length, 'word')}"


def _judge_extended(
    findings: Findings, at: Place, header: ExtendedHeader, rate: Fraction | None
) -> None:
    if header.channels == 0:
        findings.tell("no channels", at)
    if (
        header.channels == 1
        and header.length <= MAX_21_BIT
        and rate is not None
        and rate >= _SLOWEST
        and header.loop_type in (LOOP_FORWARD, LOOP_BACKWARD_FORWARD, LOOP_OFF)
    ):
        findings.tell("extended header needlessly", at)
