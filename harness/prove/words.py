"""The words of a test: what is written, and what of it a unit keeps.

Theory of operation.  A dump writes each word once, upwards, and a request reads each word once,
upwards: nothing can be done between two words.  So a word says where it belongs.  Word number n of
the test is a fixed mixture of n, its address code; its bits are balanced, and two words are equal
by chance only, so that one that comes back in another place shows.  The second pass has the
complement, so that every bit has been 0 and 1.

A value here is a word as it stands on the line: `kept` bits, 0 at the bottom.  A unit that keeps
fewer bits than its headers say gets words that end in zeros, so that neither cutting nor rounding
changes them.
"""

from fractions import Fraction
from typing import Any, Final, TypeAlias

import numpy as np

from dryload.emulator.dump.sample import Sample
from dryload.emulator.wire.words import word_dtype

Values: TypeAlias = np.ndarray[Any, np.dtype[np.uint32]]
Mask: TypeAlias = np.ndarray[Any, np.dtype[np.bool_]]

USUAL_WIDTH: Final = 16
_RATE: Final = Fraction(1_000_000_000, 45_000)  # a whole period; nobody is to hear it
# The finaliser of SplitMix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number
# generators", 2014; constants from memory): every bit of the number reaches every bit of the code.
_STEP: Final = 0x9E3779B97F4A7C15
_MIX: Final = ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB))


def code(first: int, count: int, bits: int, *, which: int = 0, inverted: bool = False) -> Values:
    """Return the values of words `first` to `first + count - 1`.

    `which` chooses among independent codes; `inverted` is the complement.
    """
    number = np.arange(first + 1, first + count + 1, dtype=np.uint64)
    number = (number + np.uint64(which << 40)) * np.uint64(_STEP)
    for shift, factor in _MIX:
        number = (number ^ (number >> np.uint64(shift))) * np.uint64(factor)
    top = ((number ^ (number >> np.uint64(31))) >> np.uint64(64 - bits)).astype(np.uint32)
    return top ^ np.uint32((1 << bits) - 1) if inverted else top


def sample_of(values: Values, kept: int, width: int) -> Sample:
    """Return values of `kept` bits as a sample of `width` bits."""
    signed = (values.astype(np.int64) << (width - kept)) - (1 << (width - 1))
    return Sample(words=signed.astype(word_dtype(width)), bits=width, rate=_RATE)


def silence(width: int, words: int = 1) -> Sample:
    """Return silence; one word is all that a sample needs to give its memory back."""
    return Sample(words=np.zeros(words, word_dtype(width)), bits=width, rate=_RATE)


def values_of(sample: Sample, kept: int) -> Values:
    """Return the top `kept` bits of a sample's words, whatever its width."""
    unsigned = sample.words.astype(np.int64) + (1 << (sample.bits - 1))
    by = sample.bits - kept
    return (unsigned >> by if by >= 0 else unsigned << -by).astype(np.uint32)
