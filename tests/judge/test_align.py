"""Alignment: what stands against what, checked against plain loops and damage done on purpose."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from dryload.harness.judge import align as module
from dryload.harness.judge.align import AlignedWords, align, equal_run, equal_run_back

Array = NDArray[np.int32]
STEPS = (60, 40, 30)  # words in a packet at the three sizes of words, M1 p. 39


def noise(seed: int, words: int) -> Array:
    return np.random.default_rng(seed).integers(-30_000, 30_000, words).astype(np.int32)


def array(words: list[int]) -> Array:
    return np.array(words, np.int32)


few_values = st.lists(st.integers(0, 1), max_size=600).map(array)
"""Words that are equal everywhere by chance."""


@given(few_values, few_values, st.data())
def test_equal_runs_are_those_of_a_plain_loop(a: Array, b: Array, data: st.DataObject) -> None:
    at_a = data.draw(st.integers(0, len(a)))
    at_b = data.draw(st.integers(0, len(b)))
    limit = data.draw(st.integers(0, 700))
    ahead = 0
    while at_a + ahead < len(a) and at_b + ahead < len(b) and a[at_a + ahead] == b[at_b + ahead]:
        ahead += 1
    back = 0
    while back < limit and back < min(at_a, at_b) and a[at_a - back - 1] == b[at_b - back - 1]:
        back += 1
    assert equal_run(a, at_a, b, at_b) == ahead
    assert equal_run_back(a, at_a, b, at_b, limit) == back


@pytest.mark.parametrize("equal", [0, 255, 256, 257, 2303, 2304, 2305, 20_000])
def test_equal_runs_end_at_the_word_that_differs_whatever_blocks_are_compared(equal: int) -> None:
    a = noise(1, 30_000)
    b = a.copy()
    b[equal] += 1
    assert equal_run(a, 0, b, 0) == equal
    assert equal_run_back(a[::-1], 30_000, b[::-1], 30_000, 30_000) == equal


@settings(max_examples=150)
@given(few_values, few_values, st.sampled_from(STEPS), st.booleans())
def test_stretches_are_in_order_and_leave_no_word_of_both_sides_between(
    a: Array, b: Array, step: int, whole: bool
) -> None:
    found = align(a, b, step=step, whole=whole)
    assert found is not None
    assert (found[0].a, found[0].b) == (0, 0)
    for before, after in pairwise(found):
        lost = after.a - before.a - before.words
        gained = after.b - before.b - before.words
        assert min(lost, gained) == 0 < max(lost, gained)
    last = found[-1]
    assert last.a + last.words == len(a) or last.b + last.words == len(b)
    assert last.a + last.words <= len(a)
    assert last.b + last.words <= len(b)
    assert align(a, b, step=step, whole=whole) == found


@given(
    st.integers(0, 2**32),
    st.sampled_from(STEPS),
    st.sets(st.integers(1, 28), min_size=1, max_size=6),
)
def test_every_lost_packet_is_a_seam_at_its_edge(seed: int, step: int, lost: set[int]) -> None:
    a = noise(seed, 30 * step)
    kept = [packet for packet in range(30) if packet not in lost]
    b = np.concatenate([a[packet * step : (packet + 1) * step] for packet in kept])
    found = align(a, b, step=step)
    assert found is not None
    covered = {word for stretch in found for word in range(stretch.a, stretch.a + stretch.words)}
    for word in range(30 * step):
        assert (word in covered) == (word // step not in lost)
    for stretch in found:
        part = a[stretch.a : stretch.a + stretch.words]
        assert np.array_equal(part, b[stretch.b : stretch.b + stretch.words])


def test_where_a_packet_was_lost_in_silence_the_seam_is_laid_at_the_edge_of_a_packet() -> None:
    a = noise(3, 2_000)
    a[395:805] = 0
    b = np.concatenate((a[:480], a[520:]))
    found = align(a, b, step=40)
    assert found is not None
    first, second = found
    assert first.words % 40 == 0
    assert 400 <= first.words <= 760
    assert (second.a, second.b) == (first.words + 40, first.words)


def test_a_word_that_differs_in_passing_begins_no_stretch() -> None:
    a = noise(4, 4_000)
    b = a.copy()
    b[[0, 17, 1999, 2000, 3999]] += 1
    assert align(a, b, step=40) == (AlignedWords(0, 0, 4_000),)


def test_a_search_that_costs_too_much_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    a = noise(5, 4_000)
    b = np.concatenate((a[:100], a[117:2_000], a[2_133:]))
    assert align(a, b, step=40) is not None
    monkeypatch.setattr(module, "_EFFORT", 5)
    assert align(a, b, step=40) is None


def test_the_cost_of_the_worst_samples_stays_within_the_bound(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Every word differs in passing: the walk stops at each, and has to give up.
    a = noise(6, 40_000)
    b = a.copy()
    b[::20] += 1
    monkeypatch.setattr(module, "_EFFORT", 500)
    calls = 0
    plain = module._SampleWalk._misfit

    def counting(walk: module._SampleWalk, at: tuple[int, int], packets: int) -> int:
        nonlocal calls
        calls += 1
        return plain(walk, at, packets)

    monkeypatch.setattr(module._SampleWalk, "_misfit", counting)
    assert align(a, b, step=40) is None
    assert 0 < calls < 10_000


@given(st.integers(0, 2**32), st.integers(1, 700), st.integers(100, 1_500))
def test_words_lost_or_gained_anywhere_are_found(seed: int, size: int, at: int) -> None:
    a = noise(seed, 3_000)
    shorter = np.concatenate((a[:at], a[at + size :]))
    lost = align(a, shorter, step=40)
    gained = align(shorter, a, step=40)
    assert lost is not None
    assert gained is not None
    for found, sides in ((lost, (a, shorter)), (gained, (shorter, a))):
        assert sum(stretch.words for stretch in found) == len(shorter)
        for stretch in found:
            one = sides[0][stretch.a : stretch.a + stretch.words]
            assert np.array_equal(one, sides[1][stretch.b : stretch.b + stretch.words])
