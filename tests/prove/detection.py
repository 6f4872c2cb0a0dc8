"""Which faults of single cells and addresses two or more passes find at all.

Each fault is one cell, or two, with what the passes write there; the order of writing is that of
the test, and both cells lie in samples at random.  The classes are those of the textbooks (van de
Goor, "Testing Semiconductor Memories", 1991; from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np

from dryload.harness.prove.passes import Pass
from dryload.harness.prove.words import code

WORDS: Final = 1 << 19
Bits = np.ndarray[Any, np.dtype[np.int64]]


def written(passes: Sequence[Pass], word: Bits, bit: Bits, bits: int) -> Bits:
    """What each pass writes to a bit of a word: passes x faults."""
    rows = []
    for each in passes:
        words = code(0, WORDS, bits, which=each.which, inverted=each.inverted).astype(np.int64)
        rows.append(words[word] >> bit & 1)
    return np.array(rows)


def stuck(passes: Sequence[Pass], dice: np.random.Generator, count: int, bits: int) -> Bits:
    word, bit = dice.integers(0, WORDS, count), dice.integers(0, bits, count)
    level = dice.integers(0, 2, count)
    return (written(passes, word, bit, bits) != level).any(axis=0)  # type: ignore[no-any-return]


def misses_one_change(
    passes: Sequence[Pass], dice: np.random.Generator, count: int, bits: int
) -> Bits:
    word, bit = dice.integers(0, WORDS, count), dice.integers(0, bits, count)
    rises = dice.integers(0, 2, count)
    values = written(passes, word, bit, bits)
    held, found = dice.integers(0, 2, count), np.zeros(count, np.bool_)
    for row in values:
        stays = (row == rises) & (held != row)
        held = np.where(stays, held, row)
        found |= held != row
    return found  # type: ignore[return-value]


def reaches_no_cell(
    passes: Sequence[Pass], dice: np.random.Generator, count: int, bits: int
) -> Bits:
    word, floats = dice.integers(0, WORDS, count), dice.integers(0, 1 << bits, count)
    found = np.zeros(count, np.bool_)
    for each in passes:
        words = code(0, WORDS, bits, which=each.which, inverted=each.inverted).astype(np.int64)
        found |= words[word] != floats
    return found  # type: ignore[return-value]


def reaches_another(
    passes: Sequence[Pass], dice: np.random.Generator, count: int, bits: int
) -> Bits:
    """Two words in one cell: the one that is written first is lost."""
    one = dice.integers(0, WORDS, count)
    other = (one + dice.integers(1, WORDS, count)) % WORDS
    found = np.zeros(count, np.bool_)
    for each in passes:
        words = code(0, WORDS, bits, which=each.which, inverted=each.inverted).astype(np.int64)
        found |= words[one] != words[other]
    return found  # type: ignore[return-value]


def reaches_two(passes: Sequence[Pass], dice: np.random.Generator, count: int, bits: int) -> Bits:
    """A word in a cell of its own and in another's, read as both lines drive them: and, or or."""
    one = dice.integers(0, WORDS, count)
    other = (one + dice.integers(1, WORDS, count)) % WORDS
    wins, found = dice.integers(0, 2, count), np.zeros(count, np.bool_)
    for each in passes:
        words = code(0, WORDS, bits, which=each.which, inverted=each.inverted).astype(np.int64)
        a, b = words[one], words[other]
        cell = np.where(one > other, a, b)  # the other's: whoever writes last
        both = np.where(wins == 1, a | cell, a & cell)
        found |= (both != a) | (cell != b)
    return found  # type: ignore[return-value]


Detect = Callable[[Sequence[Pass], np.random.Generator, int, int], Bits]
FAULTS: Final[dict[str, Detect]] = {
    each.__name__: each
    for each in (stuck, misses_one_change, reaches_no_cell, reaches_another, reaches_two)
}


def share(name: str, passes: Sequence[Pass], *, count: int, bits: int, seed: int = 1) -> float:
    """Return the share of faults that show, in per cent."""
    found = FAULTS[name](passes, np.random.default_rng(seed), count, bits)
    return 100 * float(found.mean())
