"""Is what a decoder read what stands in the dump: word by word, and field by field.

Theory of operation.  Words may come in a wider container, left-justified, or as floating-point
numbers, as long as each is exactly the word of the dump.  Where they are not, what was done to them
is looked for: a length that was misread, packets or filler too many, words taken from other bytes;
failing that, the account of `judge` says how they differ.  Where several meanings are allowed,
one has to fit.
"""

from collections.abc import Callable, Iterator
from fractions import Fraction
from math import isfinite
from typing import Any, Final

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from dryload.emulator.dump.sample import Sample
from dryload.emulator.wire.constants import LOOP_OFF, MAX_BITS, MIN_BITS
from dryload.emulator.wire.sizes import words_per_packet
from dryload.emulator.wire.words import word_dtype
from dryload.harness.judge.difference import compare_samples
from dryload.harness.judge.difference import findings as difference_findings
from dryload.harness.judge.finding import Finding, Verdict
from dryload.harness.judge.plan import turned
from dryload.harness.trial.dumps import Ask, DumpProbe, RightReading
from dryload.harness.trial.packing import read_otherwise
from dryload.harness.trial.task import CallAnswer, CallEnding, Heard
from dryload.harness.trial.verdict import NOTHING_FOUND, AnswerVerdict, told_of

_NS: Final = 1_000_000_000
_WIDEST: Final = 62
"""Bits of the widest scale at which words are compared."""
_ALWAYS: Final = (
    *("HDR-01", "HDR-03", "HDR-05", "HDR-06", "HDR-07", "HDR-12", "PKT-01", "PKT-02"),
    *("WRD-01", "WRD-02", "WRD-04", "WRD-07", "WRD-12", "STA-02"),
)
"""Clauses that any good dump with words in it exercises."""


def read(probe: DumpProbe, answer: CallAnswer, is_news: Callable[[str], bool]) -> AnswerVerdict:
    """Judge what was made of a dump; `is_news` tells whether it never said so of a good one."""
    if answer.ending is CallEnding.DECLINED and probe.ask is Ask.MUST:
        refused = told_of(
            "right dump refused",
            probe.about[0] if probe.about else "STA-02",
            what=probe.what,
            said=answer.said,
        )
        return AnswerVerdict(findings=(refused,), exercised=frozenset())
    if answer.ending is CallEnding.DECLINED and probe.ask is Ask.DAMAGED:
        return AnswerVerdict(findings=(), exercised=frozenset(probe.about))
    if answer.heard is None:
        return NOTHING_FOUND
    heard = answer.heard
    against = [list(_against(each, heard, probe)) for each in probe.meanings]
    found: list[Finding] = []
    if all(against) and (probe.made_for is not None or not is_news(heard.warnings)):
        if probe.ask is Ask.DAMAGED:
            names = {"what": probe.what, "count": len(heard.words)}
            found = [told_of("damage unnoticed", probe.about[0], **names)]
        else:
            found = against[0]
    return AnswerVerdict(findings=tuple(found), exercised=frozenset(_exercised(probe, heard)))


def _exercised(probe: DumpProbe, heard: Heard) -> Iterator[str]:
    """Yield the clauses that could have been broken."""
    yield from probe.about
    task = probe.made_for
    if task is None or not len(task.words):
        return
    yield from _ALWAYS
    if heard.number is not None:
        yield "HDR-02"
    if heard.loop is not None:
        yield from ("HDR-08", "HDR-10" if task.loop is None else "HDR-09")
    packets, rest = divmod(len(task.words), words_per_packet(task.bits))
    yield "WRD-13" if rest else "PKT-09"
    if packets + bool(rest) > 1:
        yield from ("PKT-03", "PKT-10")
    yield "WRD-06" if task.bits % 7 else "WRD-03"
    if (task.words == 0).any():
        yield "WRD-08"


def _against(meaning: RightReading, heard: Heard, probe: DumpProbe) -> Iterator[Finding]:
    """Yield what was read otherwise than a meaning has it."""
    wrong = list(_words(meaning.sample, heard))
    if wrong and probe.made_for is None and wrong[0].kind != "bits dropped":
        # The one thing that is unusual about the dump is what it was read wrong by.
        found = told_of("odd dump misread", probe.about[0], what=probe.what, said=wrong[0].message)
        is_his = probe.ask is Ask.OPEN and found.verdict is Verdict.BROKEN
        yield replace(found, verdict=Verdict.BENT) if is_his else found
        return
    yield from wrong
    clause = "EXT-02" if "EXT-02" in probe.about else "HDR-05"
    yield from _rate(meaning.sample.rate, heard.rate, clause)
    if heard.number is not None and heard.number != meaning.number:
        yield _field("sample number", meaning.number, heard.number, "HDR-02")
    if heard.name and meaning.name is not None and heard.name != meaning.name:
        yield _field("name", meaning.name or "none", heard.name, "NAM-02")
    if heard.loop is None or meaning.loop is None or heard.loop == meaning.loop:
        return
    if heard.loop[2] != meaning.loop[2]:
        yield _field("loop type", f"{meaning.loop[2]:02X}", f"{heard.loop[2]:02X}", "HDR-08")
    elif meaning.loop[2] != LOOP_OFF:
        places = (f"{start:,} to {end:,}" for start, end, _ in (meaning.loop, heard.loop))
        yield _field("loop", next(places), next(places), "HDR-09")


def _field(name: str, asked: object, found: object, clause: str) -> Finding:
    return told_of("field misread", clause, field=name, asked=asked, value=found)


def _rate(exact: Fraction, rate: float, clause: str) -> Iterator[Finding]:
    """Yield a rate that is neither within a hertz of what stands there nor within a nanosecond."""
    if isfinite(rate) and rate > 0:
        found = Fraction(rate)
        if abs(found - exact) < 1 or abs(_NS / found - _NS / exact) < 1:
            return
        period = round(_NS / exact)
        if abs(_NS / found - turned(period, 3)) < 1:
            clause = "HDR-12"
    yield _field("sample rate", f"{float(exact):,.9g} Hz", f"{rate:,.9g} Hz", clause)


def _words(sample: Sample, heard: Heard) -> Iterator[Finding]:
    """Yield in what the words differ; nothing where each is exactly that of the dump."""
    words, bits = sample.words.astype(np.int64), sample.bits
    if any(np.array_equal(heard.words, each) for each in _as_it_may_be(words, bits, heard)):
        return
    if 0 < heard.bits < bits and any(
        np.array_equal(heard.words, each) for each in _narrowed(words, bits - heard.bits)
    ):
        yield told_of("bits dropped", "WRD-12", value=heard.bits, asked=bits)
        return
    got = _sample_of(heard, sample)
    seen = got.words.astype(np.int64)
    if got.bits == bits and (ends := _ends(words, seen, words_per_packet(bits))) is not None:
        yield told_of("length misread", ends, value=len(seen), asked=len(words))
        return
    readings = [(seen, got.bits)]
    if heard.words.dtype.kind != "f" and 0 < heard.bits <= MAX_BITS:
        readings.append((heard.words.astype(np.int64), heard.bits))
    for each, of_bits in readings:
        clause = read_otherwise(sample.words.astype(np.int32), bits, each, of_bits)
        if clause is not None:
            yield told_of("taken from other bytes", clause)
            return
    comparison = compare_samples(sample, got, names=("the dump", "what it read"))
    if comparison.same:
        return
    # That it is written in more bits is no fault, and what is wrong comes behind it.
    found = min(difference_findings(comparison), key=lambda each: each.verdict is Verdict.NOTED)
    yield told_of(
        "words misread",
        found.clause,
        said=found.message,
        expected=found.expected,
        value=found.found,
    )


def _as_it_may_be(words: NDArray[np.int64], bits: int, heard: Heard) -> Iterator[NDArray[Any]]:
    """Yield the words in each form in which they may be given back."""
    if heard.words.dtype.kind == "f":
        yield (words / float(1 << (bits - 1))).astype(heard.words.dtype)
        return
    for scale in {heard.bits, 8 * heard.words.dtype.itemsize}:
        if bits <= scale <= _WIDEST:
            yield words << (scale - bits)


def _narrowed(words: NDArray[np.int64], by: int) -> Iterator[NDArray[np.int64]]:
    """Yield words without their low bits: cut, or rounded in one of the ways there are."""
    yield words >> by
    top = (int(words.max(initial=0)) >> by) | 1
    nearest = (words + (1 << (by - 1))) >> by
    yield nearest
    yield np.minimum(nearest, top)
    yield np.rint(words / (1 << by)).astype(np.int64)


def _sample_of(heard: Heard, asked: Sample) -> Sample:
    """Return what was read as a sample of the fewest bits that hold it, not below its width."""
    words = heard.words
    if words.dtype.kind == "f":
        held = np.nan_to_num(words.astype(np.float64), posinf=1.0, neginf=-1.0)
        values, bits = (
            np.rint(np.clip(held, -4, 4) * (1 << (MAX_BITS - 1))).astype(np.int64),
            MAX_BITS,
        )
    else:
        values, bits = words.astype(np.int64), heard.bits
        low, high = int(values.min(initial=0)), int(values.max(initial=0))
        if not (0 < bits <= _WIDEST and -(1 << (bits - 1)) <= low <= high < 1 << (bits - 1)):
            bits = 8 * words.dtype.itemsize  # left-justified, or out of range
    bits = max(bits, MIN_BITS)
    while bits > MAX_BITS or (bits > asked.bits and not (values & 1).any()):
        values, bits = values >> 1, bits - 1
    half = 1 << (bits - 1)
    own = np.clip(values, -half, half - 1).astype(word_dtype(bits))
    whole = len(own) // asked.channels * asked.channels
    return Sample(words=own[:whole], bits=bits, rate=asked.rate, channels=asked.channels)


def _ends(words: NDArray[np.int64], got: NDArray[np.int64], step: int) -> str | None:
    """Return the clause of a length, where all is right but where it ends."""
    count, asked = len(got), len(words)
    common = min(count, asked)
    if count == asked or not np.array_equal(words[:common], got[:common]):
        return None
    if count > asked:
        return "WRD-13"
    if count == turned(asked, 3):
        return "HDR-12"
    return "HDR-07" if count % step == 0 and asked - count <= step else "HDR-06"
