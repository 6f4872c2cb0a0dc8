"""Width conversion against plain integers and fractions.

The rules (drop low bits; nearest, halves upwards, no wrap at the top) are common practice; no page
of the standard speaks of them.
"""

import math
from fractions import Fraction
from typing import Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.unit.conversion import convert_words
from dryload.emulator.wire.words import word_dtype

WIDTHS = st.integers(8, 28)


def converted(values: list[int], bits: int, to: int, how: Literal["cut", "round"]) -> list[int]:
    words = convert_words(np.array(values, word_dtype(bits)), bits, to, how)
    assert words.dtype == word_dtype(to)
    return [int(word) for word in words]


@st.composite
def some_words(draw: st.DrawFn) -> tuple[int, list[int]]:
    bits = draw(WIDTHS)
    top = 1 << (bits - 1)
    edges = st.sampled_from([-top, -top + 1, -1, 0, 1, top - 2, top - 1])
    return bits, draw(st.lists(edges | st.integers(-top, top - 1), max_size=20))


@given(some_words(), WIDTHS)
def test_cut_is_rounding_down(some: tuple[int, list[int]], to: int) -> None:
    bits, values = some
    scale = Fraction(1 << to, 1 << bits)
    assert converted(values, bits, to, "cut") == [math.floor(value * scale) for value in values]


@given(some_words(), WIDTHS)
def test_round_takes_the_nearest_halves_upwards_and_stops_at_the_top(
    some: tuple[int, list[int]], to: int
) -> None:
    bits, values = some
    scale, top = Fraction(1 << to, 1 << bits), (1 << (to - 1)) - 1
    assert converted(values, bits, to, "round") == [
        min(math.floor(value * scale + Fraction(1, 2)), top) for value in values
    ]


@given(some_words(), WIDTHS)
def test_wider_and_back_changes_nothing(some: tuple[int, list[int]], to: int) -> None:
    bits, values = some
    if to >= bits:
        wider = converted(values, bits, to, "round")
        assert converted(wider, to, bits, "cut") == values


@pytest.mark.parametrize(
    ("how", "value", "kept"),
    [
        ("cut", 0x7FFF, 0x7FF),
        ("cut", -1, -1),
        ("cut", 15, 0),
        ("cut", -0x8000, -0x800),
        ("round", 7, 0),
        ("round", 8, 1),
        ("round", -8, 0),
        ("round", -9, -1),
        ("round", 0x7FFF, 0x7FF),
        ("round", -0x8000, -0x800),
    ],
)
def test_16_to_12_bits_by_hand(how: Literal["cut", "round"], value: int, kept: int) -> None:
    assert converted([value], 16, 12, how) == [kept]
