"""Explanations of packets and words that are lost, doubled, moved or others.

Damage is done on purpose to random words; what is said of it is applied to A by `rebuild`, which
is plain Python, and has to give B.  Where the damage can be told from any other, the very
statement is expected, with its figures.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from dryload.harness.judge.account import Content, Kind
from tests.judge.explained import (
    array,
    explained,
    few,
    joined,
    noise,
    only,
    seeds,
    widths,
)
from tests.oracle import words_per_packet

# Packets.


@few
@given(seeds, widths, st.sets(st.integers(0, 23), min_size=1, max_size=5), st.integers(1, 29))
def test_missing_packets_are_named(seed: int, bits: int, lost: set[int], rest: int) -> None:
    step = words_per_packet(bits)
    a = noise(seed, 25 * step + rest, bits)
    b = joined(a, step, [packet for packet in range(26) if packet not in lost])
    account = explained(a, b, bits)
    assert {difference.kind for difference in account} == {Kind.MISSING}
    named = [
        packet
        for difference in account
        for packet in range(difference.packet or 0, (difference.packet or 0) + difference.packets)
    ]
    assert named == sorted(lost)
    assert account[-1].moved == -step * len(lost)
    assert [difference.moved for difference in account] == [
        -step * sum(packet < (after.packet or 0) for packet in lost) for after in account[1:]
    ] + [-step * len(lost)]


@few
@given(seeds, widths, st.integers(0, 22), st.integers(0, 29))
def test_a_missing_packet_is_told_when_filler_took_its_place_at_the_end(
    seed: int, bits: int, lost: int, rest: int
) -> None:
    # A receiver that counts words takes the filler of the last packet for words (M1 p. 39).
    step = words_per_packet(bits)
    a = noise(seed, 25 * step + rest, bits)
    filler = -len(a) % step
    b = joined(a, step, [packet for packet in range(26) if packet != lost])
    b = np.concatenate((b, array([-(1 << (bits - 1))] * filler)))
    missing, *end = explained(a, b, bits)
    assert (missing.kind, missing.packet, missing.packets) == (Kind.MISSING, lost, 1)
    told = [(more.kind, more.words, more.content) for more in end]
    assert told == ([(Kind.GOES_ON, filler, Content.FILLER)] if filler else [])


@few
@given(seeds, widths, st.integers(0, 19), st.integers(1, 3), st.booleans())
def test_packets_that_come_twice_are_named(
    seed: int, bits: int, first: int, count: int, cut: bool
) -> None:
    step = words_per_packet(bits)
    a = noise(seed, 24 * step + 7, bits)
    end = (first + count) * step
    b = np.concatenate((a[:end], a[first * step :]))
    if cut:  # at the length of the header, as a receiver does
        b = b[: len(a)]
    doubled, *rest = explained(a, b, bits)
    if len(b) <= end + count * step:  # nothing of A comes after what is there twice
        assert (doubled.kind, doubled.content) == (Kind.TAIL, Content.REPEATED)
        assert (doubled.value, rest) == (count * step, [])
        return
    assert (doubled.kind, doubled.packet, doubled.packets) == (Kind.DOUBLED, first, count)
    assert (doubled.times, doubled.moved) == (2, count * step)
    assert [more.kind for more in rest] == ([Kind.ENDS_EARLY] if cut else [])
    assert not cut or rest[0].words == count * step


def test_a_packet_that_comes_three_times_and_one_that_comes_late() -> None:
    a = noise(1, 1_007, 16)
    thrice = only(explained(a, np.concatenate((a[:200], a[160:200], a[160:])), 16))
    assert (thrice.kind, thrice.packet, thrice.packets, thrice.times) == (Kind.DOUBLED, 4, 1, 3)
    late = only(explained(a, np.concatenate((a[:280], a[160:200], a[280:])), 16))
    assert (late.kind, late.packet, late.after_packet) == (Kind.DOUBLED, 4, 6)


def test_the_last_but_one_of_whole_packets_that_comes_twice_is_one_difference() -> None:
    a = noise(2, 200, 16)
    twice = only(explained(a, np.concatenate((a[:160], a[120:])), 16))
    assert (twice.kind, twice.packet, twice.after_packet) == (Kind.DOUBLED, 3, 3)


@few
@given(seeds, widths, st.integers(0, 24), st.integers(1, 29))
def test_swapped_neighbours_are_named_even_if_the_last_packet_is_one_of_them(
    seed: int, bits: int, first: int, rest: int
) -> None:
    step = words_per_packet(bits)
    a = noise(seed, 25 * step + rest, bits)
    filled = np.concatenate((a, array([-(1 << (bits - 1))] * (-len(a) % step))))
    order = list(range(26))
    order[first : first + 2] = [first + 1, first]
    swapped = only(explained(a, joined(filled, step, order)[: len(a)], bits))
    assert (swapped.kind, swapped.packet) == (Kind.SWAPPED, first)


@few
@given(seeds, widths, st.integers(0, 24), st.integers(0, 24))
def test_a_packet_that_stands_elsewhere_is_named(
    seed: int, bits: int, packet: int, place: int
) -> None:
    step = words_per_packet(bits)
    a = noise(seed, 25 * step, bits)
    order = [other for other in range(25) if other != packet]
    order.insert(place, packet)
    account = explained(a, joined(a, step, order), bits)
    if place == packet:
        assert account == ()
    elif abs(place - packet) == 1:
        assert (only(account).kind, only(account).packet) == (Kind.SWAPPED, min(place, packet))
    elif abs(place - packet) > 2:
        # By two, it is as true that two packets moved by one.
        moved = only(account)
        after = place if place > packet else place - 1
        assert (moved.kind, moved.packet, moved.after_packet) == (Kind.MOVED, packet, after)


@few
@given(seeds, widths, st.integers(20, 24), st.integers(1, 15))
def test_a_packet_missing_just_before_a_short_last_one_is_told_by_the_filler_too(
    seed: int, bits: int, lost: int, rest: int
) -> None:
    step = words_per_packet(bits)
    a = noise(seed, 25 * step + rest, bits)
    b = joined(a, step, [packet for packet in range(26) if packet != lost])
    b = np.concatenate((b, array([-(1 << (bits - 1))] * (step - rest))))
    missing, end = explained(a, b, bits)
    assert (missing.kind, missing.packet) == (Kind.MISSING, lost)
    assert (end.kind, end.content, end.words) == (Kind.GOES_ON, Content.FILLER, step - rest)


@few
@given(seeds, st.integers(1, 6), st.integers(1, 6))
def test_words_that_are_changed_beside_a_lost_packet_are_not_lost_with_it(
    seed: int, before: int, after: int
) -> None:
    a = noise(seed, 2_000, 16)
    b = a.copy()
    b[[1_000 - before, 1_040 + after]] ^= 1
    account = explained(a, np.concatenate((b[:1_000], b[1_040:])), 16)
    (missing,) = [each for each in account if each.kind is Kind.MISSING]
    assert (missing.packet, missing.packets) == (25, 1)
    assert sum(each.different for each in account) == 2


def test_in_a_sound_that_nearly_repeats_itself_lost_packets_are_still_lost_packets() -> None:
    # Rounding makes the periods differ now and then, and other lags fit nearly as well.
    at = np.arange(40_000)
    wave = 1.9 * np.sin(2 * np.pi * at / 100.3) * np.exp(-(at % 10_000) / 9_000)
    a = np.floor(wave).astype(np.int32) * 256
    lost = (3, 200, 209, 450, 700, 950)
    b = joined(a, 40, [packet for packet in range(1_000) if packet not in lost])
    account = explained(a, b, 16)
    assert {each.kind for each in account} == {Kind.MISSING}
    assert account[-1].moved == -40 * len(lost)


# Words that are lost, gained or late.


@few
@given(seeds, widths, st.integers(1, 200), st.booleans())
def test_a_sample_that_begins_late_is_told_with_what_is_in_front(
    seed: int, bits: int, late: int, cut: bool
) -> None:
    a = noise(seed, 1_500, bits)
    b = np.concatenate((array([0] * late), a))
    added, *rest = explained(a, b[:1_500] if cut else b, bits)
    assert (added.kind, added.word, added.words) == (Kind.ADDED, 0, late)
    assert (added.content, added.moved) == (Content.SILENCE if late > 1 else added.content, late)
    assert [more.kind for more in rest] == ([Kind.ENDS_EARLY] if cut else [])


@few
@given(seeds, widths, st.integers(1, 200))
def test_a_sample_that_begins_early_lacks_its_first_words(seed: int, bits: int, early: int) -> None:
    a = noise(seed, 1_500, bits)
    lost = only(explained(a, a[early:], bits))
    whole = early % words_per_packet(bits) == 0
    assert (lost.kind, lost.word) == (Kind.MISSING if whole else Kind.LOST, 0)
    assert (lost.words, lost.moved) == (early, -early)


@few
@given(seeds, widths, st.integers(1, 300), st.sampled_from([0, None, 5]))
def test_a_longer_sample_is_told_with_what_is_behind(
    seed: int, bits: int, more: int, value: int | None
) -> None:
    a = noise(seed, 500, bits)
    lowest = -(1 << (bits - 1))
    b = np.concatenate((a, array([lowest if value is None else value] * more)))
    goes_on = only(explained(a, b, bits))
    content = {0: Content.SILENCE, None: Content.FILLER, 5: Content.CONSTANT}[value]
    assert (goes_on.kind, goes_on.words, goes_on.content) == (Kind.GOES_ON, more, content)
    shorter = only(explained(b, a, bits))
    assert (shorter.kind, shorter.word, shorter.words) == (Kind.ENDS_EARLY, 500, more)


# Words that are others.


@few
@given(seeds, widths, st.integers(4, 400), st.sampled_from(["silence", "filler", "other"]))
def test_a_spoiled_end_is_told_with_what_it_is(
    seed: int, bits: int, spoiled: int, what: str
) -> None:
    a = noise(seed, 1_000, bits)
    b = a.copy()
    end = np.s_[1_000 - spoiled :]
    match what:
        case "silence":
            b[end] = 0
        case "filler":
            b[end] = -(1 << (bits - 1))
        case _:
            b[end] = noise(seed + 1, spoiled, bits)
    # By chance words at the edge are equal, and then they aren't spoiled.
    first = int(np.flatnonzero(a != b)[0])
    tail, *more = explained(a, b, bits)
    if tail.kind is Kind.TAIL:
        assert more == []
        assert (tail.word, tail.words) == (first, 1_000 - first)
        assert tail.content == Content(what)
    else:
        assert tail.word == first
        assert sum(part.different for part in (tail, *more)) == np.count_nonzero(a != b)
    assert tail.kind is Kind.TAIL or spoiled < 8 or what == "other"


def test_a_silent_end_is_told_to_the_last_word_even_if_a_fades_out() -> None:
    a = noise(14, 1_000, 16)
    a[900:] = 0
    b = a.copy()
    b[700:] = 0
    tail = only(explained(a, b, 16))
    assert (tail.kind, tail.content) == (Kind.TAIL, Content.SILENCE)
    assert (tail.word, tail.words) == (700, 300)


@few
@given(seeds, widths, st.sets(st.integers(0, 1_999), min_size=1, max_size=40))
def test_single_words_are_counted_and_placed(seed: int, bits: int, places: set[int]) -> None:
    step = words_per_packet(bits)
    a = noise(seed, 2_000, bits)
    b = a.copy()
    flip = 1 << (seed % bits)
    top = 1 << (bits - 1)
    where = sorted(places)
    b[where] = ((a[where] + top) ^ flip) - top
    account = explained(a, b, bits)
    if len(account) > 1 or account[0].kind is not Kind.CHANGED:
        assert any(after - before < 8 for before, after in pairwise(where))  # a whole region
        return
    changed = only(account)
    assert changed.different == len(where)
    assert (changed.mask, changed.largest) == (flip, flip)
    run = changed.runs[0]
    assert (run.word, run.packet) == (where[0], where[0] // step)
    assert run.values == (int(a[where[0]]), int(b[where[0]]))
    groups = 1 + sum(after - before > 8 for before, after in pairwise(where))
    assert changed.run_count == groups


@few
@given(seeds, widths, st.integers(1, 22), st.sets(st.integers(0, 999), max_size=6))
def test_a_lost_packet_and_changed_words_are_told_together(
    seed: int, bits: int, lost: int, places: set[int]
) -> None:
    step = words_per_packet(bits)
    a = noise(seed, 40 * step, bits)
    b = a.copy()
    where = sorted(place for place in places if place // step != lost)
    b[where] ^= 1
    b = np.concatenate((b[: lost * step], b[(lost + 1) * step :]))
    account = explained(a, b, bits)
    missing = [difference for difference in account if difference.kind is Kind.MISSING]
    changed = [difference for difference in account if difference.kind is not Kind.MISSING]
    edge = any(abs(place - lost * step) < 2 * step for place in where)
    if not edge:
        assert [(each.packet, each.packets) for each in missing] == [(lost, 1)]
        assert sum(each.different for each in changed) == len(where)
