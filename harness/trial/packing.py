"""In which other way words went into the data bytes of packets, or were taken from them.

Theory of operation.  The clauses WRD-01 to WRD-07 each fix one thing about how a word becomes
bytes: how many, how many words a packet has, which byte comes first, from which end the bits fill
them, what the bits below are, what silence is.  So the words that were asked for are packed anew
with one of these things changed at a time; what gives just the bytes that came says which one it
was.  At least two different words have to tell it from the right way.
"""

from collections.abc import Iterator

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from dryload.emulator.wire.constants import PACKET_DATA_BYTES as DATA_BYTES
from dryload.emulator.wire.sizes import bytes_per_word, words_per_packet

_SCALE = 40
"""Bits at which words that were read in different ways are compared."""
_MOST_WORDS = 360
"""Words from the beginning that are looked at: some whole packets of 60, 40 or 30."""


class Packing(Struct, frozen=True, kw_only=True):
    """How words become data bytes."""

    size: int
    """Bytes of a word."""
    per_packet: int
    """Words of a packet."""
    high_first: bool = True
    shift: int = 0
    """Places by which the bits are pushed to the left; to the right where it is negative."""
    low: str = "zeros"
    """What the bits below are: zeros, ones, or the upper bits of the word once more."""
    is_offset: bool = True
    """Whether the lowest word is 0, and not silence."""
    sign_flips: bool = False
    """Whether words are upside down."""

    def packed(self, words: NDArray[np.int64], bits: int) -> NDArray[np.uint8]:
        """Return the data bytes, packet by packet, with 00 behind the last word."""
        mask = (1 << bits) - 1
        value = -words - 1 if self.sign_flips else words
        value = (value + (1 << (bits - 1)) if self.is_offset else value) & mask
        up, down = max(self.shift, 0), max(-self.shift, 0)
        shifted = value << up >> down
        if self.low == "ones":
            shifted |= (1 << up) - 1
        elif self.low == "the upper bits":
            shifted |= value >> max(bits - up, 0)
        places = range(self.size - 1, -1, -1) if self.high_first else range(self.size)
        columns = [(shifted >> (7 * place)) & 0x7F for place in places]
        data = np.stack(columns, axis=1).astype(np.uint8)
        rows = -(-len(words) // self.per_packet)
        out = np.zeros((rows, DATA_BYTES), np.uint8)
        for row in range(rows):
            part = data[row * self.per_packet : (row + 1) * self.per_packet].reshape(-1)[
                :DATA_BYTES
            ]
            out[row, : len(part)] = part
        return out.reshape(-1)

    def readings(
        self, data: NDArray[np.uint8], bits: int
    ) -> Iterator[tuple[NDArray[np.int64], int]]:
        """Yield what a reader makes of data bytes that takes them for packed in this way.

        Each with the bits that its words have: where silence is, it may have taken from the width
        or from the bytes of a word.
        """
        rows = data.reshape(-1, DATA_BYTES)
        groups = rows[:, : self.size * min(self.per_packet, DATA_BYTES // self.size)]
        groups = groups.reshape(-1, self.size).astype(np.int64)
        if not self.high_first:
            groups = groups[:, ::-1]
        value = groups @ (1 << 7 * np.arange(self.size - 1, -1, -1, dtype=np.int64))
        value = value >> max(self.shift, 0) << max(bits - 7 * self.size, 0)
        half, whole = 1 << (bits - 1), 7 * self.size - self.shift
        if not self.is_offset:
            yield value, bits
            yield ((value & (2 * half - 1)) ^ half) - half, bits
        elif self.sign_flips:
            yield half - 1 - value, bits
        else:
            yield value - half, bits
            yield value - (1 << (whole - 1)), whole


def _right(bits: int) -> Packing:
    size = bytes_per_word(bits)
    return Packing(size=size, per_packet=words_per_packet(bits), shift=7 * size - bits)


def _others(bits: int) -> Iterator[tuple[str, Packing]]:
    """Yield the other ways, each with the clause that it breaks; those that break less first."""
    right = _right(bits)
    yield "WRD-04", replace(right, high_first=False)
    yield "WRD-07", replace(right, is_offset=False)
    yield "WRD-07", replace(right, sign_flips=True)
    yield "WRD-06", replace(right, shift=0)
    for low in ("ones", "the upper bits"):
        yield "WRD-05", replace(right, low=low)
    whole = bits % 7 == 0
    for size in (2, 3, 4, 5):
        if size == right.size:
            continue
        clause = "WRD-03" if whole else "WRD-01"
        for per_packet in (DATA_BYTES // size, right.per_packet):
            for shift in (7 * size - bits, 0):
                yield clause, replace(right, size=size, per_packet=per_packet, shift=shift)
    for per_packet in (20, 24, 30, 40, 59, 60, 39, 29):
        if per_packet < right.per_packet:
            yield "WRD-02", replace(right, per_packet=per_packet)
    yield "WRD-06", replace(right, shift=0, is_offset=False)
    yield "WRD-04", replace(right, high_first=False, shift=0)


def packed_right(words: NDArray[np.int32], bits: int) -> bytes:
    """Return the data bytes of words as they should be, without filler."""
    right = _right(bits)
    return right.packed(words.astype(np.int64), bits)[: len(words) * right.size].tobytes()


def packed_otherwise(words: NDArray[np.int32], bits: int, data: NDArray[np.uint8]) -> str | None:
    """Return the clause by which `data`, the data bytes of all packets, are packed otherwise.

    None where they are packed right, or in no way that is known.
    """
    some = words[:_MOST_WORDS].astype(np.int64)
    if len(np.unique(some)) < 2:  # one word can look like many things
        return None
    whole = len(some) == len(words)
    right = _right(bits).packed(some, bits)
    if _agree(right, data, whole):
        return None
    for clause, way in _others(bits):
        other = way.packed(some, bits)
        if not np.array_equal(other, right) and _agree(other, data, whole):
            return clause
    return None


def read_otherwise(
    words: NDArray[np.int32], bits: int, got: NDArray[np.int64], got_bits: int
) -> str | None:
    """Return the clause by which a reader took `got` from the packets of `words` otherwise.

    None where it took them right, or in no way that is known.
    """
    got = got << (_SCALE - got_bits)
    some = words[:_MOST_WORDS].astype(np.int64)
    if len(np.unique(some)) < 2:
        return None
    data = _right(bits).packed(some, bits)
    for clause, way in _others(bits):
        for read, scale in way.readings(data, bits):
            other = read << (_SCALE - scale)
            count = min(len(other), len(got), len(some))
            right = some[:count] << (_SCALE - bits)
            is_it = np.array_equal(other[:count], got[:count])
            if count > 1 and is_it and not np.array_equal(other[:count], right):
                return clause
    return None


def _agree(packed: NDArray[np.uint8], data: NDArray[np.uint8], whole: bool) -> bool:
    """Whether the data begins with what was packed, as far as whole packets of it go."""
    count = len(packed) if whole else len(packed) // DATA_BYTES * DATA_BYTES - DATA_BYTES
    return count > 0 and len(data) >= count and np.array_equal(packed[:count], data[:count])
