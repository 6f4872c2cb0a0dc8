"""What a pass showed, and the ways to look at it: as words, or as the bytes that a memory has.

A memory may hold a word in two bytes in a row, in bytes of two modules side by side, or two words
of twelve bits in three bytes.  A fault is simple where it is looked at as that memory sees it.
"""

from collections.abc import Callable, Iterator
from typing import Any, Final

import numpy as np
from msgspec import Struct

from dryload.harness.prove.words import Mask, Values

Places = np.ndarray[Any, np.dtype[np.signedinteger[Any]]]
_TO_BE_DEAF: Final = 24  # units
_HARDLY: Final = 0.02
_OF_A_CHIP: Final = 4  # data lines
Weights = np.ndarray[Any, np.dtype[np.float32]]


class PassEvidence(Struct, frozen=True, kw_only=True, eq=False):
    """What was written and read, by the number of the word; arrays of one length.

    Values have `bits` bits.  What was not read is not `known`; where nothing was wrong `again` is
    as `read`.
    """

    bits: int
    written: Values
    read: Values
    again: Values
    """Read a second time."""
    known: Mask
    weight: Weights
    """How many words of the memory a known one stands for."""
    tried: Mask
    """Written again because it, or a word of the same sample, was wrong."""
    at_once: Mask
    """Wrong at first, and right when it was written again and read at once."""
    mended: Mask
    """Right also when it had lain as long as the first time."""
    others_right: bool
    """Whether nothing else was wrong by then."""
    starts: tuple[int, ...]
    """The first words of the test samples, ascending."""
    width: int
    """Bits of the words on the line."""
    lines: int
    """Data lines that the unit has by its headers; the top bit of a value is on the topmost."""
    bad_checksums: int
    """Packets that were rejected, arrived damaged, or had to be sent again."""
    read_other: Values | None = None
    """What was read after other words were written to one sample; None where they were not."""
    asked: Mask | None = None
    """Which words these are."""

    @property
    def wrong(self) -> Mask:
        """Where a word came back otherwise at least once."""
        wrong: Mask = (self.read != self.written) | (self.again != self.written)
        return self.known & wrong

    @property
    def unsteady(self) -> Mask:
        """Where two readings differ."""
        differs: Mask = self.read != self.again
        return self.known & differs


class MemoryView(Struct, frozen=True, kw_only=True, eq=False):
    """The same by units of memory: words, or bytes."""

    name: str
    bits: int
    lowest: int
    """Which data line bit 0 is."""
    deaf: int
    """As many bits as a chip has that stayed in wrong units when other words were written there."""
    written: Values
    read: Values
    again: Values
    known: Mask
    weight: Weights
    wrong: Mask
    word: Places
    """To which word a unit belongs."""
    also: Places
    """The other word that has a part of it; the same one where none has."""


WORDS: Final = "words"
HALVES: Final = ("upper halves", "lower halves")
"""Of words, as two modules side by side have them."""


def views(seen: PassEvidence, wrong: Mask) -> Iterator[MemoryView]:
    """Yield the ways to look at the `wrong` words, the plainest first."""
    yield _lanes(WORDS, seen, wrong, (0, seen.bits))
    if seen.bits >= 16 and seen.bits % 2 == 0:
        half = seen.bits // 2
        yield _lanes(HALVES[0], seen, wrong, (half, half))
        yield _lanes(HALVES[1], seen, wrong, (0, half))
    if seen.bits == 16:
        yield _lanes("bytes, the high one first", seen, wrong, (8, 8), (0, 8))
        yield _lanes("bytes, the low one first", seen, wrong, (0, 8), (8, 8))
    if seen.bits == 24:
        yield _lanes("bytes, the high one first", seen, wrong, (16, 8), (8, 8), (0, 8))
        yield _lanes("bytes, the low one first", seen, wrong, (0, 8), (8, 8), (16, 8))
    if seen.bits == 12:
        yield _packed("twelve bits in bytes", seen, wrong, high_first=True)
        yield _packed("twelve bits in bytes, the low ones first", seen, wrong, high_first=False)


def _lanes(name: str, seen: PassEvidence, wrong: Mask, *lanes: tuple[int, int]) -> MemoryView:
    """Return a view in which each word has units of (shift, bits)."""
    shift, bits = lanes[0]

    def units(values: Values) -> Values:
        parts = [(values >> np.uint32(shift)) & np.uint32((1 << bits) - 1) for shift, bits in lanes]
        return np.stack(parts, axis=1).ravel()

    word = np.repeat(np.arange(len(seen.written), dtype=np.int32), len(lanes))
    lowest = seen.lines - seen.bits + shift if len(lanes) == 1 else 0
    return _view(name, seen, wrong, units, word, bits=bits, lowest=lowest)


def _packed(name: str, seen: PassEvidence, wrong: Mask, *, high_first: bool) -> MemoryView:
    """Return two words of twelve bits as three bytes."""
    even = len(seen.written) // 2 * 2

    def units(values: Values) -> Values:
        one, two = values[:even:2], values[1:even:2]
        if high_first:
            rows = [one >> 4, ((one & 15) << 4) | (two >> 8), two & 255]
        else:
            rows = [one & 255, (one >> 8) | ((two & 15) << 4), two >> 4]
        return np.stack(rows, axis=1).astype(np.uint32).ravel()

    first = np.arange(0, even, 2, dtype=np.int32)
    word = np.stack([first, first, first + 1], axis=1).ravel()
    also = np.stack([first, first + 1, first + 1], axis=1).ravel()
    return _view(name, seen, wrong, units, word, bits=8, lowest=0, also=also)


def _view(
    name: str,
    seen: PassEvidence,
    wrong: Mask,
    units: Callable[[Values], Values],
    word: Places,
    *,
    bits: int,
    lowest: int,
    also: Places | None = None,
) -> MemoryView:
    written, read, again = units(seen.written), units(seen.read), units(seen.again)
    differs: Mask = (read != written) | (again != written)
    also = word if also is None else also
    known = seen.known[word] & seen.known[also]
    wrong_units = known & (wrong[word] | wrong[also]) & differs
    return MemoryView(
        name=name,
        bits=bits,
        lowest=lowest,
        written=written,
        read=read,
        again=again,
        known=known,
        weight=seen.weight[word],
        wrong=wrong_units,
        word=word,
        also=also,
        deaf=_deaf(seen, units, word, wrong_units, bits=bits),
    )


def _deaf(
    seen: PassEvidence, units: Callable[[Values], Values], word: Places, wrong: Mask, *, bits: int
) -> int:
    """Return the bits that did not change, in units that were wrong."""
    if seen.read_other is None or seen.asked is None:
        return 0
    at = np.flatnonzero(wrong & seen.asked[word])
    if len(at) < _TO_BE_DEAF:
        return 0
    change = (units(seen.read) ^ units(seen.read_other))[at]
    moved = [float((change >> np.uint32(bit) & np.uint32(1)).mean()) for bit in range(bits)]
    still = [bit for bit, share in enumerate(moved) if share < _HARDLY]
    # All bits may have been written elsewhere, and one may be driven by something that is no data.
    return sum(1 << bit for bit in still) if len(still) == _OF_A_CHIP else 0
