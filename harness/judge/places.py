"""From stretches of words that stand against each other to the differences between two samples.

Theory of operation.  Between stretches words of A are lost or words of B are gained; within them
words are changed.  Those that are changed together make up a region whose content is named
(silence, filler, a repeat), and the rest are changed here and there.  Packets that stand in each
other's place are looked for first.  Packets are counted in A, `step` words each (WRD-02).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from harness.judge.account import Difference, Kind, WordRun
from harness.judge.align import AlignedWords
from harness.judge.blocks import SamplePair, block_differences, content_of, swap

SHOWN_RUNS: Final = 16
_GAP: Final = 8  # equal words that don't end a run of different ones
_REGION: Final = 4  # words at least
_MOST_REGIONS: Final = 16
_MOST_SWAPS: Final = 256  # more of them are a matter of what the sample is like
_MOST_RUNS: Final = 4_096  # beyond these there are no regions to be looked for

_Places = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """Places of A, all at one lag, whose words differ; those of one run, or of the rest of many."""

    places: _Places
    lag: int
    runs: int = 1
    at_end: bool = False

    @property
    def first(self) -> int:
        return int(self.places[0])

    @property
    def words(self) -> int:
        return int(self.places[-1]) - self.first + 1


def differences(
    pair: SamplePair, stretches: Sequence[AlignedWords] | None = None
) -> tuple[Difference, ...]:
    """Return what is different between two samples, exactly.

    `stretches` say what stands against what; without them, the words are compared as they stand.
    """
    stretches = stretches or [AlignedWords(0, 0, min(len(pair.a), len(pair.b)))]
    swapped: list[Difference] = []
    groups: list[_Group] = []
    changed = 0
    for stretch in stretches:
        places, pairs = _changed_places(pair, stretch)
        swapped += pairs
        changed += len(places)
        groups += _grouped(pair, stretch, places)
    found = [*block_differences(pair, stretches), *swapped, *_changes(pair, groups)]
    found.sort(key=lambda difference: (difference.word or 0, difference.word_b or 0))
    return tuple(found)


def _changed_places(pair: SamplePair, stretch: AlignedWords) -> tuple[_Places, list[Difference]]:
    """Return the places of A whose words differ, those of swapped packets apart, and the swaps."""
    end_a, end_b = stretch.a + stretch.words, stretch.b + stretch.words
    places = np.flatnonzero(pair.a[stretch.a : end_a] != pair.b[stretch.b : end_b]) + stretch.a
    if len(places) < 2:
        return places, []
    step = pair.step
    bad = places // step
    bad = bad[np.concatenate(([True], np.diff(bad) > 0))]
    firsts = bad[:-1][np.diff(bad) == 1]
    firsts = firsts[(firsts * step >= stretch.a) & ((firsts + 1) * step <= end_a)]
    swaps: list[int] = []
    for first in _swapped(pair, stretch, firsts):
        if not swaps or first > swaps[-1] + 1:
            swaps.append(first)
    if not swaps or len(swaps) > _MOST_SWAPS:
        return places, []
    taken = np.concatenate((swaps, np.add(swaps, 1)))
    return places[~np.isin(places // step, taken)], [swap(pair, first) for first in swaps]


def _swapped(pair: SamplePair, stretch: AlignedWords, firsts: _Places) -> list[int]:
    """Return which packets stand in each other's place with the next one, wholly."""
    step, end, lag = pair.step, stretch.a + stretch.words, stretch.a - stretch.b
    if not len(firsts):
        return []
    # The last packet may be partly filler, which takes the place of words when it comes too early.
    spare = -len(pair.a) % step
    a = np.concatenate((pair.a, np.full(spare, -(1 << (pair.bits - 1)), pair.a.dtype)))
    whole = firsts[((firsts + 2) * step <= end) | (end == len(pair.a))]
    # One word tells most of those that aren't.
    whole = whole[pair.b[whole * step - lag] == a[(whole + 1) * step]]
    index = whole[:, None] * step + np.arange(2 * step)
    inside = index < end
    b = pair.b[np.minimum(index, end - 1) - lag]
    expected = np.roll(a[np.minimum(index, len(a) - 1)], step, axis=1)
    right = ((b == expected) | ~inside).all(axis=1)
    return [int(first) for first in whole[right]]


def _grouped(pair: SamplePair, stretch: AlignedWords, places: _Places) -> Iterator[_Group]:
    if not len(places):
        return
    lag = stretch.a - stretch.b
    cuts = np.flatnonzero(np.diff(places) > _GAP) + 1
    if len(cuts) > _MOST_RUNS:
        shown = np.split(places[: cuts[SHOWN_RUNS - 1]], cuts[: SHOWN_RUNS - 1])
        yield from (_Group(part, lag) for part in shown)
        yield _Group(places[cuts[SHOWN_RUNS - 1] :], lag, runs=len(cuts) + 1 - SHOWN_RUNS)
        return
    *parts, last = np.split(places, cuts)
    yield from (_Group(part, lag) for part in parts)
    yield _last_group(pair, stretch, last)


def _last_group(pair: SamplePair, stretch: AlignedWords, places: _Places) -> _Group:
    """Return the last group of a stretch; it may be what B ends with."""
    end_a, end_b = stretch.a + stretch.words, stretch.b + stretch.words
    lag = stretch.a - stretch.b
    if (end_a, end_b) != (len(pair.a), len(pair.b)):
        return _Group(places, lag)
    # Where B ends with one value, that some of A's words have it too doesn't end the region.
    rest = pair.b[int(places[0]) - lag : end_b]
    return _Group(places, lag, at_end=int(places[-1]) == end_a - 1 or bool((rest == rest[0]).all()))


def _changes(pair: SamplePair, groups: Sequence[_Group]) -> Iterator[Difference]:
    regions = [group for group in groups if _is_region(group)]
    if len(regions) > _MOST_REGIONS:
        regions = [group for group in regions if group.at_end]
    yield from (_region(pair, group) for group in regions)
    rest = [group for group in groups if not any(group is region for region in regions)]
    if rest:
        yield _scattered(pair, rest)


def _is_region(group: _Group) -> bool:
    dense = 4 * len(group.places) >= 3 * group.words
    return group.runs == 1 and group.words >= _REGION and dense


def _region(pair: SamplePair, group: _Group) -> Difference:
    run = _run(pair, group)
    words = len(pair.a) - run.word if group.at_end else run.words
    content, value = content_of(pair, group.first - group.lag, words)
    return Difference(
        kind=Kind.TAIL if group.at_end else Kind.REPLACED,
        word=run.word,
        words=words,
        word_b=run.word - group.lag,
        packet=run.packet,
        packets=(run.word + words - 1) // pair.step - run.packet + 1,
        content=content,
        value=value,
        different=run.different,
        largest=run.largest,
        mask=run.mask,
    )


def _scattered(pair: SamplePair, groups: Sequence[_Group]) -> Difference:
    runs = [_run(pair, group) for group in groups]
    last = groups[-1]
    return Difference(
        kind=Kind.CHANGED,
        word=runs[0].word,
        words=last.first + last.words - runs[0].word,
        packet=runs[0].packet,
        different=sum(run.different for run in runs),
        largest=max(run.largest for run in runs),
        mask=int(np.bitwise_or.reduce([run.mask for run in runs])),
        runs=tuple(run for run, group in zip(runs, groups, strict=True) if group.runs == 1)[
            :SHOWN_RUNS
        ],
        run_count=sum(group.runs for group in groups),
    )


def _run(pair: SamplePair, group: _Group) -> WordRun:
    half = np.int64(1 << (pair.bits - 1))
    a = pair.a[group.places].astype(np.int64) + half
    b = pair.b[group.places - group.lag].astype(np.int64) + half
    return WordRun(
        word=group.first,
        words=group.words,
        different=len(group.places),
        packet=group.first // pair.step,
        largest=int(np.abs(a - b).max()),
        mask=int(np.bitwise_or.reduce(a ^ b)),
        values=(int(a[0] - half), int(b[0] - half)),
    )
