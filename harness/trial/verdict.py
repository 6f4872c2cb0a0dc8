"""Is a dump what was asked for: judged by the clauses, field by field and word by word.

Theory of operation.  The judge of files says what is wrong by itself.  Beside it stands what was
asked for, so that each field is compared with its value, and each word.  One mistake shows in
several ways: a length that is wrong makes the packets too many, a torn message makes one missing.
So what is nearer to the bytes comes first, and what follows from it is left out.
"""

from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.sample import Sample
from dryload.emulator.wire.constants import LOOP_OFF, MAX_21_BIT, MAX_NAME
from dryload.emulator.wire.messages import (
    DumpHeader,
    ExtendedHeader,
    ExtendedLoopPoints,
    Header,
    LoopPoints,
    SampleName,
)
from dryload.emulator.wire.sizes import words_per_packet
from dryload.emulator.wire.words import word_dtype
from dryload.harness.judge.account import Kind, Rounding
from dryload.harness.judge.difference import SampleComparison, compare_samples
from dryload.harness.judge.difference import findings as difference_findings
from dryload.harness.judge.dump import DumpContents
from dryload.harness.judge.finding import Finding, Findings, Verdict, finding_of
from dryload.harness.judge.headers import NO_LOOP_TYPES
from dryload.harness.judge.plan import turned
from dryload.harness.judge.stream import judge_stream
from dryload.harness.trial.packing import packed_otherwise, packed_right
from dryload.harness.trial.task import PARAMETERS, Task

_NS: Final = 1_000_000_000
_DATA: Final = slice(5, 125)  # PKT-01: the data bytes of a packet
_MOST_BYTES: Final = 4
_GUESSES: Final = ("HDR-11", "EXT-08")
"""Clauses that the judge guesses by, or that are advice: with the source beside it nothing is left
to be guessed."""
_GUESSED_KINDS: Final = (
    *("bytes look reversed", "looks right-justified", "looks like two's complement"),
    *(
        "run of 00 bytes",
        "low bits idle",
        "looks wrapped round",
        "channels look one after the other",
    ),
    *("period reversed", "loop points reversed", "count explained"),
)


class AnswerVerdict(Struct, frozen=True, kw_only=True):
    """What a dump that was made for a task came to."""

    findings: tuple[Finding, ...]
    """What is wrong with it, the root of it first."""
    exercised: frozenset[str]
    """The clauses that it could have broken."""


NOTHING_FOUND: Final = AnswerVerdict(findings=(), exercised=frozenset())


def judged(task: Task, data: bytes, told: Sequence[str] = PARAMETERS) -> AnswerVerdict:
    """Judge a dump that was made for a task, by those parameters that the encoder was told."""
    verdicts = list(judge_stream(data))
    dumps = [each for each in verdicts if each.contents.section.opening is not None]
    found = [
        each
        for verdict in verdicts
        for each in verdict.findings
        if each.clause not in _GUESSES and each.kind not in _GUESSED_KINDS
    ]
    if not dumps:
        roots = _roots(found) or [finding_of("no dump made", size=len(data))]
        return AnswerVerdict(findings=tuple(roots), exercised=_ALWAYS)
    if len(dumps) > 1:
        found.append(finding_of("several dumps made", count=len(dumps)))
    contents = dumps[0].contents
    header = contents.header
    if header is not None:
        found += _fields(task, header, told)
        found += _beside(task, contents)
        found += _packing(task, contents) or _words(task, contents)
    return AnswerVerdict(
        findings=tuple(_roots(found)), exercised=frozenset(_exercised(task, contents))
    )


_ALWAYS: Final = frozenset(
    {
        *("FRM-01", "FRM-02", "FRM-05", "FRM-06", "FRM-07", "FRM-08", "FRM-10", "FRM-12"),
        *("DEV-03", "DEV-04", "HDR-01", "HDR-03", "HDR-04", "HDR-06", "HDR-07", "HDR-11"),
        *("HSK-18", "HSK-19", "WRD-09", "PKT-12", "EXT-08"),
    }
)
_STANDARD: Final = ("HDR-02", "HDR-05", "HDR-08", "HDR-12")
_EXTENDED: Final = ("EXT-01", "EXT-02", "EXT-03", "EXT-04", "EXT-05", "EXT-06")
_PACKETS: Final = (
    *("PKT-01", "PKT-02", "PKT-05", "PKT-06", "PKT-10"),
    *("WRD-01", "WRD-02", "WRD-04", "WRD-07", "WRD-12"),
)


def _exercised(task: Task, contents: DumpContents) -> Iterator[str]:
    """Yield the clauses that a dump could have broken."""
    words, bits = task.words, task.bits
    yield from _ALWAYS
    yield from _EXTENDED if isinstance(contents.header, ExtendedHeader) else _STANDARD
    yield "HDR-10" if task.loop is None else "HDR-09"
    if len(words) >= 1 << 14:
        yield "HDR-13"
    if len(words) == MAX_21_BIT:
        yield "HDR-14"
    if any(isinstance(each.message, SampleName) for each in contents.added):
        yield from ("NAM-01", "NAM-02")
    if any(isinstance(each.message, LoopPoints) for each in contents.added):
        yield from ("LOP-01", "LOP-06")
    if any(isinstance(each.message, ExtendedLoopPoints) for each in contents.added):
        yield "EXT-07"
    if not len(words):
        yield "HDR-15"
        return
    yield from _PACKETS
    packets, rest = divmod(len(words), words_per_packet(bits))
    yield "PKT-08" if rest else "PKT-09"
    if packets + bool(rest) > 1:
        yield "PKT-03"
    if packets >= 128:
        yield "PKT-07"
    if bits % 7:
        yield from ("WRD-05", "WRD-06")
    else:
        yield "WRD-03"
    if (words == 0).any():
        yield "WRD-08"
    half = 1 << (bits - 1)
    if (words == half - 1).any() and (words == -half).any():
        yield "WRD-10"


def _fields(task: Task, header: Header, told: Sequence[str]) -> Iterator[Finding]:
    """Yield what the header says otherwise than it was asked."""
    if header.bits < task.bits:
        yield _other(
            "width", task.bits, header.bits, "HDR-03", "Write the width that was asked for."
        )
    groups = 3 if isinstance(header, DumpHeader) else 5
    order = "HDR-12" if groups == 3 else "EXT-03"
    if "number" in told:
        numbers = task.number, header.sample_number
        yield from _field("sample number", numbers, 2, "HDR-02", "HDR-02")
    yield from _field("length", (len(task.words), header.length), groups, "HDR-06", order)
    if "device_id" in told and task.device_id != header.device_id:
        yield _other("device ID", task.device_id, header.device_id, "DEV-03", "Write it as asked.")
    if "rate" in told:
        yield from _rate(task, header)
    if "loop" in told or task.loop is None:
        yield from _loop(task, header, groups, order)


def _field(
    name: str, values: tuple[int, int], groups: int, clause: str, order: str
) -> Iterator[Finding]:
    """Yield what is wrong with a field of a number: another value, the other order, cut off.

    `values` are what was asked and what was found; `order` is the clause of the order of its bytes.
    """
    asked, found = values
    if found == asked:
        return
    if found == turned(asked, groups):
        yield told_of("field in the wrong order", order, field=name, asked=asked, value=found)
    elif any(found == asked & ((1 << bits) - 1) for bits in (7, 8, 14, 15, 16, 21)):
        cut = "HDR-13" if groups > 2 else clause
        yield told_of("field cut off", cut, field=name, asked=asked, value=found)
    else:
        yield _other(name, asked, found, clause, "Write the value itself, low seven bits first.")


def _rate(task: Task, header: Header) -> Iterator[Finding]:
    if isinstance(header, ExtendedHeader):
        rate = Fraction(header.rate_hz) + Fraction(header.rate_fraction, 1 << 28)
        if abs(rate - Fraction(task.rate)) > Fraction(1, 1 << 27):
            yield _other("rate", f"{task.rate:,.9g} Hz", f"{float(rate):,.9g} Hz", "EXT-02", "")
        return
    exact = Fraction(_NS) / Fraction(task.rate)
    nearest = round(exact)
    found = header.period_ns
    if abs(found - exact) <= Fraction(1, 2):
        return
    if abs(found - exact) < 1:
        yield told_of("period rounded otherwise", "HDR-05", asked=nearest, value=found)
    elif nearest > MAX_21_BIT:
        yield told_of("field cut off", "HDR-13", field="period", asked=nearest, value=found)
    elif found == turned(nearest, 3):
        yield told_of(
            "field in the wrong order", "HDR-12", field="period", asked=nearest, value=found
        )
    else:
        do = "Round 1,000,000,000 divided by the rate to the nearest whole number."
        yield _other("sample period", f"{nearest:,} ns", f"{found:,} ns", "HDR-05", do)


def _loop(task: Task, header: Header, groups: int, order: str) -> Iterator[Finding]:
    start, end, kind = task.loop_or_off
    if task.loop is None:
        if header.loop_type not in NO_LOOP_TYPES and header.loop_start != header.loop_end:
            yield _other("loop", "none", _loop_words(header), "HDR-10", "Write loop type 7F.")
        return
    if header.loop_type != kind:
        yield _other("loop type", f"{kind:02X}", f"{header.loop_type:02X}", "HDR-08", "")
        if header.loop_type == LOOP_OFF:
            return
    yield from _field("loop's start", (start, header.loop_start), groups, "HDR-09", order)
    yield from _field("loop's end", (end, header.loop_end), groups, "HDR-09", order)


def _loop_words(header: Header) -> str:
    return f"type {header.loop_type:02X}, {header.loop_start:,} to {header.loop_end:,}"


def _beside(task: Task, contents: DumpContents) -> Iterator[Finding]:
    """Yield what the messages behind the dump say otherwise than it was asked."""
    names = [each.message for each in contents.added if isinstance(each.message, SampleName)]
    sendable = task.name.isascii() and len(task.name) <= MAX_NAME
    if task.name and sendable and names and (said := names[-1].name) != task.name.encode():
        shown = said.decode("latin-1")
        yield _other("name", task.name, shown, "NAM-02", "Write each sign of the name.")
    if not task.name and any(each.name for each in names):
        yield _other("name", "none", names[-1].name.decode("latin-1"), "NAM-02", "")


_PACKED: Final = {
    "WRD-01": ("Each word takes another number of bytes than its width calls for.", "bytes"),
    "WRD-02": ("A packet holds another number of words than it has room for.", "words"),
    "WRD-03": ("Each word takes a byte more than its width calls for.", "bytes"),
    "WRD-04": ("The low seven bits of each word come first.", "order"),
    "WRD-05": ("The bits below the significant bits of each word are not zero.", "bits"),
    "WRD-06": ("The bits of each word stand at the lower end of its bytes.", "place"),
    "WRD-07": ("Words are not offset binary: silence is not the middle of the range.", "offset"),
}
_PACK_DO: Final = {
    "bytes": "Take one byte for every seven significant bits, rounded up.",
    "words": "Put 60 words of two bytes, 40 of three or 30 of four into each packet.",
    "order": "Write the most significant seven bits first.",
    "bits": "Write zeros below the significant bits.",
    "place": "Push the bits to the left: the top bit of a word is the top bit of its first byte.",
    "offset": "Add half the range to each word before it is packed.",
}


def _packing(task: Task, contents: DumpContents) -> Sequence[Finding]:
    """Return that words became bytes in another way, where it is the same for all of them."""
    section = contents.section
    if not section.packets or contents.header is None or contents.header.bits != task.bits:
        return ()
    data = section.rows[:, _DATA].reshape(-1)
    clause = packed_otherwise(task.words, task.bits, data)
    if clause is None:
        return ()
    how, what = _PACKED[clause]
    right, came = packed_right(task.words[:4], task.bits), bytes(data[: 4 * _MOST_BYTES])
    return (
        told_of(
            "packed otherwise",
            clause,
            how=how,
            asked=right.hex(" ").upper(),
            value=came[: len(right)].hex(" ").upper(),
            do=_PACK_DO[what],
        ),
    )


def _words(task: Task, contents: DumpContents) -> Sequence[Finding]:
    got = contents.sample
    if got is None:
        return ()
    sent = Sample(
        words=task.words.astype(word_dtype(task.bits)), bits=task.bits, rate=Fraction(task.rate)
    )
    plain = Sample(words=got.words, bits=got.bits, rate=sent.rate)  # fields are compared above
    comparison = compare_samples(sent, plain, names=("what was asked", "the dump"))
    if comparison.same:
        return ()
    if got.bits < task.bits and is_fair_reduction(comparison):
        return ()
    return difference_findings(replace(comparison, fields=()))


def is_fair_reduction(comparison: SampleComparison) -> bool:
    """Whether bits were dropped by one rule, the same for every word and both signs."""
    if len(comparison.explanation) != 1 or comparison.explanation[0].kind is not Kind.NARROWED:
        return False
    return comparison.explanation[0].rounding is not Rounding.TOWARDS_ZERO


def _other(field: str, asked: object, found: object, clause: str, do: str) -> Finding:
    asked, found = (f"{each:,}" if isinstance(each, int) else each for each in (asked, found))
    return told_of("field says otherwise", clause, field=field, asked=asked, value=found, do=do)


def told_of(kind: str, clause: str, **names: object) -> Finding:
    """Return a finding of a kind by a clause, with the names filled into its texts."""
    findings = Findings()
    findings.tell(kind, clause=clause, names={"do": "", **names})
    return findings.told()[0]


# What follows from what.

_STATUS: Final = ("PKT-06", "PKT-07")
_TORN: Final = ("FRM-01", "FRM-02", "FRM-05", "FRM-06", "FRM-07", "FRM-08", "FRM-10")
_COUNTS: Final = ("HDR-07", "PKT-09", "PKT-10", "HDR-15", "HDR-01")
_RANKS: Final = {
    **dict.fromkeys(_STATUS, 0),
    **dict.fromkeys(_TORN, 1),
    **dict.fromkeys(("HDR-03", "HDR-14"), 2),
    **dict.fromkeys(("DEV-03", "DEV-04"), 5),
    "PKT-05": 6,
    **dict.fromkeys(("PKT-01", "PKT-02", "PKT-03"), 7),
    **dict.fromkeys(_COUNTS, 8),
    **dict.fromkeys(("PKT-08", "WRD-05"), 10),
    "WRD-12": 11,
    **dict.fromkeys(("NAM-01", "NAM-02"), 12),
}
"""How near to the bytes what a clause speaks of is; words are at 9, fields of the header at 3."""
_PASSED_OVER: Final = ("packet missing for the unit", "all packets missing for the unit")
_DEVICE: Final = ("DEV-03", "DEV-04")
_OF_LENGTH: Final = ("HDR-06", "HDR-12", "HDR-13", "HDR-03")


def _roots(found: Sequence[Finding]) -> list[Finding]:
    """Return what is wrong, nearest to the bytes first, without what follows from it."""
    wrong = [
        each
        for each in found
        if each.verdict in (Verdict.BROKEN, Verdict.BENT) or each.kind == "period rounded otherwise"
    ]
    if any(each.kind in _PASSED_OVER for each in wrong):  # it is bent, and no unit takes it
        wrong = [
            replace(each, verdict=Verdict.BROKEN) if each.clause in _DEVICE else each
            for each in wrong
            if each.kind not in _PASSED_OVER
        ]
    return [each for each in sorted(wrong, key=_rank) if not _follows(each, wrong)]


def _rank(finding: Finding) -> int:
    if finding.kind == "packed otherwise":
        return 4
    fallback = 3 if finding.clause.startswith(("HDR", "EXT")) else 9
    return _RANKS.get(finding.clause, fallback)


def _follows(finding: Finding, wrong: Sequence[Finding]) -> bool:
    """Whether a finding is what another one, nearer to the bytes, looks like from elsewhere."""
    clause, rank = finding.clause, _rank(finding)
    clauses = {each.clause for each in wrong}
    is_torn = bool(clauses & set(_TORN))
    has_status = bool(clauses & set(_STATUS))
    if finding.kind in _ASKED_KINDS:
        return has_status
    asked = [each.message for each in wrong if each.kind in _ASKED_KINDS]
    is_of_loop = finding.kind in _LOOKS_OF_LOOPS and any("loop" in each for each in asked)
    if is_of_loop or (has_status and rank > 0) or (is_torn and rank > 1):
        return True
    if any(each.kind == "packed otherwise" for each in wrong):
        packed = clause.startswith(("WRD", "HDR")) or clause in ("PKT-08", "PKT-09", "PKT-10")
        return packed and finding.kind != "packed otherwise"
    of_length, counts = clauses & set(_OF_LENGTH), clauses & set(_COUNTS)
    if clause in _COUNTS:
        return bool(of_length)
    if clause == "HDR-06":
        return bool(counts)  # the judge sees that both don't fit; the length was asked for
    is_of_words = clause.startswith("WRD") or clause == "PKT-08"
    is_of_count = is_of_words and bool(of_length or counts)
    return is_of_count or (clause == "WRD-12" and bool(clauses & {"WRD-05", "PKT-03"}))


_LOOKS_OF_LOOPS: Final = ("loop outside the sample", "loop of one word", "no such loop type")
_ASKED_KINDS: Final = (
    *("field says otherwise", "field in the wrong order", "field cut off"),
    *("several dumps made", "no dump made"),
)
"""What is known because it was asked for: it follows from nothing but a torn message."""
