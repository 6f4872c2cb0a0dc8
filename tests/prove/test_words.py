"""The words that are written, and what of them a unit keeps."""

from __future__ import annotations

import pytest

from dryload.harness.prove.words import (
    code,
    sample_of,
    silence,
    values_of,
)


def plain_code(number: int) -> int:
    """SplitMix64 in plain integers (Steele, Lea and Flood, 2014; written from memory)."""
    ones = (1 << 64) - 1
    z = (number + 1) * 0x9E3779B97F4A7C15 & ones
    z = (z ^ z >> 30) * 0xBF58476D1CE4E5B9 & ones
    z = (z ^ z >> 27) * 0x94D049BB133111EB & ones
    return z ^ z >> 31


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_the_code_is_the_top_of_a_mixture_of_the_number_and_needs_nothing_else(bits: int) -> None:
    wanted = [plain_code(number) >> (64 - bits) for number in range(5_000, 5_100)]

    assert code(5_000, 100, bits).tolist() == wanted
    assert code(0, 5_100, bits)[5_000:].tolist() == wanted


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_in_a_pass_and_its_complement_each_bit_of_each_word_is_0_and_1(bits: int) -> None:
    one, other = code(0, 10_000, bits), code(0, 10_000, bits, inverted=True)

    assert set((one ^ other).tolist()) == {(1 << bits) - 1}


def test_words_are_equal_by_chance_only_however_far_apart() -> None:
    words = code(0, 1 << 16, 16)
    far = [1, 2, 3, 40, 4_096, 3 << 12, 1 << 15]

    # By chance one of 65,536; ten times as many would be no chance.
    assert all(int((words[each:] == words[:-each]).sum()) < 10 for each in far)


def test_the_second_code_is_another_one() -> None:
    same = code(0, 10_000, 16) == code(0, 10_000, 16, which=1)

    assert int(same.sum()) < 5


def test_values_become_words_that_are_0_below_what_is_kept_and_come_back() -> None:
    values = code(0, 1_000, 12)
    sample = sample_of(values, 12, 16)

    assert sample.bits == 16
    assert not (sample.words & 15).any()
    assert sample.words[0] == (int(values[0]) << 4) - 32_768
    assert values_of(sample, 12).tolist() == values.tolist()


def test_silence_is_one_word_in_the_middle() -> None:
    assert silence(16).words.tolist() == [0]
