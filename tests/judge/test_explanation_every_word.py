"""Explanations of what was done to every word.

Damage is done on purpose to random words; what is said of it is applied to A by `rebuild`, which
is plain Python, and has to give B.  Where the damage can be told from any other, the very
statement is expected, with its figures.
"""

from __future__ import annotations

from fractions import Fraction
from math import floor, trunc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from dryload.harness.judge.account import Kind, Overflow, Rounding, WordDifference
from dryload.harness.judge.explanation import explain
from tests.judge import rebuild
from tests.judge.explained import (
    WIDTHS,
    array,
    explained,
    few,
    noise,
    only,
    seeds,
    widths,
)

# Every word.


def every_word(bits: int) -> list[WordDifference]:
    """Statements about every word that can be told from one another."""
    return [
        WordDifference(kind=Kind.TOP_BIT_FLIPPED),
        WordDifference(kind=Kind.BITS_FLIPPED, mask=(1 << bits) - 1),
        WordDifference(kind=Kind.BITS_FLIPPED, mask=0b10_0100),
        WordDifference(kind=Kind.BITS_STUCK, mask=8, ones=8),
        WordDifference(kind=Kind.BITS_STUCK, mask=8, ones=0),
        WordDifference(kind=Kind.BITS_STUCK, mask=1 << (bits - 1), ones=0),
        WordDifference(kind=Kind.BITS_STUCK, mask=0b10_1000, ones=8),
        WordDifference(kind=Kind.BYTES_REVERSED),
        *(
            WordDifference(kind=Kind.NARROWED, bits=bits - drop, rounding=rounding, coarse="B")
            for drop in (2, 4)
            for rounding in Rounding
        ),
        *(
            WordDifference(kind=Kind.LEVEL, bits=-shift, rounding=rounding)
            for shift in (1, 3)
            for rounding in (Rounding.CUT, Rounding.TOWARDS_ZERO)
        ),
        *(WordDifference(kind=Kind.LEVEL, bits=-2, rounding=rounding) for rounding in Rounding),
        WordDifference(kind=Kind.LEVEL, bits=1, overflow=Overflow.HELD),
        WordDifference(kind=Kind.RIGHT_JUSTIFIED, bits=3),
        WordDifference(kind=Kind.OFFSET, value=3),
    ]


@pytest.mark.parametrize("size", [2, 4, 8, 16])
def test_rounding(size: int) -> None:
    # Python's fractions know all of these but away from zero, which is downwards below it.
    for word in range(-4 * size, 4 * size + 1):
        value = Fraction(word, size)
        half_up = floor(value + Fraction(1, 2))
        assert {each: rebuild.nearest(word, size, each) for each in Rounding} == {
            Rounding.CUT: floor(value),
            Rounding.ROUNDED: half_up,
            Rounding.TO_EVEN: round(value),
            Rounding.AWAY: half_up if word >= 0 else -floor(-value + Fraction(1, 2)),
            Rounding.TOWARDS_ZERO: trunc(value),
        }


@pytest.mark.parametrize("bits", WIDTHS)
@settings(max_examples=3, deadline=None)
@given(seed=seeds)
def test_what_was_done_to_every_word_is_told(seed: int, bits: int) -> None:
    a = noise(seed, 1_500, bits)
    for how in every_word(bits):
        b = array([rebuild.done_to(word, how, bits) for word in a.tolist()])
        assert only(explained(a, b, bits)) == how


def test_an_offset_is_told_though_the_first_word_is_held_at_full_scale() -> None:
    a = noise(1, 500, 16)
    a[0] = (1 << 15) - 2
    b = np.minimum(a + 3, (1 << 15) - 1)
    assert only(explained(a, b, 16)) == WordDifference(kind=Kind.OFFSET, value=3)


@few
@given(seeds, widths, st.booleans())
def test_negated_words_are_told_with_what_became_of_the_lowest(
    seed: int, bits: int, held: bool
) -> None:
    a = noise(seed, 500, bits)
    a[7] = -(1 << (bits - 1))
    how = WordDifference(kind=Kind.NEGATED, overflow=Overflow.HELD if held else Overflow.WRAPPED)
    b = array([rebuild.done_to(word, how, bits) for word in a.tolist()])
    assert only(explained(a, b, bits)) == how


@pytest.mark.parametrize("bits", [16, 24])
def test_words_of_an_audio_file_in_the_wrong_byte_order_are_told(bits: int) -> None:
    a = noise(3, 500, bits)
    how = WordDifference(kind=Kind.BYTES_SWAPPED)
    b = array([rebuild.done_to(word, how, bits) for word in a.tolist()])
    assert only(explained(a, b, bits)) == how
    if bits == 16:
        assert np.array_equal(b, a.astype("<i2").view(">i2"))


@few
@given(seeds, st.sampled_from([(16, 12), (16, 8), (24, 16), (28, 20)]))
def test_the_same_at_fewer_bits_is_told_either_way_round(
    seed: int, widths: tuple[int, int]
) -> None:
    wide, narrow = widths
    a = noise(seed, 600, wide)
    step = 1 << (wide - narrow)
    a[:4] = [odd * step // 2 for odd in (1, 3, -1, -3)]  # halves tell the roundings apart
    for rounding in Rounding:
        how = WordDifference(kind=Kind.NARROWED, bits=narrow, rounding=rounding, coarse="B")
        done = array([rebuild.done_to(word, how, wide) for word in a.tolist()])
        coarse = done >> (wide - narrow)
        assert only(explained(a, coarse, wide, narrow)) == how
        assert only(explained(coarse, a, narrow, wide)) == replace(how, coarse="A")
        assert only(explained(done, a, wide)) == replace(how, coarse="A")


@few
@given(seeds, st.integers(0, 23))
def test_fewer_bits_and_a_lost_packet_are_told_together(seed: int, lost: int) -> None:
    a = noise(seed, 1_000, 16)
    coarse = a >> 4
    b = np.concatenate((coarse[: lost * 40], coarse[(lost + 1) * 40 :]))
    account = explained(a, b, 16, 12)
    if lost:  # else nothing in front of the loss tells what was done
        first, second = account
        assert (first.kind, first.bits, first.rounding) == (Kind.NARROWED, 12, Rounding.CUT)
        assert (second.kind, second.packet, second.packets) == (Kind.MISSING, lost, 1)


def test_more_bits_at_the_same_level_are_no_change_of_words() -> None:
    a = noise(4, 300, 12)
    how = only(explained(a, a << 4, 12, 16))
    assert (how.kind, how.bits) == (Kind.WIDENED, 16)
    assert only(explained(a << 4, a, 16, 12)).kind is Kind.WIDENED
    # The same numbers at another width are another level: 24 dB down.
    quiet = only(explained(a, a, 12, 16))
    assert (quiet.kind, quiet.bits) == (Kind.LEVEL, -4)


def test_channels() -> None:
    a = noise(5, 600, 16)
    swapped = a.reshape(-1, 2)[:, ::-1].reshape(-1)
    (how,) = explain(a, swapped, bits=(16, 16), channels=(2, 2))
    assert how.kind is Kind.CHANNELS_SWAPPED
    (how,) = explain(a, a[1::2], bits=(16, 16), channels=(2, 1))
    assert (how.kind, how.value) == (Kind.ONE_CHANNEL, 1)
