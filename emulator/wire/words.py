"""Sample words to the data bytes of packets and back (WRD-01 to WRD-07; M1 p. 39).

A word is offset binary, left-justified in 2, 3 or 4 bytes of 7 bits, high byte first.
Words are numpy arrays of the narrowest signed type that holds them (`word_dtype`); data bytes are
`uint8` arrays, 00 to 7F, whose last axis is a whole number of words.

Each step takes the whole array at once: words of two bytes as integers of 16 bits, words of four
bytes as integers of 32, words of three bytes as two bytes and one.
There is no integer of three bytes, and moving three bytes as one lump takes several times longer.
The spare top bit of every byte is put in and taken out by addition: adding to a number the part of
itself above (or below) a place moves that part up by one bit and leaves the rest where it is.
"""

from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from dryload.emulator.wire.sizes import bytes_per_word, unused_bits

Words = NDArray[np.signedinteger[Any]]
DataBytes = NDArray[np.uint8]
_Integers = NDArray[np.unsignedinteger[Any]]

_THREE_BYTES: Final = np.dtype([("first_two", ">u2"), ("last", "u1")])


@cache
def word_dtype(bits: int) -> np.dtype[np.signedinteger[Any]]:
    """Return int8, int16 or int32: the narrowest type for words of 8..28 significant bits."""
    bytes_per_word(bits)  # checks the range
    return np.dtype(np.int8 if bits == 8 else np.int16 if bits <= 16 else np.int32)


def pack_words(words: Words, bits: int) -> DataBytes:
    """Return the data bytes of `words` (integers of any type, any number), flat.

    ValueError where a word does not fit in `bits` significant bits.
    """
    width = bytes_per_word(bits)
    _check_range(words, bits)
    flat = words.reshape(-1)
    if width == 3:
        return _pack_three(flat, bits)
    value = _offset_binary(flat, bits, width)
    value <<= value.dtype.type(unused_bits(bits))
    _insert_top_bits(value, width)
    return value.astype(f">u{width}").view(np.uint8)


def unpack_words(data: DataBytes, bits: int) -> Words:
    """Return all words in `data`, flat, filler included; unused low bits are dropped.

    ValueError where `data` is no whole number of words.
    """
    return unpack_checked(data, bits)[0]


def unpack_checked(data: DataBytes, bits: int) -> tuple[Words, bool]:
    """Return what `unpack_words` does, and whether any unused low bit of a word is set (WRD-05)."""
    width = bytes_per_word(bits)
    if data.size % width:
        raise ValueError(f"{data.size} data bytes are no whole number of {width}-byte words")
    if width == 3:
        return _unpack_three(data.reshape(-1), bits)
    value: _Integers = data.reshape(-1).view(f">u{width}").astype(f"u{width}")
    number = value.dtype.type
    top = 8 * width - 1
    for place in range(width - 1):
        below = number((1 << (top - 8 - 7 * place)) - 1)
        value += value & below  # the lower bytes move up by one bit
    # Now the word stands just below the top bit.
    unused = unused_bits(bits)
    stray = _any_set(value, ((1 << unused) - 1) << (top - bits - unused))
    value -= number(1 << (top - 1))
    signed = value.view(f"i{width}")
    signed >>= signed.dtype.type(top - bits)
    return signed.astype(word_dtype(bits), copy=False), stray


def _check_range(words: Words, bits: int) -> None:
    kind, size = words.dtype.kind, 8 * words.dtype.itemsize
    if kind not in "iu":
        raise ValueError(f"words are integers, not {words.dtype}")
    if words.size and (kind == "u" or size > bits):
        top = 1 << (bits - 1)
        low, high = int(words.min()), int(words.max())
        if low < -top or high >= top:
            raise ValueError(f"words from {low} to {high} do not fit in {bits} significant bits")


def _offset_binary(words: Words, bits: int, itemsize: int) -> _Integers:
    """Return `words` plus half the range, as unsigned integers of `itemsize` bytes (WRD-06)."""
    # Two's complement: seen as unsigned, the sum is right once it has wrapped.
    value = words.astype(f"i{itemsize}", copy=False).view(f"u{itemsize}")
    offset: _Integers = value + value.dtype.type(1 << (bits - 1))
    return offset


def _insert_top_bits(value: _Integers, width: int) -> None:
    """Spread `width` groups of 7 bits, in place, over as many bytes."""
    for place in range(1, width):
        below = value.dtype.type((1 << (8 * place - 1)) - 1)
        value += value & ~below  # the upper bytes move up by one bit


def _any_set(value: _Integers, mask: int) -> bool:
    return bool(int(np.bitwise_or.reduce(value)) & mask)


def _pack_three(words: Words, bits: int) -> DataBytes:
    packed = np.empty(len(words), _THREE_BYTES)
    value = _offset_binary(words, bits, 2 if bits <= 16 else 4)
    last = value.astype(np.uint8)
    last *= np.uint8(1 << unused_bits(bits))  # for bytes, several times faster than shifting
    last &= np.uint8(0x7F)
    packed["last"] = last
    value >>= value.dtype.type(bits - 14)
    first_two = value.astype(np.uint16, copy=False)
    _insert_top_bits(first_two, 2)
    packed["first_two"] = first_two
    return packed.view(np.uint8)


def _unpack_three(flat: DataBytes, bits: int) -> tuple[Words, bool]:
    parts = flat.view(_THREE_BYTES)
    target = word_dtype(bits)
    value: _Integers = parts["first_two"].astype(f"u{target.itemsize}")
    number = value.dtype.type
    value += value & number(0x7F)  # the second byte moves up by one bit
    value <<= number(bits - 15)  # and the two make room for the rest of the word
    last = parts["last"].copy()
    unused = unused_bits(bits)
    stray = _any_set(last, (1 << unused) - 1)
    value += last >> np.uint8(unused)
    value -= number(1 << (bits - 1))
    return value.view(target), stray
