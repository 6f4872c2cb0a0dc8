"""What a pass showed, and the ways to look at it: as words, or as the bytes that a memory has.

A memory may hold a word in two bytes in a row, in bytes of two modules side by side, or two words
of twelve bits in three bytes.  A fault is simple where it is looked at as that memory sees it.
"""

from collections.abc import Callable, Iterator
from typing import Any, Final

import numpy as np
from msgspec import Struct

from dryload.harness.prove.words import USUAL_WIDTH, Mask, Values

Places = np.ndarray[Any, np.dtype[np.signedinteger[Any]]]
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
    bad_checksums: int
    """Packets that were rejected, arrived damaged, or had to be sent again."""

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


class View(Struct, frozen=True, kw_only=True, eq=False):
    """The same by units of memory: words, or bytes."""

    name: str
    bits: int
    lowest: int
    """Which data line bit 0 is."""
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
HALVES: Final = ("high bytes", "low bytes")


def views(seen: PassEvidence, wrong: Mask) -> Iterator[View]:
    """Yield the ways to look at the `wrong` words, the plainest first."""
    yield _lanes(WORDS, seen, wrong, (0, seen.bits))
    if seen.bits == 16:
        yield _lanes(HALVES[0], seen, wrong, (8, 8))
        yield _lanes(HALVES[1], seen, wrong, (0, 8))
        yield _lanes("bytes, the high one first", seen, wrong, (8, 8), (0, 8))
        yield _lanes("bytes, the low one first", seen, wrong, (0, 8), (8, 8))
    if seen.bits == 24:
        yield _lanes("bytes, the high one first", seen, wrong, (16, 8), (8, 8), (0, 8))
        yield _lanes("bytes, the low one first", seen, wrong, (0, 8), (8, 8), (16, 8))
    if seen.bits == 12:
        yield _packed("twelve bits in bytes", seen, wrong, high_first=True)
        yield _packed("twelve bits in bytes, the low ones first", seen, wrong, high_first=False)


def _lanes(name: str, seen: PassEvidence, wrong: Mask, *lanes: tuple[int, int]) -> View:
    """Return a view in which each word has units of (shift, bits)."""
    shift, bits = lanes[0]

    def units(values: Values) -> Values:
        parts = [(values >> np.uint32(shift)) & np.uint32((1 << bits) - 1) for shift, bits in lanes]
        return np.stack(parts, axis=1).ravel()

    word = np.repeat(np.arange(len(seen.written), dtype=np.int32), len(lanes))
    lowest = max(USUAL_WIDTH - seen.bits, 0) + (shift if len(lanes) == 1 else 0)
    return _view(name, seen, wrong, units, word, bits=bits, lowest=lowest)


def _packed(name: str, seen: PassEvidence, wrong: Mask, *, high_first: bool) -> View:
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
) -> View:
    written, read, again = units(seen.written), units(seen.read), units(seen.again)
    differs: Mask = (read != written) | (again != written)
    also = word if also is None else also
    known = seen.known[word] & seen.known[also]
    return View(
        name=name,
        bits=bits,
        lowest=lowest,
        written=written,
        read=read,
        again=again,
        known=known,
        weight=seen.weight[word],
        wrong=known & (wrong[word] | wrong[also]) & differs,
        word=word,
        also=also,
    )
