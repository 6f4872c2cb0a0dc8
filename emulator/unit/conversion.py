"""Words of one width to words of another, for a unit that stores fewer widths than it is sent."""

from typing import Literal

import numpy as np

from dryload.emulator.wire.words import Words, word_dtype


def convert_words(words: Words, bits: int, to: int, how: Literal["cut", "round"]) -> Words:
    """Return words of `bits` significant bits as words of `to`, of the type `word_dtype(to)`.

    "cut" drops low bits, which is rounding down; "round" takes the nearest, halves upwards, and
    stops at the largest word.  Words become wider with zeros at the bottom, which loses nothing.
    """
    target = word_dtype(to)
    surplus = bits - to
    if surplus <= 0:
        wider: Words = words.astype(target) << target.type(-surplus)
        return wider
    if how == "cut":
        low: Words = words >> words.dtype.type(surplus)
        return low.astype(target)
    # Half a step and the shift of one less never leave the word's own type; the sum would.
    halves = words >> words.dtype.type(surplus - 1)
    nearest: Words = (halves >> halves.dtype.type(1)) + (halves & halves.dtype.type(1))
    return np.minimum(nearest, nearest.dtype.type((1 << (to - 1)) - 1)).astype(target)
