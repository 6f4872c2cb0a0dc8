"""What the words look like: signs of a wrong packing that no count can show.

Theory of operation.  Nothing here proves anything: a dump may hold noise, a square wave at full
scale or silence.  So every finding is only noted, and says "looks".  The whole signal is asked for
its extremes and its used bits, which is cheap; smoothness is measured on a few windows.
A signal is smooth if neighbouring words lie close together; read in the wrong way, sound becomes
rough.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.sizes import unused_bits
from dryload.emulator.wire.words import Words
from dryload.harness.judge.account import Kind, WordDifference
from dryload.harness.judge.alteration import altered
from dryload.harness.judge.finding import Findings, Place
from dryload.harness.judge.plan import DumpPlan

_WINDOW: Final = 256  # words
_WINDOWS: Final = 8  # from one call of `see`
_MOST_WINDOWS: Final = 64
_ENOUGH: Final = 64  # words below which nothing is said but of two's complement
_FEW: Final = 16  # words, as of two's complement no chance makes so many smooth
_SMOOTH: Final = 16  # the mean step is below this part of the range
_GLANCE: Final = 17  # words that are looked at first
_RISE: Final = 8  # mean steps from the lowest word of a smooth signal to the highest
_LONG_RUN: Final = 64  # words of 00 bytes that no sound has (WRD-08)
_EVEN: Final = 1.5
_BENT: Final = 2 / 3

_Windows = NDArray[np.int64]
"""Shape (windows, words)."""
_Number = float | NDArray[np.float64] | NDArray[np.int64]


_Remark = tuple[str, Mapping[str, object]]
"""A kind of finding, and what is to be filled into its texts."""


class _StepSizes(NamedTuple):
    """How far apart neighbouring words are."""

    mean: float
    largest: int


class Looks:
    """What has been seen of the words of one dump."""

    def __init__(self, plan: DumpPlan) -> None:
        self._channels = max(plan.header.channels, 1)
        self._bits = plan.header.bits
        self._top = 1 << (self._bits - 1)
        self._low = self._top
        self._high = -self._top
        self._used = 0
        self._count = 0
        self._windows: list[_Windows] = []
        self._wraps = 0
        self._first_wrap = 0
        self._run = 0
        self._run_at = 0

    def see(self, words: Words) -> None:
        """Take in the next words, in order."""
        if not len(words):
            return
        low, high = int(words.min()), int(words.max())
        self._see_used(words)
        if low == -self._top:
            lowest = np.flatnonzero(words == low)
            if high == self._top - 1:
                self._see_wraps(words, lowest)
            if len(lowest) >= _LONG_RUN:
                self._see_run(lowest)
        self._low, self._high = min(self._low, low), max(self._high, high)
        if len(self._windows) < _MOST_WINDOWS:
            self._see_windows(words)
        self._count += len(words)

    def _see_used(self, words: Words) -> None:
        """Note which bits are ever set; once the lowest one is, nothing more is to be learnt."""
        for part in (words[:_WINDOW], words[_WINDOW:]):
            if not self._used & 1 and len(part):
                self._used |= int(np.bitwise_or.reduce(part))

    def _see_windows(self, words: Words) -> None:
        whole = len(words) // _WINDOW
        if whole:
            apart = -(-whole // _WINDOWS)
            windows = words[: whole * _WINDOW].reshape(whole, _WINDOW)[::apart]
        else:
            windows = words[None, :]
        self._windows.append(windows.astype(np.int64))

    def _see_wraps(self, words: Words, lowest: NDArray[np.int64]) -> None:
        """Find full-scale positive words beside those at `lowest`, in the same channel."""
        apart = self._channels
        before, after = lowest[lowest >= apart] - apart, lowest[lowest < len(words) - apart]
        firsts = np.append(
            before[words[before] == self._top - 1], after[words[after + apart] == self._top - 1]
        )
        if len(firsts) and not self._wraps:
            self._first_wrap = self._count + int(firsts.min())
        self._wraps += len(firsts)

    def _see_run(self, lowest: NDArray[np.int64]) -> None:
        """Find the longest run of words of 00 bytes, which are full-scale negative."""
        ends = np.flatnonzero(np.diff(lowest, append=lowest[-1] + 2) != 1)
        lengths = np.diff(ends, prepend=-1)
        longest = int(lengths.argmax())
        if lengths[longest] > self._run:
            self._run = int(lengths[longest])
            self._run_at = self._count + int(lowest[ends[longest]]) - self._run + 1

    # What to say.

    def judge(self, findings: Findings, byte: int) -> None:
        """Add what the words look like; `byte` is where the dump begins."""
        if self._count < _FEW:
            return
        remarks = self._remarks() if self._count >= _ENOUGH else self._misreadings()
        for kind, names in remarks:
            findings.tell(kind, Place(byte=byte), names=names)

    def _remarks(self) -> Iterator[_Remark]:
        if self._low < self._high < _right_justified_below(self._bits):
            yield "looks right-justified", {"low": self._low, "high": self._high}
        yield from self._roughness()
        if self._run >= _LONG_RUN:
            yield "run of 00 bytes", {"first": self._run_at, "words": counted(self._run, "word")}
        idle = (self._used & -self._used).bit_length() - 1 if self._used else 0
        if idle:
            used = {"used": self._bits - idle, "bits": self._bits, "idle": counted(idle, "bit")}
            yield "low bits idle", used
        if self._wraps:
            places = counted(self._wraps, "place")
            yield "looks wrapped round", {"places": places, "first": self._first_wrap}

    def _roughness(self) -> Iterator[_Remark]:
        channels = self._channels
        neighbours = _steps(self._windows, 1)
        if channels > 1 and self._looks_in_turn(neighbours.mean):
            yield "channels look one after the other", {"channels": channels}
        yield from self._misreadings(neighbours if channels == 1 else None)

    def _misreadings(self, as_sent: _StepSizes | None = None) -> Iterator[_Remark]:
        """Yield the first way of writing words in which this would be a smooth sound."""
        as_sent = as_sent or _steps(self._windows, self._channels)
        for how, needs_jump, kind in _MISREADINGS:
            if self._count < _ENOUGH and not needs_jump:
                return
            rough_mean = as_sent.mean > _smooth(self._bits)
            is_rough = as_sent.largest > self._top if needs_jump else rough_mean
            if is_rough and self._would_be_smooth(how):
                yield kind, {}
                return

    def _would_be_smooth(self, how: WordDifference) -> bool:
        """Return whether the words make a smooth signal if `how` was done to every one of them.

        The steps are small beside the range and beside the sound itself, and none is a jump.
        """
        half, channels = self._top, self._channels
        if _is_plainly_rough(self._windows[0][0, :_GLANCE], how, self._bits):
            return False  # plainly not, so the rest need not be read
        read = [altered(window, how, self._bits) for window in self._windows]
        all_steps = _steps(read, channels)
        if _is_rough_still(*all_steps, self._bits):
            return False
        if how.kind is Kind.TOP_BIT_FLIPPED:
            each = [window[:, at::channels] for window in self._windows for at in range(channels)]
            if bend_at_leaps(each, half) > _BENT:
                return False
        low = min(int(window.min()) for window in read)
        high = max(int(window.max()) for window in read)
        return all_steps.mean < (high - low) / _RISE

    def _looks_in_turn(self, steps: float) -> bool:
        """Return whether neighbours are as close as the words of one channel ought to be."""
        channels = self._channels
        if not 0 < steps <= _smooth(self._bits):
            return False
        if _steps(self._windows, channels).mean < steps * (channels + 1) / 2:
            return False
        between = [np.abs(np.diff(window, axis=1)) for window in self._windows]
        # Twins in turn are close together too, but only from the first channel to the last.
        phases = [
            float(np.mean(np.concatenate([step[:, phase::channels].ravel() for step in between])))
            for phase in range(channels)
        ]
        return max(phases) < _EVEN * min(phases)


_MISREADINGS: Final = (
    (WordDifference(kind=Kind.TOP_BIT_FLIPPED), True, "looks like two's complement"),
    (WordDifference(kind=Kind.BYTES_REVERSED), False, "bytes look reversed"),
)
"""What can be done to every word so that a smooth sound becomes rough, whether that shows as jumps
by half the range, and which kind of finding it is."""


def look_plain(words: Words, ends: NDArray[np.int64], bits: int) -> NDArray[np.bool_]:
    """Return for each of several dumps whether nothing is to be said of what its words look like.

    `words` are those of all of them, each dump's up to its place of `ends`, one channel, at least
    one word each.  Where that cannot be told at once, the answer is no.
    """
    top = 1 << (bits - 1)
    counts = np.diff(ends, prepend=0)
    starts = ends - counts
    low, high = np.minimum.reduceat(words, starts), np.maximum.reduceat(words, starts)
    lowest = np.add.reduceat(words == -top, starts, dtype=np.int64)
    used = np.bitwise_or.reduceat(words, starts)
    words = words.astype(np.int64)
    mean, largest = _steps_of_each(words, ends)
    # Of more words than one window holds only some are looked at, and their mean is not known.
    is_seen_whole = counts <= _WINDOW
    mean = np.where(is_seen_whole, mean, largest)
    glanced = words[np.minimum(starts[:, None] + np.arange(_GLANCE), len(words) - 1)]

    odd = (low < high) & (high < _right_justified_below(bits))
    odd |= lowest >= _LONG_RUN
    odd |= (used != 0) & (used & 1 == 0)
    odd |= (lowest > 0) & (high == top - 1)
    odd &= counts >= _ENOUGH
    for how, needs_jump, _ in _MISREADINGS:
        is_rough = largest > top if needs_jump else (mean > _smooth(bits)) & (counts >= _ENOUGH)
        open_yet = is_rough & ~(_is_plainly_rough(glanced, how, bits) & (counts >= _GLANCE))
        if open_yet.any():
            mean_read, largest_read = _steps_of_each(altered(words, how, bits), ends)
            stays_rough = _is_rough_still(mean_read, largest_read, bits)
            open_yet &= ~(is_seen_whole & stays_rough)
        odd |= open_yet
    return ~odd | (counts < _FEW)


def _steps_of_each(
    words: Words, ends: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return the mean and the largest step between neighbouring words of each of several dumps."""
    steps = np.abs(np.diff(words, append=0))
    steps[ends - 1] = 0  # from one dump to the next
    counts = np.diff(ends, prepend=0)
    starts = ends - counts
    mean = np.add.reduceat(steps, starts) / np.maximum(counts - 1, 1)
    return mean, np.maximum.reduceat(steps, starts)


def _right_justified_below(bits: int) -> int:
    """Return below what all words lie that were not moved up to the top of their bytes.

    Where no bit is unused there is nothing to move them by, and no word is below.
    """
    unused, top = unused_bits(bits), 1 << (bits - 1)
    return -top + (2 * top >> unused) if unused else -top


def _smooth(bits: int) -> float:
    """Return below which mean step words are smooth."""
    return (1 << bits) / _SMOOTH


def _is_rough_still(mean: _Number, largest: _Number, bits: int) -> Any:
    """Return whether words with such steps, or the words of each of several dumps, are no smooth
    signal: the steps are large beside the range, or there is a jump."""
    return (mean >= _smooth(bits)) | (largest >= 1 << (bits - 1))


def _is_plainly_rough(few: _Windows, how: WordDifference, bits: int) -> NDArray[np.bool_]:
    """Return whether these words, or each row of them, are far from smooth if `how` was done."""
    steps = np.abs(np.diff(altered(few, how, bits))).sum(axis=-1)
    rough: NDArray[np.bool_] = steps > (few.shape[-1] - 1) * 2 * _smooth(bits)
    return rough


def _steps(windows: Sequence[_Windows], apart: int) -> _StepSizes:
    """Return the steps between words `apart` places from each other."""
    total, count, largest = 0, 0, 0
    for window in windows:
        steps = np.abs(window[:, apart:] - window[:, :-apart])
        if steps.size:
            total += int(steps.sum())
            count += steps.size
            largest = max(largest, int(steps.max()))
    return _StepSizes(total / count if count else 0.0, largest)


def wrapped(words: _Windows, half: int) -> _Windows:
    """Return words, or steps, as they are modulo the whole range."""
    return (words + half) % (2 * half) - half


def bend_at_leaps(windows: Iterable[_Windows], half: int) -> float:
    """Return how much a sound of one channel bends at its leaps by more than half the range.

    It is 0 where each step there, followed over the end of the range, is like the one before it or
    behind it, and 1 or more where the sound stands still beside it, as at the edges of a square
    wave or of a clipped sound; 1 without leaps.
    """
    size = bent = 0
    for window in windows:
        leaps = np.diff(window)
        steps = wrapped(leaps, half)
        before, at, behind = steps[..., :-2], steps[..., 1:-1], steps[..., 2:]
        bends = np.minimum(np.abs(at - before), np.abs(at - behind))
        far = np.abs(leaps[..., 1:-1]) > half
        size += int(np.abs(at[far]).sum())
        bent += int(bends[far].sum())
    return bent / size if size else 1.0
