"""What can be done to every word of a sample alike: doing it, and finding out what was done.

Words are int32 arrays of `bits` significant bits; `altered` is the only place that says what a
statement about every word means.  To find out what was done, all of the table is tried on some
hundred words that differ, and what survives is for the caller to try on the whole.
"""

from collections.abc import Callable, Iterator, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from emulator.wire.sizes import bytes_per_word, unused_bits
from emulator.wire.words import Words
from harness.judge.account import Difference, Kind, Overflow, Rounding

_HEAD: Final = 24  # of the first words that differ: before a lost packet, they tell what was done
_SPREAD: Final = 1_024
_MOST: Final = 6
_OCTETS: Final = (16, 24)  # widths of audio files whose 8-bit bytes may be swapped


def altered(words: Words, how: Difference, bits: int, channels: int = 1) -> Words:
    """Return `words` after what `how` says was done to every word; ValueError for other kinds."""
    if how.kind is Kind.ONE_CHANNEL:
        return words[how.value :: channels]
    if how.kind is Kind.CHANNELS_SWAPPED:
        return words.reshape(-1, channels)[:, ::-1].reshape(-1)
    if how.kind not in _DONE:
        raise ValueError(f"{how.kind} is not done to every word")
    return _DONE[how.kind](words, how, bits)


def divided(words: Words, bits: int, rounding: Rounding) -> Words:
    """Return `words` divided by two to the power of `bits`, at least 1."""
    half = np.int32(1 << (bits - 1))
    quotient: Words
    match rounding:
        case Rounding.CUT:
            quotient = words >> bits
        case Rounding.ROUNDED:
            quotient = (words + half) >> bits
        case Rounding.TO_EVEN:
            quotient = words >> bits
            rest = words - (quotient << bits)
            quotient = quotient + ((rest > half) | ((rest == half) & (quotient & 1 == 1)))
        case Rounding.AWAY:
            quotient = np.sign(words) * ((np.abs(words) + half) >> bits)
        case Rounding.TOWARDS_ZERO:
            quotient = np.sign(words) * (np.abs(words) >> bits)
    return quotient


def candidates(
    a: Words, b: Words, bits: int, *, own_bits: tuple[int, int]
) -> tuple[Difference, ...]:
    """Return what may have been done to every word of A to make B, the likeliest first.

    Both are words of `bits` bits, and equally many; `own_bits` are the significant bits of A and B
    themselves.  Nothing is promised: each has to be tried on all words.
    """
    differ = np.flatnonzero(a != b)
    if not len(differ):
        return ()
    spread = differ[:: max(1, len(differ) // _SPREAD)]
    places = np.concatenate((differ[:_HEAD], spread))
    head = min(_HEAD, len(differ))
    some_a, some_b = a[places], b[places]
    rated: list[tuple[int, int, Difference]] = []
    for order, how in enumerate(_table(a, b, differ, bits, own_bits)):
        right = altered(some_a, how, bits) == some_b
        hits = int(np.count_nonzero(right))
        if 2 * hits >= len(places) or 10 * int(np.count_nonzero(right[:head])) >= 9 * head:
            rated.append((-hits, order, how))
    return tuple(how for _, _, how in sorted(rated, key=lambda rating: rating[:2])[:_MOST])


def _table(
    a: Words, b: Words, differ: NDArray[np.intp], bits: int, own_bits: tuple[int, int]
) -> Iterator[Difference]:
    first_a, first_b = int(a[differ[0]]), int(b[differ[0]])
    every_bit = (1 << bits) - 1
    same_width = own_bits[0] == own_bits[1]
    for overflow in Overflow:
        yield Difference(kind=Kind.NEGATED, overflow=overflow)
    yield Difference(kind=Kind.TOP_BIT_FLIPPED)
    yield Difference(kind=Kind.BITS_FLIPPED, mask=every_bit)
    if same_width:
        yield Difference(kind=Kind.BYTES_REVERSED)
        if bits in _OCTETS:
            yield Difference(kind=Kind.BYTES_SWAPPED)
    yield from _narrower(b, bits, own_bits)
    for shift in range(1, bits):
        for rounding in Rounding:
            yield Difference(kind=Kind.LEVEL, bits=-shift, rounding=rounding)
        for overflow in Overflow:
            yield Difference(kind=Kind.LEVEL, bits=shift, overflow=overflow)
        yield Difference(kind=Kind.RIGHT_JUSTIFIED, bits=shift)
    yield Difference(kind=Kind.OFFSET, value=first_b - first_a)
    yield Difference(kind=Kind.BITS_FLIPPED, mask=(first_a ^ first_b) & every_bit)
    yield from _stuck(a, b, bits)


def _narrower(b: Words, bits: int, own_bits: tuple[int, int]) -> Iterator[Difference]:
    """Yield the widths to which B may have been narrowed: its own first, then the narrowest."""
    zeros = trailing_zeros(b, bits)
    widths = [bits - drop for drop in range(min(zeros, bits - 2), 0, -1)]
    if own_bits[1] < bits:
        widths = [own_bits[1], *(width for width in widths if width != own_bits[1])]
    for width in widths:
        for rounding in Rounding:
            yield Difference(kind=Kind.NARROWED, bits=width, rounding=rounding, coarse="B")


def narrowed_from(fine: Words, coarse: Words, bits: int, own_bits: int) -> Difference | None:
    """Return how `coarse` came from `fine` by dropping bits, None if it didn't; exact."""
    differ = np.flatnonzero(fine != coarse)
    some = differ[:: max(1, len(differ) // _SPREAD)]
    for how in _narrower(coarse, bits, (bits, own_bits)):
        if np.array_equal(altered(fine[some], how, bits), coarse[some]) and np.array_equal(
            altered(fine, how, bits), coarse
        ):
            return how
    return None


def trailing_zeros(words: Words, bits: int) -> int:
    """Return how many of the lowest bits are 0 in every word."""
    used = int(np.bitwise_or.reduce(words)) if len(words) else 0
    return bits if used == 0 else min((used & -used).bit_length() - 1, bits)


def _stuck(a: Words, b: Words, bits: int) -> Iterator[Difference]:
    line_a, line_b = _line(a, bits), _line(b, bits)
    mask = int(np.bitwise_or.reduce(line_a ^ line_b))
    ones = int(np.bitwise_and.reduce(line_b)) & mask
    zeros = ~int(np.bitwise_or.reduce(line_b)) & mask
    if ones | zeros == mask:
        yield Difference(kind=Kind.BITS_STUCK, mask=mask, ones=ones)


def _line(words: Words, bits: int) -> Words:
    """Return words as on the line: offset binary (WRD-07)."""
    return words + np.int32(1 << (bits - 1))


def _from_line(line: Words, bits: int) -> Words:
    words: Words = line - np.int32(1 << (bits - 1))
    return words


def _negated(words: Words, how: Difference, bits: int) -> Words:
    lowest = -(1 << (bits - 1))
    end = np.int32(-(lowest + 1) if how.overflow is Overflow.HELD else lowest)
    return np.where(words == lowest, end, -words)


def _flipped(words: Words, how: Difference, bits: int) -> Words:
    return _from_line(_line(words, bits) ^ np.int32(how.mask), bits)


def _top_bit_flipped(words: Words, how: Difference, bits: int) -> Words:
    top = np.int32(1 << (bits - 1))
    return np.where(words < 0, words + top, words - top)


def _held(words: Words, how: Difference, bits: int) -> Words:
    return _from_line(_line(words, bits) & np.int32(~how.mask) | np.int32(how.ones), bits)


def _bytes_reversed(words: Words, how: Difference, bits: int) -> Words:
    unused = unused_bits(bits)
    value = _line(words, bits) << np.int32(unused)
    turned = np.zeros_like(value)
    for _ in range(bytes_per_word(bits)):
        turned = turned << 7 | value & 0x7F
        value = value >> 7
    return _from_line(turned >> unused, bits)


def _octets_swapped(words: Words, how: Difference, bits: int) -> Words:
    value = words & np.int32((1 << bits) - 1)
    swapped = np.zeros_like(value)
    for _ in range(bits // 8):
        swapped = swapped << 8 | value & 0xFF
        value = value >> 8
    half = np.int32(1 << (bits - 1))
    signed: Words = (swapped ^ half) - half
    return signed


def _narrowed(words: Words, how: Difference, bits: int) -> Words:
    assert how.rounding is not None
    most = np.int32((1 << (how.bits - 1)) - 1)
    narrow: Words = np.minimum(divided(words, bits - how.bits, how.rounding), most)
    return narrow << np.int32(bits - how.bits)


def _level(words: Words, how: Difference, bits: int) -> Words:
    if how.bits < 0:
        assert how.rounding is not None
        return divided(words, -how.bits, how.rounding)
    half = 1 << (bits - 1)
    louder = words.astype(np.int64) << how.bits
    if how.overflow is Overflow.HELD:
        held: Words = np.clip(louder, -half, half - 1).astype(np.int32)
        return held
    wrapped: Words = (((louder + half) & ((1 << bits) - 1)) - half).astype(np.int32)
    return wrapped


def _right_justified(words: Words, how: Difference, bits: int) -> Words:
    return _from_line(_line(words, bits) >> np.int32(how.bits), bits)


def _offset(words: Words, how: Difference, bits: int) -> Words:
    half = 1 << (bits - 1)
    higher = words.astype(np.int64) + (how.value or 0)
    clipped: Words = np.clip(higher, -half, half - 1).astype(np.int32)
    return clipped


_DONE: Final[Mapping[Kind, Callable[[Words, Difference, int], Words]]] = {
    Kind.WIDENED: lambda words, how, bits: words,
    Kind.NEGATED: _negated,
    Kind.TOP_BIT_FLIPPED: _top_bit_flipped,
    Kind.BITS_FLIPPED: _flipped,
    Kind.BITS_STUCK: _held,
    Kind.BYTES_REVERSED: _bytes_reversed,
    Kind.BYTES_SWAPPED: _octets_swapped,
    Kind.NARROWED: _narrowed,
    Kind.LEVEL: _level,
    Kind.RIGHT_JUSTIFIED: _right_justified,
    Kind.OFFSET: _offset,
}
