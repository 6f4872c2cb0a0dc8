"""Words of A that are not in B, and words of B that are not in A.

Blocks of them are given the name that says most: whole packets that are missing, come again, or
stand elsewhere.  Every name is checked against the words themselves.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from emulator.wire.words import Words
from harness.judge.account import Content, Difference, Kind
from harness.judge.align import AlignedWords, equal_run, equal_run_back

_REPEATED: Final = 8  # packets back, at most, that words are looked for
_SMALLEST: Final = 4  # words that are looked for elsewhere
_MOST_BLOCKS: Final = 64  # beyond these no block is looked for elsewhere


@dataclass(frozen=True, slots=True)
class SamplePair:
    """Two samples of words with `bits` significant bits, and the words of a packet of A."""

    a: Words
    b: Words
    bits: int
    step: int


@dataclass(frozen=True, slots=True)
class _Block:
    """Words of A that aren't in B, in front of `b`; or words of B, in front of A's `a`."""

    a: int
    b: int
    words: int
    lost: bool


def block_differences(pair: SamplePair, stretches: Sequence[AlignedWords]) -> Iterator[Difference]:
    """Yield what is between the stretches of two samples, in front of them and behind them."""
    blocks = list(_gaps(pair, stretches))
    moved = 0
    taken: set[_Block] = set()
    for block in blocks:
        moved += -block.words if block.lost else block.words
        if block in taken:
            continue
        other = _same_block_elsewhere(pair, block, blocks) if len(blocks) <= _MOST_BLOCKS else None
        if other is not None and other not in taken:
            taken.add(other)
            yield _moved(pair, *((block, other) if block.lost else (other, block)))
        elif block.lost:
            yield _lost(pair, block, moved)
        else:
            yield _gained(pair, block, moved, search=len(blocks) <= _MOST_BLOCKS)


def _gaps(pair: SamplePair, stretches: Sequence[AlignedWords]) -> Iterator[_Block]:
    edges = [AlignedWords(0, 0, 0), *stretches, AlignedWords(len(pair.a), len(pair.b), 0)]
    for before, after in pairwise(edges):
        end_a, end_b = before.a + before.words, before.b + before.words
        if after.a > end_a:
            yield _Block(end_a, end_b, after.a - end_a, lost=True)
        if after.b > end_b:
            yield _Block(after.a, end_b, after.b - end_b, lost=False)


def _same_block_elsewhere(
    pair: SamplePair, block: _Block, blocks: Sequence[_Block]
) -> _Block | None:
    """Return the block gained that equals this one lost, or the reverse; one value is no sign."""
    own = _words_of(pair, block)
    if block.words < _SMALLEST or (own == own[0]).all():
        return None
    for other in blocks:
        fits = other.lost != block.lost and other.words == block.words
        if fits and np.array_equal(own, _words_of(pair, other)):
            return other
    return None


def _words_of(pair: SamplePair, block: _Block) -> Words:
    if block.lost:
        return pair.a[block.a : block.a + block.words]
    return pair.b[block.b : block.b + block.words]


def _moved(pair: SamplePair, lost: _Block, gained: _Block) -> Difference:
    """Return the difference for words that are elsewhere in B; neighbours of one packet swapped."""
    packet, packets = _packets(pair, lost.a, lost.words)
    step = pair.step
    if packets == 0 or gained.a % step:
        return Difference(
            kind=Kind.MOVED, word=lost.a, words=lost.words, word_b=gained.b, value=gained.a
        )
    if packets == 1 and gained.a in (lost.a - step, lost.a + 2 * step):
        return swap(pair, min(lost.a, gained.a) // step)
    return Difference(
        kind=Kind.MOVED,
        word=lost.a,
        words=lost.words,
        word_b=gained.b,
        value=gained.a,
        packet=packet,
        packets=packets,
        after_packet=gained.a // step - 1,
    )


def _lost(pair: SamplePair, block: _Block, moved: int) -> Difference:
    if block.a + block.words == len(pair.a):
        return Difference(
            kind=Kind.ENDS_EARLY,
            word=block.a,
            words=block.words,
            packet=block.a // pair.step,
            moved=moved,
        )
    packet, packets = _packets(pair, block.a, block.words)
    return Difference(
        kind=Kind.MISSING if packets else Kind.LOST,
        word=block.a,
        words=block.words,
        word_b=block.b,
        packet=packet,
        packets=packets,
        alike=_slack(pair.a, block.a, block.words),
        moved=moved,
    )


def _gained(pair: SamplePair, block: _Block, moved: int, *, search: bool) -> Difference:
    if search and (doubled := _doubled(pair, block, moved)) is not None:
        return doubled
    content, value = content_of(pair, block.b, block.words)
    return Difference(
        kind=Kind.GOES_ON if block.a == len(pair.a) else Kind.ADDED,
        word=block.a,
        words=block.words,
        word_b=block.b,
        packet=block.a // pair.step,
        alike=_slack(pair.b, block.b, block.words, block.a - block.b),
        moved=moved,
        content=content,
        value=value,
    )


def _doubled(pair: SamplePair, block: _Block, moved: int) -> Difference | None:
    """Return the difference for a block that is nothing but packets once more, None if it isn't."""
    step = pair.step
    after, packets = _packets(pair, block.a, block.words)
    if after is None or after == 0:
        return None
    own = _words_of(pair, block)
    times, source = 2, block.a - block.words
    if source < 0 or not np.array_equal(own, pair.a[source : block.a]):
        source = block.a - step
        times = packets + 1
        if np.array_equal(own, np.tile(pair.a[source : block.a], packets)):
            packets = 1
        else:
            times = 2
            source = _last_before(pair.a[: block.a], own, step)
    if source < 0:
        return None
    return Difference(
        kind=Kind.DOUBLED,
        word=source,
        words=packets * step,
        word_b=block.b,
        packet=source // step,
        packets=packets,
        after_packet=after - 1,
        times=times,
        value=block.a,
        alike=_slack(pair.b, block.b, block.words, block.a - block.b),
        moved=moved,
    )


def _last_before(words: Words, block: Words, step: int) -> int:
    """Return where the last such block at the edge of a packet begins in `words`, -1 if nowhere."""
    count = len(words) // step
    rows = words[: count * step].reshape(count, step)
    for row in np.flatnonzero((rows == block[:step]).all(axis=1))[::-1][:_MOST_BLOCKS]:
        at = int(row) * step
        if np.array_equal(words[at : at + len(block)], block):
            return at
    return -1


def _packets(pair: SamplePair, word: int, words: int) -> tuple[int | None, int]:
    """Return the first packet and how many, (None, 0) where the words are no whole packets."""
    if word % pair.step or words % pair.step:
        return None, 0
    return word // pair.step, words // pair.step


def _slack(words: Words, at: int, size: int, shift: int = 0) -> tuple[int, int] | None:
    """Return the places where the block may begin so that the same is left; None for only one."""
    back = equal_run_back(words, at, words, at + size, at)
    forth = equal_run(words, at, words, at + size)
    return (at - back + shift, at + forth + shift) if back or forth else None


def swap(pair: SamplePair, packet: int) -> Difference:
    """Return the difference for a packet that stands in the place of the next, and the reverse."""
    word = packet * pair.step
    return Difference(
        kind=Kind.SWAPPED,
        word=word,
        words=min(2 * pair.step, len(pair.a) - word),
        packet=packet,
        packets=2,
    )


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
