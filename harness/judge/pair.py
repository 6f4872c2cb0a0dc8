"""Two samples whose words are compared, and what a few words of them are."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from emulator.wire.words import Words
from harness.judge.account import Content

_REPEATED: Final = 8  # packets back, at most, that words are looked for


@dataclass(frozen=True, slots=True)
class SamplePair:
    """Two samples of words with `bits` significant bits, and the words of a packet of A."""

    a: Words
    b: Words
    bits: int
    step: int


def content_of(pair: SamplePair, at: int, words: int) -> tuple[Content, int | None]:
    """Return what B's words from `at` on are, with their one value or how far back they stand."""
    part = pair.b[at : at + words]
    first = int(part[0])
    if (part == first).all():
        if first == 0:
            return Content.SILENCE, 0
        lowest = first == -(1 << (pair.bits - 1))
        return (Content.FILLER if lowest else Content.CONSTANT), first
    for lag in (words, *range(pair.step, (_REPEATED + 1) * pair.step, pair.step)):
        if at >= lag and np.array_equal(part, pair.b[at - lag : at - lag + words]):
            return Content.REPEATED, lag
    return Content.OTHER, None
