"""Two samples compared as a whole: equality, headers, sentences and findings."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from msgspec.structs import replace

from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
from dryload.emulator.wire.clauses import clauses
from dryload.emulator.wire.words import word_dtype
from dryload.harness.judge.account import Kind, Overflow, Rounding, WordDifference
from dryload.harness.judge.difference import SampleComparison, compare_samples, findings
from dryload.harness.judge.finding import Answerable, Verdict
from dryload.harness.judge.wording import Context, sentence, sentences
from tests.strategies import samples

RATE = Fraction(44_100)


def sample(words: Any, bits: int = 16, **more: Any) -> Sample:
    given = np.asarray(words).astype(word_dtype(bits))
    return Sample(words=given, bits=bits, **{"rate": RATE, **more})


def noise(words: int, seed: int = 1) -> Sample:
    return sample(np.random.default_rng(seed).integers(-32_768, 32_768, words))


def compared(a: Sample, b: Sample) -> SampleComparison:
    return compare_samples(a, b, names=("A", "B"))


# Equality.


@settings(max_examples=60, deadline=None)
@given(samples(extended=True), samples(extended=True))
def test_same_is_equality_of_words_at_their_level_and_nothing_else(a: Sample, b: Sample) -> None:
    for one, other in ((a, b), (b, a), (a, a), (a, replace(a, words=a.words[:0]))):
        found = compared(one, other)
        levels = [
            [word * 2 ** (28 - each.bits) for word in each.words.tolist()] for each in (one, other)
        ]
        equal = levels[0] == levels[1]
        assert found.same == equal
        assert equal == (found.explanation == ())
        assert found.words == (len(one.words), len(other.words))


@settings(max_examples=60, deadline=None)
@given(samples(extended=True), samples(extended=True))
def test_words_that_differ_are_counted_side_by_side_at_the_same_level(a: Sample, b: Sample) -> None:
    wide = max(a.bits, b.bits)
    pairs = list(zip(a.words.tolist(), b.words.tolist(), strict=False))
    different = sum(
        one * 2 ** (wide - a.bits) != other * 2 ** (wide - b.bits) for one, other in pairs
    )
    found = compared(a, b)
    assert (found.compared, found.different) == (len(pairs), different)


def test_a_sample_equals_its_copy_with_all_that_is_said_of_it() -> None:
    a = replace(noise(500), sustain=Loop(start=3, end=70, loop_type=0), name="Gull")
    found = compared(a, replace(a, words=a.words.copy()))
    assert found.same
    assert found.same_fields
    assert found.fields == ()
    assert found.sentence == "500 words and all that is said of them are the same"
    assert findings(found) == ()


# Headers.


def only_field(a: Sample, b: Sample) -> Any:
    found = compared(a, b)
    assert found.same
    (field,) = found.fields
    assert found.same_fields == (not field.counts)
    return field


def test_another_loop_is_told() -> None:
    a = noise(500)
    looped = replace(a, sustain=Loop(start=3, end=1_070, loop_type=0))
    field = only_field(a, looped)
    assert (field.field, field.a, field.b) == ("loop", "no loop", "forward, 3 to 1,070")
    assert compared(a, looped).sentence == "The words are the same, but the header differs: loop"
    other_end = replace(a, sustain=Loop(start=3, end=1_071, loop_type=0))
    assert only_field(looped, other_end).counts


def test_points_of_a_loop_that_is_turned_off_do_not_count() -> None:
    a = noise(500)
    field = only_field(a, replace(a, sustain=replace(NO_LOOP, end=499)))
    assert not field.counts
    assert (field.a, field.b) == ("no loop, 0 to 0", "no loop, 0 to 499")
    assert "do not matter" in field.remark


def test_further_loops_and_names_are_compared() -> None:
    a = replace(noise(500), loops=((1, Loop(start=5, end=9, loop_type=1)),), name="Gull")
    b = replace(a, loops=((2, Loop(start=5, end=9, loop_type=0x42)),), name="")
    found = compared(a, b)
    assert [(each.field, each.a, each.b) for each in found.fields] == [
        ("loop 1", "backward and forward, 5 to 9", "none"),
        ("loop 2", "none", "backward, one way, then the rest after key-up, 5 to 9"),
        ("name", "Gull", "none"),
    ]
    assert not found.same_fields


@pytest.mark.parametrize(
    ("period_ns", "counts"),
    # 1 s / 44,100 = 22,675.74 ns: whole ns on either side (M1 p. 37) are its roundings.
    [(22_675, False), (22_676, False), (22_677, True), (22_674, True), (22_000, True)],
)
def test_a_rate_that_was_rounded_to_a_period_is_only_noted(period_ns: int, counts: bool) -> None:
    a = noise(500)
    field = only_field(a, replace(a, rate=Fraction(1_000_000_000, period_ns)))
    assert field.field == "sample rate"
    assert field.counts == counts
    assert field.a == "44,100 Hz"


def test_other_channels_and_widths_are_fields_too() -> None:
    a = noise(500)
    assert only_field(a, replace(a, channels=2)).field == "channels"
    found = compared(a, sample(a.words.astype(np.int32) << 4, 20))
    assert [(each.field, each.a, each.b) for each in found.fields] == [
        ("significant bits", "16", "20")
    ]
    assert found.same
    assert found.same_fields  # the width is noted
    assert found.different == 0


# Sentences.


def test_a_missing_packet_in_words() -> None:
    a = noise(1_007)
    b = sample(np.concatenate((a.words[:280], a.words[320:])))
    found = compared(a, b)
    # 40 words at 44,100 Hz last 0.907 ms.
    assert found.sentence == (
        "Packet 7 is missing in B: everything after that comes 40 words (0.9 ms) early"
    )
    plain = compare_samples(a, b).sentence
    assert plain.startswith("Packet 7 is missing in what came back: ")


def test_many_missing_packets_are_told_in_one_sentence() -> None:
    a = noise(1_200)
    kept = [a.words[40 * packet : 40 * packet + 40] for packet in range(30) if packet % 4]
    (said,) = compared(a, sample(np.concatenate(kept))).sentences
    assert said == (
        "8 packets are missing in B, in 8 places: packets 0, 4, 8, 12, 16, 20 and so on; after the"
        " last of them B is 320 words (7.3 ms) early"
    )


def test_single_words_in_words() -> None:
    a = noise(1_007)
    b = a.words.copy()
    b[[5, 100]] ^= 8
    first, second = int(a.words[5]), int(a.words[100])
    found = compared(a, sample(b))
    assert found.sentence == (
        "2 words of 1,007 differ here and there: word 5 (packet 0), word 100 (packet 2); largest"
        " difference 8 of 65,536 levels, bit 3"
    )
    (difference,) = found.explanation
    assert [run.values[0] for run in difference.runs] == [first, second]


CONTEXT = Context(rate=RATE, channels=1, bits=16, step=40, words=(1_000, 1_000), names=("A", "B"))
EVERY_WORD = {
    "Every word of B is negated": WordDifference(kind=Kind.NEGATED, overflow=Overflow.HELD),
    "Bit 3 of every word is stuck at 1": WordDifference(kind=Kind.BITS_STUCK, mask=8, ones=8),
    "Bit 3 of every word is stuck at 0": WordDifference(kind=Kind.BITS_STUCK, mask=8),
    "Bit 5 of every word is stuck at 1 and bit 3": WordDifference(
        kind=Kind.BITS_STUCK, mask=40, ones=32
    ),
    "Bits 2 and 5 of every word are inverted": WordDifference(kind=Kind.BITS_FLIPPED, mask=36),
    "Every bit of every word is inverted": WordDifference(kind=Kind.BITS_FLIPPED, mask=65_535),
    "The top bit of every word is flipped": WordDifference(kind=Kind.TOP_BIT_FLIPPED),
    "The 7-bit bytes of every word are in reverse": WordDifference(kind=Kind.BYTES_REVERSED),
    "The 8-bit bytes of every word are swapped": WordDifference(kind=Kind.BYTES_SWAPPED),
    "B is the same as A at 12 bits: the 4 low bits of every word are cut off": WordDifference(
        kind=Kind.NARROWED, bits=12, rounding=Rounding.CUT, coarse="B"
    ),
    "A is the same as B at 15 bits: the 1 low bit of every word is rounded": WordDifference(
        kind=Kind.NARROWED, bits=15, rounding=Rounding.ROUNDED, coarse="A"
    ),
    "B is 6 dB quieter": WordDifference(kind=Kind.LEVEL, bits=-1, rounding=Rounding.CUT),
    "B is 12 dB louder": WordDifference(kind=Kind.LEVEL, bits=2, overflow=Overflow.WRAPPED),
    "Every word of B stands 4 bits too low": WordDifference(kind=Kind.RIGHT_JUSTIFIED, bits=4),
    "Every word of B is lower by 3 of 65,536 levels": WordDifference(kind=Kind.OFFSET, value=-3),
    "B holds only channel 2 of": WordDifference(kind=Kind.ONE_CHANNEL, value=1),
    "The two channels are swapped in B": WordDifference(kind=Kind.CHANNELS_SWAPPED),
}


@pytest.mark.parametrize("begins", EVERY_WORD)
def test_what_is_said_of_every_word(begins: str) -> None:
    assert sentence(EVERY_WORD[begins], CONTEXT).startswith(begins)


@pytest.mark.parametrize("kind", Kind)
def test_there_is_one_sentence_for_each_kind_and_one_for_many(kind: Kind) -> None:
    difference = WordDifference(
        kind=kind, rounding=Rounding.CUT, packet=3, packets=1, word=120, mask=4
    )
    said = sentence(difference, CONTEXT)
    assert not said[0].islower()
    assert not said.endswith(".")
    if kind in (Kind.MISSING, Kind.DOUBLED, Kind.LOST, Kind.ADDED, Kind.REPLACED, Kind.SWAPPED):
        (together,) = sentences((difference,) * 9, CONTEXT)
        assert "9" in together


# Findings.


def test_findings_name_packet_and_clause_and_who_has_to_mend_it() -> None:
    a = noise(10_000)
    b = sample(np.concatenate((a.words[:5_400], a.words[5_440:])), name="Gull")
    lost, name = findings(compared(a, b), answerable=Answerable.UNIT)
    assert (lost.clause, lost.verdict, lost.answerable) == (
        "PKT-10",
        Verdict.BROKEN,
        Answerable.UNIT,
    )
    # Packet 135 carries the number 135 - 128 (M1 p. 39).
    assert (lost.at.packet, lost.at.packet_number) == (135, 7)
    assert (name.clause, name.verdict, name.expected, name.found) == (
        "NAM-02",
        Verdict.BENT,
        "none",
        "Gull",
    )


def test_findings_of_changed_words_say_what_was_expected() -> None:
    a = sample([100] * 500)
    b = a.words.copy()
    b[77] = -5
    (changed,) = findings(compared(a, sample(b)))
    assert (changed.clause, changed.at.packet) == ("WRD-12", 1)
    assert (changed.expected, changed.found) == ("word 77 is 100", "it is -5")


def test_what_only_rounds_is_noted_and_not_broken() -> None:
    a = noise(500)
    (rate,) = findings(compared(a, replace(a, rate=Fraction(1_000_000_000, 22_676))))
    assert rate.verdict is Verdict.NOTED


def test_every_clause_that_is_named_is_in_the_register() -> None:
    a = noise(2_000)
    others = [
        sample(a.words[::-1]),
        sample(a.words >> 1),
        sample(np.concatenate((a.words[:280], a.words[320:]))),
        sample(np.concatenate((a.words[:320], a.words[280:]))),
        sample(np.concatenate((a.words, [-32_768] * 5))),
        sample(a.words >> 4, 12, rate=Fraction(8_000), sustain=Loop(start=0, end=1, loop_type=0)),
        replace(a, channels=2, loops=((4, NO_LOOP),), name="Bell"),
    ]
    for other in others:
        found = findings(compared(a, other))
        assert found
        assert {each.clause for each in found} <= set(clauses())
