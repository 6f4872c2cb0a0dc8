"""Explanations: right, exact, and never invented.

Damage is done on purpose to random words; what is said of it is applied to A by `rebuild`, which
is plain Python, and has to give B.  Where the damage can be told from any other, the very
statement is expected, with its figures.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from harness.judge.account import Account, Content, Difference, Kind, Overflow, Rounding
from harness.judge.explanation import explain
from tests.judge import rebuild
from tests.oracle import words_per_packet

Array = NDArray[np.int32]
WIDTHS = (8, 14, 15, 16, 21, 22, 28)  # both ends of each size of word, M1 p. 39, and 16
few = settings(max_examples=40, deadline=None)  # a machine under load is no failure
widths = st.sampled_from(WIDTHS)
seeds = st.integers(0, 2**32)


def noise(seed: int, words: int, bits: int) -> Array:
    top = 1 << (bits - 1)
    return np.random.default_rng(seed).integers(-top, top, words).astype(np.int32)


def array(words: list[int]) -> Array:
    return np.array(words, np.int32)


def explained(a: Array, b: Array, bits: int, b_bits: int | None = None) -> Account:
    """The explanation, once it has been found true."""
    b_bits = b_bits or bits
    account = explain(a, b, bits=(bits, b_bits))
    wide = max(bits, b_bits)
    rebuild.check(
        account,
        [word << (wide - bits) for word in a.tolist()],
        [word << (wide - b_bits) for word in b.tolist()],
        wide,
        words_per_packet(bits),
    )
    assert explain(a, b, bits=(bits, b_bits)) == account
    return account


def only(account: Account) -> Difference:
    assert len(account) == 1, account
    return account[0]


def joined(a: Array, step: int, order: list[int]) -> Array:
    """Packets of A in another order; the last of them may be short."""
    return np.concatenate([a[packet * step : (packet + 1) * step] for packet in order])


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


# Every word.


def every_word(bits: int) -> list[Difference]:
    """Statements about every word that can be told from one another."""
    return [
        Difference(kind=Kind.TOP_BIT_FLIPPED),
        Difference(kind=Kind.BITS_FLIPPED, mask=(1 << bits) - 1),
        Difference(kind=Kind.BITS_FLIPPED, mask=0b10_0100),
        Difference(kind=Kind.BITS_STUCK, mask=8, ones=8),
        Difference(kind=Kind.BITS_STUCK, mask=8, ones=0),
        Difference(kind=Kind.BITS_STUCK, mask=1 << (bits - 1), ones=0),
        Difference(kind=Kind.BITS_STUCK, mask=0b10_1000, ones=8),
        Difference(kind=Kind.BYTES_REVERSED),
        *(
            Difference(kind=Kind.NARROWED, bits=bits - drop, rounding=rounding, coarse="B")
            for drop in (2, 4)
            for rounding in Rounding
        ),
        *(
            Difference(kind=Kind.LEVEL, bits=-shift, rounding=rounding)
            for shift in (1, 3)
            for rounding in (Rounding.CUT, Rounding.TOWARDS_ZERO)
        ),
        *(Difference(kind=Kind.LEVEL, bits=-2, rounding=rounding) for rounding in Rounding),
        Difference(kind=Kind.LEVEL, bits=1, overflow=Overflow.HELD),
        Difference(kind=Kind.RIGHT_JUSTIFIED, bits=3),
        Difference(kind=Kind.OFFSET, value=3),
    ]


@pytest.mark.parametrize("bits", WIDTHS)
@settings(max_examples=3, deadline=None)
@given(seed=seeds)
def test_what_was_done_to_every_word_is_told(seed: int, bits: int) -> None:
    a = noise(seed, 1_500, bits)
    for how in every_word(bits):
        b = array([rebuild.done_to(word, how, bits) for word in a.tolist()])
        assert only(explained(a, b, bits)) == how


@few
@given(seeds, widths, st.booleans())
def test_negated_words_are_told_with_what_became_of_the_lowest(
    seed: int, bits: int, held: bool
) -> None:
    a = noise(seed, 500, bits)
    a[7] = -(1 << (bits - 1))
    how = Difference(kind=Kind.NEGATED, overflow=Overflow.HELD if held else Overflow.WRAPPED)
    b = array([rebuild.done_to(word, how, bits) for word in a.tolist()])
    assert only(explained(a, b, bits)) == how


@pytest.mark.parametrize("bits", [16, 24])
def test_words_of_an_audio_file_in_the_wrong_byte_order_are_told(bits: int) -> None:
    a = noise(3, 500, bits)
    how = Difference(kind=Kind.BYTES_SWAPPED)
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
        how = Difference(kind=Kind.NARROWED, bits=narrow, rounding=rounding, coarse="B")
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
        (Difference(kind=Kind.NEGATED, overflow=Overflow.HELD), changed, missing),
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
