"""Words of another width are the same words where every one of them has its level (WRD-06)."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from msgspec.structs import replace

from dryload.emulator.dump.sample import Sample
from dryload.emulator.wire.words import word_dtype
from dryload.harness.judge.difference import compare_samples, findings
from dryload.harness.judge.finding import Answerable, Verdict

NARROW = [(1021 * i) % 4096 - 2048 for i in range(200)]  # 12 bits, all over the range


def sample(words: list[int], bits: int) -> Sample:
    return Sample(words=np.array(words, word_dtype(bits)), bits=bits, rate=Fraction(22_050))


@pytest.mark.parametrize("wide", [13, 16, 20, 28])
def test_nothing_is_lost_in_wider_words(wide: int) -> None:
    level = [word << (wide - 12) for word in NARROW]
    for one, other in ((NARROW, 12), (level, wide)), ((level, wide), (NARROW, 12)):
        comparison = compare_samples(sample(*one), sample(*other))
        assert comparison.same
        assert comparison.same_fields
        assert (comparison.different, comparison.explanation) == (0, ())


def test_the_other_width_is_noted_and_no_more() -> None:
    comparison = compare_samples(sample(NARROW, 12), sample([word << 4 for word in NARROW], 16))
    (finding,) = findings(comparison, answerable=Answerable.UNIT)
    assert (finding.clause, finding.verdict) == ("HDR-03", Verdict.NOTED)
    assert (finding.expected, finding.found) == ("12", "16")
    assert "nothing is lost" in finding.message


def test_one_bit_less_is_not_the_same() -> None:
    level = [word << 4 for word in NARROW]
    spoilt = [*level[:90], level[90] ^ 1, *level[91:]]
    for sent, got in (((NARROW, 12), (spoilt, 16)), ((spoilt, 16), (NARROW, 12))):
        comparison = compare_samples(sample(*sent), sample(*got))
        assert not comparison.same
        assert comparison.explanation


def test_words_that_kept_their_numbers_and_lost_their_level_are_not_the_same() -> None:
    assert not compare_samples(sample(NARROW, 12), sample(NARROW, 16)).same


def test_another_rate_still_counts() -> None:
    wide = sample([word << 4 for word in NARROW], 16)
    comparison = compare_samples(sample(NARROW, 12), replace(wide, rate=Fraction(44_100)))
    assert comparison.same
    assert not comparison.same_fields
