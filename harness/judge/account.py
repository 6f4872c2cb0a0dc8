"""What may be different between the words of two samples, as values.

A `WordDifference` says one thing about B as against A.  Those that belong together are given as a
tuple and are exact together: what was done to every word comes first, then the places in order, and
whoever does to A what they say gets B.  Words count from 0 in A, packets are those in which A's
words travel, counted from 0 without wrapping.

Masks, values and sizes are those of words at the wider of the two widths, left-justified as they
are on the line (WRD-06), bit 0 being the lowest; bits are seen as on the line, where a word is
offset binary (WRD-07).
"""

from enum import StrEnum
from itertools import takewhile
from typing import Final

from msgspec import Struct


class Kind(StrEnum):
    """What was done to A to make it B."""

    # To every word.
    WIDENED = "widened"
    """The same level, written with another number of significant bits, which lost nothing."""
    NEGATED = "negated"
    TOP_BIT_FLIPPED = "top bit flipped"
    """Two's complement in place of offset binary, or the reverse (WRD-07)."""
    BITS_FLIPPED = "bits flipped"
    """The bits of `mask` are inverted."""
    BITS_STUCK = "bits stuck"
    """The bits of `mask` never change: those of `ones` are 1, the others 0."""
    BYTES_REVERSED = "bytes reversed"
    """The 7-bit bytes of each word came in the wrong order (WRD-04)."""
    BYTES_SWAPPED = "bytes swapped"
    """The 8-bit bytes of each word were in the wrong order before it became a word of the dump."""
    NARROWED = "narrowed"
    """Only the upper `bits` bits are left, by `rounding`; `coarse` is who lost the rest."""
    LEVEL = "level"
    """Louder by `bits` bits, 6.02 dB each; quieter where it is negative."""
    RIGHT_JUSTIFIED = "right-justified"
    """The words as on the line stand `bits` places too low (WRD-06)."""
    OFFSET = "offset"
    """`value` was added to every word."""
    ONE_CHANNEL = "one channel"
    """Only the channel `value`, counted from 0, is left."""
    CHANNELS_SWAPPED = "channels swapped"

    # In places.
    MISSING = "packets missing"
    DOUBLED = "packets doubled"
    """`packets` from `packet` on come again, `times` in all, the last time after `after_packet`."""
    SWAPPED = "packets swapped"
    """`packet` and the one behind it."""
    MOVED = "packets moved"
    """`packets` from `packet` on stand after `after_packet`, -1 being the beginning."""
    LOST = "words missing"
    ADDED = "words added"
    """`words` stand in front of A's `word`; `content` says what they are."""
    ENDS_EARLY = "ends early"
    GOES_ON = "goes on"
    REPLACED = "words replaced"
    """Nearly all of `words` from `word` on are other words; `content` says what they are."""
    TAIL = "tail"
    """The same, up to the end."""
    CHANGED = "words changed"
    """`different` words are others, here and there, as `runs` say."""


class Rounding(StrEnum):
    """How a bit too many was dropped."""

    CUT = "cut"
    """Towards the lowest word: the low bits are dropped."""
    ROUNDED = "rounded"
    """To the nearest, halves upwards."""
    TO_EVEN = "rounded, halves to even"
    AWAY = "rounded, halves away from zero"
    TOWARDS_ZERO = "cut towards zero"


class Content(StrEnum):
    """What stands where other words should."""

    SILENCE = "silence"
    FILLER = "filler"
    """Words of 00 bytes, which is full-scale negative (PKT-08, WRD-08)."""
    CONSTANT = "one value"
    REPEATED = "repeated"
    """The words that stand `value` words before, once more."""
    OTHER = "other"


class Overflow(StrEnum):
    """What became of words beyond full scale."""

    HELD = "held"
    WRAPPED = "wrapped"


class WordRun(Struct, frozen=True, kw_only=True):
    """Words that differ close to one another, in A's numbers."""

    word: int
    words: int
    """From the first that differs to the last."""
    different: int
    packet: int
    """Of the first word."""
    largest: int
    """The largest difference, without its sign."""
    mask: int
    """Bits in which any of the words differ."""
    values: tuple[int, int]
    """The first word, in A (after what was done to every word) and in B."""


class WordDifference(Struct, frozen=True, kw_only=True):
    """One thing that makes B differ from A; which fields count follows from the kind."""

    kind: Kind
    word: int | None = None
    words: int = 0
    word_b: int | None = None
    packet: int | None = None
    packets: int = 0
    alike: tuple[int, int] | None = None
    """First and last word at which the loss or gain may as well have begun: it's the same there."""
    moved: int = 0
    """Words by which B is late from here on; negative: early."""
    after_packet: int | None = None
    times: int = 0
    bits: int = 0
    mask: int = 0
    ones: int = 0
    rounding: Rounding | None = None
    coarse: str = ""
    overflow: Overflow | None = None
    content: Content | None = None
    value: int | None = None
    different: int = 0
    largest: int = 0
    runs: tuple[WordRun, ...] = ()
    """The first few."""
    run_count: int = 0


Account = tuple[WordDifference, ...]
"""Differences that together say, exactly, what makes B of A."""

OF_EVERY_WORD: Final = frozenset(takewhile(lambda kind: kind is not Kind.MISSING, Kind))
"""The first kinds: what was done to every word."""
