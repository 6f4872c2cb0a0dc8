"""What can be done to every word of a sample alike: doing it, and finding out what was done.

Words are int32 arrays of `bits` significant bits; `altered` is the only place that says what a
statement about every word means.  To find out what was done, all of the table is tried on some
hundred words that differ, and what survives is for the caller to try on the whole.
"""

from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from dryload.emulator.wire.sizes import bytes_per_word, unused_bits
from dryload.emulator.wire.words import Words
from dryload.harness.judge.account import Kind, Overflow, Rounding, WordDifference

_HEAD: Final = 24  # of the first words that differ: before a lost packet, they tell what was done
_SPREAD: Final = 1_024
_MOST: Final = 6
_OCTETS: Final = (16, 24)  # widths of audio files whose 8-bit bytes may be swapped

_Done = Callable[[Words, WordDifference, int], Words]


def altered(words: Words, how: WordDifference, bits: int) -> Words:
    """Return `words` after what `how` says was done to every word; ValueError for other kinds."""
    if how.kind not in _DONE:
        raise ValueError(f"{how.kind} is not done to every word")
    return _DONE[how.kind](words, how, bits)


def divided(words: Words, bits: int, rounding: Rounding | None) -> Words:
    """Return `words` divided by two to the power of `bits`, at least 1."""
    half = 1 << (bits - 1)
    quotient: Words = words >> bits
    match rounding:
        case Rounding.ROUNDED:
            quotient = (words + half) >> bits
        case Rounding.TO_EVEN:
            rest = words - (quotient << bits)
            quotient = quotient + ((rest > half) | ((rest == half) & (quotient & 1 == 1)))
        case Rounding.AWAY:
            quotient = np.sign(words) * ((np.abs(words) + half) >> bits)
        case Rounding.TOWARDS_ZERO:
            quotient = np.sign(words) * (np.abs(words) >> bits)
    return quotient


# Finding out.


def candidates(
    a: Words, b: Words, bits: int, *, own_bits: tuple[int, int]
) -> tuple[WordDifference, ...]:
    """Return what may have been done to every word of A to make B, the likeliest first.

    Both are words of `bits` bits, and equally many; `own_bits` are the significant bits of A and B
    themselves.  Nothing is promised: each has to be tried on all words.
    """
    differ = np.flatnonzero(a != b)
    if not len(differ):
        return ()
    head = min(_HEAD, len(differ))
    places = np.concatenate((differ[:head], differ[:: max(1, len(differ) // _SPREAD)]))
    some_a, some_b = a[places], b[places]
    rated: list[tuple[int, WordDifference]] = []
    for how in _table(a, b, differ[:head], bits, own_bits):
        right = altered(some_a, how, bits) == some_b
        hits = int(np.count_nonzero(right))
        if 2 * hits >= len(places) or 10 * int(np.count_nonzero(right[:head])) >= 9 * head:
            rated.append((hits, how))
    return tuple(how for _, how in sorted(rated, key=lambda rating: -rating[0])[:_MOST])


def _table(
    a: Words, b: Words, head: NDArray[np.intp], bits: int, own_bits: tuple[int, int]
) -> Iterator[WordDifference]:
    """Yield all that may have been done, the likeliest first; A and B differ first at `head`."""
    every_bit, one, other = (1 << bits) - 1, int(a[head[0]]), int(b[head[0]])
    for overflow in Overflow:
        yield WordDifference(kind=Kind.NEGATED, overflow=overflow)
    yield WordDifference(kind=Kind.TOP_BIT_FLIPPED)
    yield WordDifference(kind=Kind.BITS_FLIPPED, mask=every_bit)
    if own_bits[0] == own_bits[1]:
        yield WordDifference(kind=Kind.BYTES_REVERSED)
        if bits in _OCTETS:
            yield WordDifference(kind=Kind.BYTES_SWAPPED)
    yield from _narrower(b, bits, own_bits[1])
    for shift in range(1, bits):
        for rounding in Rounding:
            yield WordDifference(kind=Kind.LEVEL, bits=-shift, rounding=rounding)
        for overflow in Overflow:
            yield WordDifference(kind=Kind.LEVEL, bits=shift, overflow=overflow)
        yield WordDifference(kind=Kind.RIGHT_JUSTIFIED, bits=shift)
    # Some words may be held at full scale, the first one or the one in the middle.
    for value in dict.fromkeys((other - one, int(np.sort(b[head] - a[head])[len(head) // 2]))):
        yield WordDifference(kind=Kind.OFFSET, value=value)
    yield WordDifference(kind=Kind.BITS_FLIPPED, mask=(one ^ other) & every_bit)
    line, changed = b + (1 << (bits - 1)), int(np.bitwise_or.reduce(a ^ b)) & every_bit
    ones = int(np.bitwise_and.reduce(line)) & changed
    if not (int(np.bitwise_or.reduce(line)) & changed) ^ ones:  # none of them is ever another
        yield WordDifference(kind=Kind.BITS_STUCK, mask=changed, ones=ones)


def _narrower(b: Words, bits: int, own_bits: int) -> Iterator[WordDifference]:
    """Yield the widths to which B may have been narrowed: its own first, then the narrowest."""
    used = int(np.bitwise_or.reduce(b)) if len(b) else 0
    zeros = (used & -used).bit_length() - 1 if used else bits  # of the lowest bits, in every word
    widths = [own_bits] if own_bits < bits else []
    widths += [bits - drop for drop in range(min(zeros, bits - 2), 0, -1)]
    for width in dict.fromkeys(widths):
        for rounding in Rounding:
            yield WordDifference(kind=Kind.NARROWED, bits=width, rounding=rounding, coarse="B")


def narrowed_from(fine: Words, coarse: Words, bits: int, own_bits: int) -> WordDifference | None:
    """Return how `coarse` came from `fine` by dropping bits, None if it didn't; exact."""
    differ = np.flatnonzero(fine != coarse)
    some = differ[:: max(1, len(differ) // _SPREAD)]
    for how in _narrower(coarse, bits, own_bits):
        if all(
            np.array_equal(altered(fine[places], how, bits), coarse[places])
            for places in (some, np.s_[:])
        ):
            return how
    return None


# Doing it.


def _on_line(done: _Done) -> _Done:
    """Return what is done to words as on the line, which are offset binary (WRD-07)."""

    def to_words(words: Words, how: WordDifference, bits: int) -> Words:
        half = 1 << (bits - 1)
        altered_words: Words = done(words + half, how, bits) - half
        return altered_words

    return to_words


def _fitted(words: NDArray[Any], bits: int, overflow: Overflow | None) -> Words:
    """Return words of any size in `bits` bits."""
    half = 1 << (bits - 1)
    if overflow is Overflow.WRAPPED:
        words = ((words + half) & (2 * half - 1)) - half
    fitted: Words = np.minimum(np.maximum(words, -half), half - 1).astype(np.int32)
    return fitted


def _turned(values: Words, count: int, size: int) -> Words:
    """Return values whose `count` groups of `size` bits are in the other order."""
    turned = np.zeros_like(values)
    for group in range(count):
        turned = turned << size | values >> group * size & ((1 << size) - 1)
    return turned


def _bytes_reversed(line: Words, how: WordDifference, bits: int) -> Words:
    unused = unused_bits(bits)
    turned: Words = _turned(line << unused, bytes_per_word(bits), 7) >> unused
    return turned


def _narrowed(words: Words, how: WordDifference, bits: int) -> Words:
    drop, most = bits - how.bits, (1 << (how.bits - 1)) - 1
    narrow: Words = np.minimum(divided(words, drop, how.rounding), most) << drop
    return narrow


def _level(words: Words, how: WordDifference, bits: int) -> Words:
    if how.bits < 0:
        return divided(words, -how.bits, how.rounding)
    return _fitted(words.astype(np.int64) << how.bits, bits, how.overflow)


_DONE: Final[Mapping[Kind, _Done]] = {
    Kind.WIDENED: lambda words, how, bits: words,
    Kind.NEGATED: lambda words, how, bits: _fitted(-words, bits, how.overflow),
    Kind.TOP_BIT_FLIPPED: _on_line(lambda line, how, bits: line ^ (1 << (bits - 1))),
    Kind.BITS_FLIPPED: _on_line(lambda line, how, bits: line ^ how.mask),
    Kind.BITS_STUCK: _on_line(lambda line, how, bits: line & ~how.mask | how.ones),
    Kind.BYTES_REVERSED: _on_line(_bytes_reversed),
    Kind.BYTES_SWAPPED: lambda words, how, bits: _fitted(
        _turned(words, bits // 8, 8), bits, Overflow.WRAPPED
    ),
    Kind.NARROWED: _narrowed,
    Kind.LEVEL: _level,
    Kind.RIGHT_JUSTIFIED: _on_line(lambda line, how, bits: line >> how.bits),
    Kind.OFFSET: lambda words, how, bits: _fitted(words + (how.value or 0), bits, Overflow.HELD),
}
