"""Assertions about dumps that say what is the matter in the terms of a dump.

Theory of operation.  What differs is said from the top down: the first word by its packet and both
values, what was likely done to the words, the fields of the header, the first byte by its field,
and what the standard finds broken.
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from os import PathLike
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from msgspec.structs import replace
from numpy.typing import ArrayLike, NDArray

from dryload.api import Unit, named, rehearse, validate
from dryload.emulator.dump.sample import Sample
from dryload.emulator.unit.profile import DEFAULT_PROFILE
from dryload.emulator.wire.prose import capitalised, counted
from dryload.emulator.wire.words import word_dtype
from dryload.harness.files.opening import Held
from dryload.harness.files.problem import NoDump, Problem
from dryload.harness.jobs import compare
from dryload.harness.jobs.subjects import source
from dryload.harness.judge.difference import SampleComparison, compare_samples
from dryload.harness.judge.explanation import common_scale
from dryload.harness.judge.finding import Finding
from dryload.harness.report.replay import verdict
from dryload.harness.teach.dumps import dumps_of
from dryload.results import Result

if TYPE_CHECKING:
    from dryload.api import Material

_SHOWN: Final = 3
_NAMES: Final = ("what was expected", "what was found")


def assert_loads(
    dump: "Material",
    unit: str | PathLike[str] | Unit = DEFAULT_PROFILE,
    *,
    words: ArrayLike | None = None,
) -> Result:
    """Assert that a dump is right and that an emulated unit has it, and return the rehearsal.

    The dump is sent to the unit, read back and compared; `unit` is a `Unit`, or the profile of a
    new one.  `words` are those that the dump has to hold, signed, at its own width.
    AssertionError says what is wrong; ValueError for words that are no flat array of integers.
    """
    __tracebackhide__ = True
    given = named(dump, "the dump")
    try:
        result = rehearse(given, unit)
    except NoDump as nothing:
        raise AssertionError(nothing.what) from None
    lines = [] if result.is_well else list(_why_not_well(given, result))
    if words is not None:
        lines += _lines_of_words(np.asarray(words), _subject(given))
    if lines:
        raise AssertionError("\n".join(lines))
    return result


def difference_lines(found: bytes, expected: bytes) -> list[str]:
    """Return how a dump differs from the one that was expected; [] where one of them is none."""
    try:
        files = compare.compare_files(Held("the dump expected", expected), Held("it", found))
        broken = {each.message for each in validate(expected).broken}
        findings = [each for each in validate(found).broken if each.message not in broken]
    except Problem:
        return []
    lines: list[str] = []
    for pair in files.pairs:
        said = list(_lines_of_pair(pair))
        is_one = len(files.pairs) == 1 or not said
        lines += said if is_one else [f"Dump {pair.b.number}:", *said]
    lines += [f"Dump {each.number} of those expected is missing." for each in files.only_a]
    lines += [f"Dump {each.number} is one too many." for each in files.only_b]
    return [*lines, _line_of_byte(found, expected), *_lines_of_findings(findings)]


def _subject(given: str) -> Sample | None:
    """Return what a file holds; None where that can't be made out, and the judge says why."""
    try:
        subjects = source(given).subjects
    except Problem:
        return None
    if len(subjects) > 1:
        raise ValueError(f"words are those of one dump, and here are {len(subjects):,}")
    return subjects[0].sample


def _why_not_well(given: str, result: Result) -> Iterator[str]:
    report = validate(given)
    if report.broken:
        yield "The dump is broken, so it is not sent."
        yield from _lines_of_findings(report.broken)
    elif result.not_sent:
        yield from result.not_sent
    for transfer in result.transfers:
        if not transfer.is_well:
            yield verdict(transfer)


def _lines_of_findings(findings: Iterable[Finding]) -> Iterator[str]:
    found = list(findings)
    for each in found[:_SHOWN]:
        both = f" (found {each.found}; expected {each.expected})" if each.expected else ""
        yield f"{each.clause}: {each.message.rstrip('.')}{both}."
    if (hidden := len(found) - _SHOWN) > 0:
        yield f"And {counted(hidden, 'more finding')}."


def _lines_of_words(words: NDArray[Any], holds: Sample | None) -> Iterator[str]:
    """Yield in what the words of a sample are not those that were expected."""
    if words.ndim != 1 or (words.size and words.dtype.kind not in "iu"):
        raise ValueError("words must be a flat array of integers")
    if holds is None:
        return
    half = 1 << (holds.bits - 1)
    beyond = np.flatnonzero((words < -half) | (words >= half))
    if beyond.size:
        at = int(beyond[0])
        yield f"Word {at:,}: {int(words[at]):+,} expected, and the dump has {holds.bits} bits."
        return
    expected = replace(holds, words=words.astype(word_dtype(holds.bits)), channels=1)
    holds = replace(holds, channels=1)
    comparison = compare_samples(expected, holds)
    if not comparison.same:
        yield from _lines_of_comparison(comparison, expected, holds)


def _lines_of_pair(pair: compare.Pairing) -> Iterator[str]:
    comparison, expected, found = pair.comparison, pair.a.sample, pair.b.sample
    if comparison is None or expected is None or found is None:
        yield f"Not comparable: {pair.trouble}."
        return
    if not comparison.same:
        yield from _lines_of_comparison(comparison, expected, found)
    for each in comparison.fields:
        remark = "" if each.counts else f" ({each.remark})"
        yield f"{capitalised(each.field)}: {each.a} expected, {each.b} found{remark}."


def _lines_of_comparison(
    comparison: SampleComparison, expected: Sample, found: Sample
) -> Iterator[str]:
    """Yield the first word that differs, and what was likely done to all of them."""
    bits, common = max(expected.bits, found.bits), comparison.compared
    one = common_scale(expected.words[:common], expected.bits, bits)
    other = common_scale(found.words[:common], found.bits, bits)
    different = np.flatnonzero(one != other)
    if different.size:
        at = int(different[0])
        yield (
            f"Packet {at // comparison.context.step:,}, word {at:,}: "
            f"{int(expected.words[at]):+,} expected, {int(found.words[at]):+,} found; "
            f"{different.size:,} of {counted(common, 'word')} differ."
        )
    told = replace(comparison, context=replace(comparison.context, names=_NAMES)).sentences
    yield from (f"{each}." for each in told[:_SHOWN])
    if (hidden := len(told) - _SHOWN) > 0:
        yield f"And {counted(hidden, 'more difference')}."


def _line_of_byte(found: bytes, expected: bytes) -> str:
    """Return where two files first differ, by the field of a message."""
    common = min(len(found), len(expected))
    one, other = np.frombuffer(expected, np.uint8), np.frombuffer(found, np.uint8)
    different = np.flatnonzero(one[:common] != other[:common])
    if not different.size:
        rest = counted(abs(one.size - other.size), "byte")
        what = f"{rest} missing behind them" if one.size > other.size else f"{rest} too many follow"
        return f"The first {counted(common, 'byte')} are the same, {what}."
    at = int(different[0])
    return (
        f"First byte that differs: byte {at:,}{_field(expected, at)}: "
        f"{expected[at]:02X} expected, {found[at]:02X} found."
    )


def _field(data: bytes, byte: int) -> str:
    """Return the message and the field that a byte belongs to."""
    for dump in dumps_of(data):
        section = dump.section
        if not section.offset <= byte < section.offset + section.size:
            continue
        (message,) = dump.pieces_from(byte, 1, every=True)
        field = [each for each in message.lines if each.byte <= byte][-1].field
        packet = bisect_right(range(section.packets), byte, key=section.offset_of) - 1
        is_packet = packet >= 0 and section.offset_of(packet) == message.byte
        where = f"packet {packet:,}" if is_packet else message.title
        return f", {where}, {field}"
    return ""
