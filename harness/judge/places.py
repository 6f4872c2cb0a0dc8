"""From stretches of words that stand against each other to the differences between two samples.

Theory of operation.  Within a stretch words are changed.  Packets that stand in each other's place
are looked for first; words that are changed together make up a region whose content is named
(silence, filler, a repeat), and the rest are changed here and there.  Between stretches a block of
A's words is lost, or one of B's is gained, and it is given the name that says most: whole packets
that are missing, come again or stand elsewhere.  Every name is checked against the words
themselves.  Packets are counted in A, `step` words each (WRD-02).
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from dryload.emulator.wire.words import Words
from dryload.harness.judge.account import Content, Kind, WordDifference, WordRun
from dryload.harness.judge.align import AlignedWords, equal_run, equal_run_back

_GAP: Final = 8  # equal words that don't end a run of different ones
_SHOWN: Final = 16  # runs that are given one by one
_REGION: Final = 4  # words at least
_MOST_REGIONS: Final = 16
_MOST_SWAPS: Final = 256  # more of them are a matter of what the sample is like
_REPEATED: Final = 8  # packets back, at most, that words are looked for
_SMALLEST: Final = 4  # words that are looked for elsewhere
_MOST_BLOCKS: Final = 64  # beyond these no block is looked for elsewhere

_Places = NDArray[np.intp]


class SamplePair(Struct, frozen=True):
    """Two samples of words with `bits` significant bits, and the words of a packet of A."""

    a: Words
    b: Words
    bits: int
    step: int

    def packets(self, word: int, words: int) -> tuple[int | None, int]:
        """Return the first packet and how many, (None, 0) where the words are no whole packets."""
        if word % self.step or words % self.step:
            return None, 0
        return word // self.step, words // self.step

    def content(self, at: int, words: int) -> tuple[Content, int | None]:
        """Return what B's words from `at` on are, and their value or how far back they stand."""
        part = self.b[at : at + words]
        first = int(part[0])
        if (part == first).all():
            lowest = -(1 << (self.bits - 1))
            return {0: Content.SILENCE, lowest: Content.FILLER}.get(first, Content.CONSTANT), first
        for lag in (words, *range(self.step, (_REPEATED + 1) * self.step, self.step)):
            if at >= lag and np.array_equal(part, self.b[at - lag : at - lag + words]):
                return Content.REPEATED, lag
        return Content.OTHER, None


def differences(
    pair: SamplePair, stretches: Sequence[AlignedWords] | None = None
) -> tuple[WordDifference, ...]:
    """Return what is different between two samples, exactly.

    `stretches` say what stands against what; without them, the words are compared as they stand.
    """
    stretches = stretches or [AlignedWords(0, 0, min(len(pair.a), len(pair.b)))]
    found = list(_named(pair, list(_blocks(pair, stretches))))
    changed: list[_Places] = []
    for stretch in stretches:
        end_a, end_b = stretch.ends
        places = np.flatnonzero(pair.a[stretch.a : end_a] != pair.b[stretch.b : end_b]) + stretch.a
        if swaps := _swaps(pair, stretch, places):
            found += [_swap(pair, first) for first in swaps]
            places = places[~np.isin(places // pair.step, [*swaps, *(at + 1 for at in swaps)])]
        changed.append(places)
    lags = np.repeat([each.a - each.b for each in stretches], [len(each) for each in changed])
    is_end = stretches[-1].ends == (len(pair.a), len(pair.b)) and len(changed[-1]) > 0
    places = np.concatenate(changed) if len(changed) > 1 else changed[0]
    found += _changes(pair, places, lags, is_end=is_end)
    return tuple(sorted(found, key=lambda each: (each.word or 0, each.word_b or 0)))


# Within stretches.


def _swaps(pair: SamplePair, stretch: AlignedWords, places: _Places) -> list[int]:
    """Return which packets stand in each other's place with the next one, wholly."""
    step, end, lag = pair.step, stretch.ends[0], stretch.a - stretch.b
    packets = places // step
    firsts = packets[:-1][packets[1:] - packets[:-1] == 1]
    whole = ((firsts + 2) * step <= end) | (end == len(pair.a))
    firsts = firsts[(firsts * step >= stretch.a) & whole]
    # The last packet may be partly filler, which takes the place of words when it comes too early.
    spare = -len(pair.a) % step if len(firsts) else 0
    a = np.append(pair.a, np.full(spare, -(1 << (pair.bits - 1)), pair.a.dtype))
    one, next_one = firsts * step, (firsts + 1) * step
    likely = (pair.b[one - lag] == a[next_one]) & (pair.b[next_one - lag] == a[one])
    found: list[int] = []
    for at in one[likely].tolist():
        b = pair.b[at - lag : min(at + 2 * step, end) - lag]
        due = np.append(a[at + step : at + 2 * step], a[at : at + step])
        if (not found or at // step > found[-1] + 1) and np.array_equal(b, due[: len(b)]):
            found.append(at // step)
    return found if len(found) <= _MOST_SWAPS else []


def _swap(pair: SamplePair, packet: int) -> WordDifference:
    """Return the difference for a packet that stands in the place of the next, and the reverse."""
    word = packet * pair.step
    words = min(2 * pair.step, len(pair.a) - word)
    return WordDifference(kind=Kind.SWAPPED, word=word, words=words, packet=packet, packets=2)


def _changes(
    pair: SamplePair, places: _Places, lags: NDArray[np.int64], *, is_end: bool
) -> Iterator[WordDifference]:
    """Yield the differences of words at `places` of A, which B has `lags` words earlier.

    `is_end` is whether the last of them are in a stretch that goes up to both ends.
    """
    if not len(places):
        return
    half = 1 << (pair.bits - 1)
    a, b = pair.a[places] + half, pair.b[places - lags] + half
    ends = (places[1:] - places[:-1] > _GAP) | (lags[1:] != lags[:-1])
    starts = np.append(0, np.flatnonzero(ends) + 1)
    different = np.diff(starts, append=len(places))
    firsts = places[starts]
    words = places[starts + different - 1] - firsts + 1
    largest = np.maximum.reduceat(np.abs(a - b), starts)
    masks = np.bitwise_or.reduceat(a ^ b, starts)

    def run(at: int) -> WordRun:
        return WordRun(
            word=int(firsts[at]),
            words=int(words[at]),
            different=int(different[at]),
            packet=int(firsts[at]) // pair.step,
            largest=int(largest[at]),
            mask=int(masks[at]),
            values=(int(a[starts[at]]) - half, int(b[starts[at]]) - half),
        )

    # Where B ends with one value, that some of A's words have it too doesn't end the region.
    left = pair.b[firsts[-1] - lags[-1] :]
    last = len(starts) - 1
    at_end = is_end and (int(places[-1]) == len(pair.a) - 1 or bool((left == left[0]).all()))
    regions = np.flatnonzero((words >= _REGION) & (4 * different >= 3 * words))
    if len(regions) > _MOST_REGIONS:
        regions = regions[at_end & (regions == last)]
    for at in regions.tolist():
        yield _region(pair, run(at), int(lags[starts[at]]), at_end=at_end and at == last)
    rest = np.setdiff1d(np.arange(len(starts)), regions)
    if len(rest):
        word, end = int(firsts[rest[0]]), int((firsts + words)[rest[-1]])
        yield WordDifference(
            kind=Kind.CHANGED,
            word=word,
            words=end - word,
            packet=word // pair.step,
            different=int(different[rest].sum()),
            largest=int(largest[rest].max()),
            mask=int(np.bitwise_or.reduce(masks[rest])),
            runs=tuple(run(at) for at in rest[:_SHOWN].tolist()),
            run_count=len(rest),
        )


def _region(pair: SamplePair, run: WordRun, lag: int, *, at_end: bool) -> WordDifference:
    """Return the difference for words that nearly all are others."""
    words = len(pair.a) - run.word if at_end else run.words
    content, value = pair.content(run.word - lag, words)
    return WordDifference(
        kind=Kind.TAIL if at_end else Kind.REPLACED,
        word=run.word,
        words=words,
        word_b=run.word - lag,
        packet=run.packet,
        packets=(run.word + words - 1) // pair.step - run.packet + 1,
        content=content,
        value=value,
        different=run.different,
        largest=run.largest,
        mask=run.mask,
    )


# Between stretches.


class _Block(Struct, frozen=True, eq=False):
    """Words of A that aren't in B, in front of `b`; or words of B, in front of A's `a`."""

    a: int
    b: int
    own: Words
    lost: bool
    moved: int
    """Words by which B is late behind it."""

    @property
    def words(self) -> int:
        return len(self.own)


def _blocks(pair: SamplePair, stretches: Sequence[AlignedWords]) -> Iterator[_Block]:
    """Yield what is in front of the stretches, between them and behind them."""
    edges = [AlignedWords(0, 0, 0), *stretches, AlignedWords(len(pair.a), len(pair.b), 0)]
    for before, after in pairwise(edges):
        end_a, end_b = before.ends
        if after.a > end_a:
            yield _Block(end_a, end_b, pair.a[end_a : after.a], lost=True, moved=end_b - after.a)
        if after.b > end_b:
            own, moved = pair.b[end_b : after.b], after.b - after.a
            yield _Block(after.a, end_b, own, lost=False, moved=moved)


def _named(pair: SamplePair, blocks: Sequence[_Block]) -> Iterator[WordDifference]:
    is_search = len(blocks) <= _MOST_BLOCKS
    taken: set[_Block] = set()
    for block in blocks:
        if block in taken:
            continue
        other = _same_block_elsewhere(block, blocks) if is_search else None
        if other is not None and other not in taken:
            taken.add(other)
            yield _moved(pair, *((block, other) if block.lost else (other, block)))
        elif block.lost:
            yield _lost(pair, block)
        else:
            yield (_doubled(pair, block) if is_search else None) or _gained(pair, block)


def _same_block_elsewhere(block: _Block, blocks: Sequence[_Block]) -> _Block | None:
    """Return the block gained that equals this one lost, or the reverse; one value is no sign."""
    if block.words < _SMALLEST or (block.own == block.own[0]).all():
        return None
    others = (each for each in blocks if each.lost != block.lost)
    return next((each for each in others if np.array_equal(block.own, each.own)), None)


def _moved(pair: SamplePair, lost: _Block, gained: _Block) -> WordDifference:
    """Return the difference for words that are elsewhere in B; neighbours of one packet swapped."""
    packet, packets = pair.packets(lost.a, lost.words)
    if packets == 1 and gained.a in (lost.a - pair.step, lost.a + 2 * pair.step):
        return _swap(pair, min(lost.a, gained.a) // pair.step)
    is_packets = packets > 0 and gained.a % pair.step == 0
    return WordDifference(
        kind=Kind.MOVED,
        word=lost.a,
        words=lost.words,
        word_b=gained.b,
        value=gained.a,
        packet=packet if is_packets else None,
        packets=packets if is_packets else 0,
        after_packet=gained.a // pair.step - 1 if is_packets else None,
    )


def _lost(pair: SamplePair, block: _Block) -> WordDifference:
    packet, packets = pair.packets(block.a, block.words)
    missing = WordDifference(
        kind=Kind.MISSING if packets else Kind.LOST,
        word=block.a,
        words=block.words,
        word_b=block.b,
        packet=packet,
        packets=packets,
        alike=_slack(pair.a, block.a, block.words),
        moved=block.moved,
    )
    if block.a + block.words < len(pair.a):
        return missing
    last = block.a // pair.step
    return replace(missing, kind=Kind.ENDS_EARLY, word_b=None, packet=last, packets=0, alike=None)


def _gained(pair: SamplePair, block: _Block) -> WordDifference:
    content, value = pair.content(block.b, block.words)
    return WordDifference(
        kind=Kind.GOES_ON if block.a == len(pair.a) else Kind.ADDED,
        word=block.a,
        words=block.words,
        word_b=block.b,
        packet=block.a // pair.step,
        alike=_slack(pair.b, block.b, block.words, block.a - block.b),
        moved=block.moved,
        content=content,
        value=value,
    )


def _doubled(pair: SamplePair, block: _Block) -> WordDifference | None:
    """Return the difference for a block that is nothing but packets once more, None if it isn't."""
    step, before = pair.step, pair.a[: block.a]
    after, packets = pair.packets(block.a, block.words)
    if not after:
        return None
    times, source = 2, block.a - block.words
    if source < 0 or not np.array_equal(block.own, before[source:]):
        if np.array_equal(block.own, np.tile(before[-step:], packets)):
            times, source, packets = packets + 1, block.a - step, 1
        else:
            source = _last_before(before, block.own, step)
    if source < 0:
        return None
    return WordDifference(
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
        moved=block.moved,
    )


def _last_before(words: Words, block: Words, step: int) -> int:
    """Return where the last such block at the edge of a packet begins in `words`, -1 if nowhere."""
    rows = words[: len(words) // step * step].reshape(-1, step)
    for row in np.flatnonzero((rows == block[:step]).all(axis=1))[::-1][:_MOST_BLOCKS].tolist():
        if np.array_equal(words[row * step : row * step + len(block)], block):
            return int(row) * step
    return -1


def _slack(words: Words, at: int, size: int, shift: int = 0) -> tuple[int, int] | None:
    """Return the places where the block may begin so that the same is left; None for only one."""
    back = equal_run_back(words, at, words, at + size, at)
    forth = equal_run(words, at, words, at + size)
    return (at - back + shift, at + forth + shift) if back or forth else None
