"""Key ranges, beside a plain count of 128 keys and beside arithmetic with whole numbers."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.harness.plan.keys import (
    KeyRule,
    Keys,
    MiddleC,
    folds_from,
    gaps,
    key_name,
    overlaps,
    root_in_name,
    spread,
    stretches,
)

KEYBOARD = range(128)  # MIDI note numbers
KEY = st.integers(0, 127)


@st.composite
def ranges(draw: st.DrawFn) -> list[Keys]:
    pairs = draw(st.lists(st.tuples(KEY, KEY, KEY), max_size=12))
    return [Keys(root, min(one, other), max(one, other)) for root, one, other in pairs]


def counted(laid: list[Keys]) -> list[int]:
    """How many samples each key plays: one key after the other, one sample after the other."""
    counts = [0] * 128
    for each in laid:
        for key in range(each.low, each.high + 1):
            counts[key] += 1
    return counts


@given(ranges())
def test_gaps_and_overlaps_are_what_a_count_of_all_keys_says(laid: list[Keys]) -> None:
    counts = counted(laid)
    silent = [key for gap in gaps(laid) for key in range(gap.low, gap.high + 1)]
    double = [key for each in overlaps(laid) for key in range(each.low, each.high + 1)]
    assert silent == [key for key in KEYBOARD if counts[key] == 0]
    assert double == [key for key in KEYBOARD if counts[key] > 1]
    for each in overlaps(laid):
        assert {len(each.players)} == {counts[key] for key in range(each.low, each.high + 1)}


@given(ranges())
def test_the_stretches_are_the_keyboard_and_as_long_as_can_be(laid: list[Keys]) -> None:
    found = stretches(laid)
    assert [key for each in found for key in range(each.low, each.high + 1)] == list(KEYBOARD)
    assert all(one.players != other.players for one, other in pairwise(found))


@given(st.lists(st.none() | KEY, min_size=1, max_size=70))
def test_a_split_covers_every_key_and_each_goes_to_the_nearest_root(
    roots: list[int | None],
) -> None:
    laid = [each for each in spread(KeyRule.SPLIT, roots) if each is not None]
    known = [60 if root is None else root for root in roots]
    assert [each.root for each in laid] == known
    for key in KEYBOARD:
        # Of two that are as near the upper one, which is played lower.
        nearest = min(known, key=lambda root: (abs(root - key), -root))
        assert {each.root for each in laid if each.low <= key <= each.high} == {nearest}


@given(st.lists(KEY, min_size=1, max_size=70))
def test_octaves_stay_in_theirs_and_cover_them(roots: list[int]) -> None:
    laid = [each for each in spread(KeyRule.OCTAVES, roots) if each is not None]
    octaves = {root // 12 for root in roots}
    covered = [key for key, count in enumerate(counted(laid)) if count]
    assert covered == [key for key in KEYBOARD if key // 12 in octaves]
    for each in laid:
        assert each.low // 12 == each.root // 12 == each.high // 12
        assert each.low <= each.root <= each.high


@given(st.lists(KEY, min_size=1, max_size=70), st.sampled_from([KeyRule.SPLIT, KeyRule.OCTAVES]))
def test_ranges_of_different_roots_never_cross(roots: list[int], rule: KeyRule) -> None:
    laid = [each for each in spread(rule, roots) if each is not None]
    for one in laid:
        for other in laid:
            if one.root < other.root:
                assert one.high < other.low


@given(st.lists(st.none() | KEY, max_size=140))
def test_one_key_each_is_nobody_elses(roots: list[int | None]) -> None:
    laid = spread(KeyRule.ONE, roots)
    there = [each for each in laid if each is not None]
    assert len({each.root for each in there}) == len(there)
    assert all(each.low == each.root == each.high for each in there)
    for root in set(roots) - {None}:
        first = laid[roots.index(root)]
        assert first is not None
        assert first.root == root
    if len(roots) <= 127 - 36 + 1:  # drums begin at 36: common practice
        assert len(there) == len(roots)


def test_drums_without_a_root_stand_side_by_side() -> None:
    laid = spread(KeyRule.ONE, [None, 37, None, 37, None])
    assert [each.root for each in laid if each is not None] == [36, 37, 38, 39, 40]


def test_the_rules_by_an_example() -> None:
    roots = [72, 60, 65]
    assert spread(KeyRule.SPLIT, roots) == [Keys(72, 69, 127), Keys(60, 0, 62), Keys(65, 63, 68)]
    assert spread(KeyRule.OCTAVES, roots) == [Keys(72, 72, 83), Keys(60, 60, 62), Keys(65, 63, 71)]
    assert spread(KeyRule.SPLIT, [60, 62]) == [Keys(60, 0, 60), Keys(62, 61, 127)]


@pytest.mark.parametrize(
    ("root", "low", "high"), [(128, 0, 1), (-1, 0, 1), (60, 5, 4), (1, 0, 128)]
)
def test_what_is_on_no_keyboard_is_refused(root: int, low: int, high: int) -> None:
    with pytest.raises(ValueError, match="keys are 0 to 127"):
        Keys(root, low, high)


# Names of notes: common practice; the two conventions for middle C are common practice too.


@pytest.mark.parametrize(
    ("name", "root"),
    [
        ("gull C#4", 61),
        ("bell_A3", 57),
        ("Bb2 thunder", 46),
        ("music-box-c5-soft", 72),
        ("G9", 127),
        ("C-1", 0),
        ("D♭4", 61),
        ("C4 and again C4", 60),
        ("thunder", None),
        ("thunder 60", None),
        ("C3 to C5", None),
        ("ABC4", None),
        ("C4a", None),
        ("G#9", None),
        ("A 3", None),
        ("C444", None),
        ("", None),
    ],
)
def test_a_root_is_read_from_a_name(name: str, root: int | None) -> None:
    assert root_in_name(name) == root


@given(KEY, st.sampled_from(MiddleC))
def test_what_a_key_is_called_is_read_back(key: int, middle: MiddleC) -> None:
    assert root_in_name(f"bell {key_name(key, middle)}", middle) == key


def test_the_octave_of_middle_c_is_a_convention() -> None:
    assert (key_name(60), key_name(60, MiddleC.C3)) == ("C4", "C3")
    assert (root_in_name("gull A3"), root_in_name("gull A3", MiddleC.C3)) == (57, 69)


# Folding


@pytest.mark.parametrize(
    ("rate", "root", "first"),
    [
        (44_100, 60, 61),  # at its own pitch it needs just what there is
        (22_050, 60, 73),  # an octave up as well
        (22_051, 60, 72),
        (11_025, 60, 85),
        (48_000, 60, 59),  # 48,000 / 2^(1/12) is 45,306; / 2^(2/12) is 42,763
        (1_000, 100, None),
        (192_000, 0, 0),
    ],
)
def test_the_key_that_folds_by_examples(rate: int, root: int, first: int | None) -> None:
    assert folds_from(Fraction(rate), root, 44_100) == first


@given(st.fractions(min_value=100, max_value=400_000, max_denominator=1_000), KEY)
def test_folding_begins_exactly_where_the_arithmetic_says(rate: Fraction, root: int) -> None:
    # rate * 2^(k/12) > 44,100 to the twelfth power, in whole numbers.
    top, bottom = rate.numerator**12, (44_100 * rate.denominator) ** 12
    folding = [
        key for key in KEYBOARD if top * 2 ** max(key - root, 0) > bottom * 2 ** max(root - key, 0)
    ]
    assert folds_from(rate, root, 44_100) == (folding[0] if folding else None)
