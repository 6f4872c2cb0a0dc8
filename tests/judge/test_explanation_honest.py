"""Explanations are never invented, and the check of them can fail."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from dryload.harness.judge.account import Account, Content, Kind, Overflow, WordDifference
from dryload.harness.judge.explanation import explain
from tests.judge import rebuild
from tests.judge.explained import (
    array,
    explained,
    noise,
    only,
)

# No false explanations.


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.sampled_from([-2, -1, 0, 0, 0, 1, 90]), max_size=260),
    st.lists(st.sampled_from([-2, -1, 0, 0, 0, 1, 90]), max_size=260),
)
def test_whatever_two_samples_are_what_is_said_makes_the_one_of_the_other(
    a: list[int], b: list[int]
) -> None:
    account = explained(array(a), array(b), 8)
    assert (account == ()) == (a == b)


@settings(max_examples=100, deadline=None)
@given(
    period=st.sampled_from([1, 2, 3, 7, 20, 40, 50, 80, 100]),
    words=st.integers(0, 600),
    cuts=st.lists(st.tuples(st.integers(0, 600), st.integers(0, 90)), max_size=3),
    flips=st.lists(st.integers(0, 599), max_size=3),
    bits=st.sampled_from([8, 16, 28]),
)
def test_what_is_said_of_silence_and_of_sounds_that_repeat_themselves_is_true(
    period: int, words: int, cuts: list[tuple[int, int]], flips: list[int], bits: int
) -> None:
    a = np.tile(noise(period, period, bits), 601)[:words]
    if period == 1:
        a[:] = 0
    b = a.copy()
    for place in flips:
        if place < len(b):
            b[place] ^= 1
    for at, size in cuts:
        b = np.concatenate((b[:at], b[at + size :]))
    account = explained(a, b, bits)
    assert (account == ()) == np.array_equal(a, b)


def test_a_packet_lost_among_others_like_it_is_told_with_all_it_may_have_been() -> None:
    a = noise(6, 2_000, 16)
    a[400:800] = 0
    missing = only(explained(a, np.concatenate((a[:480], a[520:])), 16))
    assert missing.kind is Kind.MISSING
    assert missing.alike == (400, 760)


def test_unrelated_samples_are_only_said_to_be_different() -> None:
    account = explained(noise(7, 2_000, 16), noise(8, 2_000, 16), 16)
    difference = only(account)
    assert (difference.kind, difference.content) == (Kind.TAIL, Content.OTHER)
    assert (difference.word, difference.words) == (0, 2_000)


def test_a_tenth_of_all_words_changed_and_a_packet_lost_is_told_honestly() -> None:
    rng = np.random.default_rng(9)
    a = noise(10, 40_000, 16)
    b = a.copy()
    b[rng.random(40_000) < 0.5] ^= 1
    account = explained(a, np.concatenate((b[:4_000], b[4_040:])), 16)
    assert {difference.kind for difference in account} <= {
        Kind.CHANGED,
        Kind.REPLACED,
        Kind.ENDS_EARLY,
        Kind.MISSING,
    }


def test_few_words_are_never_explained_by_something_done_to_all() -> None:
    a = noise(11, 5_000, 16) & ~8
    b = a.copy()
    b[[10, 2_000, 4_000]] |= 8  # bit 3 is stuck at 0 in A, but that is no account of B
    changed = only(explained(a, b, 16))
    assert (changed.kind, changed.different, changed.mask) == (Kind.CHANGED, 3, 8)


def test_a_few_low_bits_do_not_make_b_the_finer_of_the_two() -> None:
    a = noise(15, 5_000, 12) << 4
    b = a.copy()
    b[::100] ^= 8
    changed = only(explained(a, b, 16))
    assert (changed.kind, changed.different) == (Kind.CHANGED, 50)


def test_a_bit_that_was_constant_before_is_not_said_to_be_stuck() -> None:
    a = noise(16, 500, 16) | 64
    b = a | 8
    assert only(explained(a, b, 16)) == WordDifference(kind=Kind.BITS_STUCK, mask=8, ones=8)


# The check itself.


def test_the_check_fails_on_accounts_that_are_not_true() -> None:
    a = noise(12, 1_000, 16)
    b = np.concatenate((a[:280], a[320:]))
    b[5] ^= 1
    account = explained(a, b, 16)
    changed, missing = account
    wrong: list[Account] = [
        (),
        (changed,),
        (missing,),
        (changed, replace(missing, word=320, packet=8)),
        (changed, replace(missing, packet=8)),
        (changed, replace(missing, words=80, packets=2)),
        (replace(changed, different=2), missing),
        (replace(changed, mask=2), missing),
        (replace(changed, largest=2), missing),
        (WordDifference(kind=Kind.NEGATED, overflow=Overflow.HELD), changed, missing),
    ]
    for each in wrong:
        with pytest.raises(AssertionError):
            rebuild.check(each, a.tolist(), b.tolist(), 16, 40)


def test_the_packets_of_b_count_where_a_never_was_in_packets() -> None:
    a = noise(13, 1_000, 24)
    b = a >> 8
    account = explain(a, np.concatenate((b[:280], b[320:])), bits=(24, 16), packet_bits=16)
    assert [(each.kind, each.packet) for each in account] == [
        (Kind.NARROWED, None),
        (Kind.MISSING, 7),
    ]
