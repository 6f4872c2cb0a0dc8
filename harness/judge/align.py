"""Which words of B stand against which words of A.

Theory of operation.  The two are walked side by side.  As long as words are equal, or differ only
in passing, B stays at the same lag behind A; such a part is a `Stretch`.  Where B goes on with
words that come later in A (a loss), or A's words come later in B (a gain), the walk looks a window
of a few words up in the other sample, takes the nearest place that fits clearly better than
staying, and begins a new stretch there.  The seam between two stretches is then laid where the
fewest words differ, and among equally good places at the edge of a packet.

Windows are found by hashes, and every find is compared word by word.  The work is bounded: after
too many seams, or too much searching, the answer is None and the samples are to be compared in
place.  What comes out is true whatever it is, since every word that differs within a stretch is
counted by whoever reads the answer; only how well it explains the difference is a matter of luck.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from emulator.wire.words import Words

_WINDOW: Final = 16  # words; shorter than the 30 of the smallest packet (WRD-02)
_LOOK: Final = 4  # packets that are compared to tell whether a place fits
_MARGIN: Final = 8  # words by which another place must fit better than staying
_FITS: Final = 4  # places tried for one window
_NEAR: Final = 1 << 15  # words that are searched at first
_EVENTS: Final = 2_000
_SEARCHED: Final = 400_000_000  # words of all searches together: a few tenths of a second
_FIRST: Final = 256
_MOST: Final = 1 << 20
_FACTORS: Final = (
    0x9E37_79B9_7F4A_7C15,
    0xC2B2_AE3D_27D4_EB4F,
    0x1656_67B1_9E37_79F9,
    0xD6E8_FEB8_6659_FD93,
    0xA076_1D64_78BD_642F,
)

Hashes = NDArray[np.uint64]
_Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Stretch:
    """`words` words from `a` on in A stand against as many from `b` on in B; most are equal."""

    a: int
    b: int
    words: int


def equal_run(a: Words, at_a: int, b: Words, at_b: int) -> int:
    """Return how many words from here on are equal."""
    limit = min(len(a) - at_a, len(b) - at_b)
    done, chunk = 0, _FIRST
    while done < limit:
        size = min(chunk, limit - done)
        same = a[at_a + done : at_a + done + size] == b[at_b + done : at_b + done + size]
        if not same.all():
            return done + int(np.argmin(same))
        done += size
        chunk = min(chunk * 8, _MOST)
    return done


def equal_run_back(a: Words, at_a: int, b: Words, at_b: int, limit: int) -> int:
    """Return how many words just before these places are equal, `limit` at most."""
    limit = min(limit, at_a, at_b)
    done, chunk = 0, _FIRST
    while done < limit:
        size = min(chunk, limit - done)
        end_a, end_b = at_a - done, at_b - done
        same = (a[end_a - size : end_a] == b[end_b - size : end_b])[::-1]
        if not same.all():
            return done + int(np.argmin(same))
        done += size
        chunk = min(chunk * 8, _MOST)
    return done


def align(
    a: Words, b: Words, *, step: int, ends: tuple[int, int] | None = None
) -> tuple[Stretch, ...] | None:
    """Return the stretches of two samples in order, None where the search had to be given up.

    The first begins at the first words of both, even if it is empty.  `step` is the number of
    words in a packet, `ends` are the real lengths where filler was put behind the words.
    """
    return _Walk(a, b, step, ends or (len(a), len(b))).stretches()


class _GaveUpError(Exception):
    """The bounds of the search were reached."""


class _Walk:
    def __init__(self, a: Words, b: Words, step: int, ends: tuple[int, int]) -> None:
        self._a = a
        self._b = b
        self._step = step
        self._ends = ends
        self._hashes: tuple[Hashes, Hashes] | None = None
        self._searched = 0

    def stretches(self) -> tuple[Stretch, ...] | None:
        found: list[Stretch] = []
        begin_a = begin_b = at_a = at_b = 0
        events = 0
        try:
            while True:
                run = equal_run(self._a, at_a, self._b, at_b)
                at_a, at_b = at_a + run, at_b + run
                if at_a == len(self._a) or at_b == len(self._b):
                    break
                events += 1
                if events > _EVENTS:
                    return None
                sync = self._resync(at_a, at_b)
                if sync is None:
                    calm = self._next_calm(at_a, at_b)
                    at_a, at_b = at_a + calm, at_b + calm
                    continue
                end, new = self._seam((begin_a, begin_b), (at_a, at_b), sync)
                found.append(Stretch(begin_a, begin_b, end[0] - begin_a))
                begin_a, begin_b = new
                at_a, at_b = sync
        except _GaveUpError:
            return None
        words = min(len(self._a) - begin_a, len(self._b) - begin_b)
        return (*found, Stretch(begin_a, begin_b, words))

    def _next_calm(self, at_a: int, at_b: int) -> int:
        """Return how far it is to the next window of equal words at this lag, or to the end."""
        limit = min(len(self._a) - at_a, len(self._b) - at_b)
        done, chunk = 1, _FIRST
        while done < limit:
            size = min(chunk, limit - done)
            same = (
                self._a[at_a + done : at_a + done + size]
                == self._b[at_b + done : at_b + done + size]
            )
            sums = np.concatenate(([0], np.cumsum(same)))
            calm = sums[_WINDOW:] - sums[:-_WINDOW] == _WINDOW
            if calm.any():
                return done + int(np.argmax(calm))
            if done + size >= limit:
                break
            done += size - _WINDOW + 1
            chunk = min(chunk * 8, _MOST)
        return limit

    def _resync(self, at_a: int, at_b: int) -> tuple[int, int] | None:
        """Return places in A and B from where they agree again at another lag; None to stay."""
        if (end := self._common_end(at_a, at_b)) is not None:
            return end
        for offset, reach in self._offsets(min(len(self._a) - at_a, len(self._b) - at_b)):
            best = self._best(at_a, at_b, offset, reach)
            if best is not None:
                return best
            if self._stays(at_a + offset, at_b + offset):
                return None
        return None

    def _offsets(self, remaining: int) -> Iterator[tuple[int, int]]:
        """Yield (how far from here a window is taken, how far it is looked for)."""
        for offset in (0, 1, *range(_WINDOW, 33 * _WINDOW, _WINDOW)):
            if offset + _WINDOW <= remaining:
                yield offset, _NEAR
        offset = 0
        while offset + _WINDOW <= remaining:
            yield offset, len(self._a) + len(self._b)
            offset = max(_WINDOW, offset * 2)

    def _stays(self, at_a: int, at_b: int) -> bool:
        window = self._a[at_a : at_a + _WINDOW]
        return _tells(window) and bool(np.array_equal(window, self._b[at_b : at_b + _WINDOW]))

    def _best(self, at_a: int, at_b: int, offset: int, reach: int) -> tuple[int, int] | None:
        """Return the nearest place at another lag that fits better than staying by the margin."""
        lag = at_a - at_b
        hashes_a, hashes_b = self._all_hashes()
        best: tuple[int, int] | None = None
        most = _MARGIN - 1
        window_b, window_a = at_b + offset, at_a + offset
        places = [
            *((place, window_b) for place in self._find(self._b, window_b, hashes_a, at_a, reach)),
            *((window_a, place) for place in self._find(self._a, window_a, hashes_b, at_b, reach)),
        ]
        places = [(p, q) for p, q in places if p - q != lag]
        for p, q in sorted(places, key=lambda place: abs(place[0] - place[1] - lag)):
            gain = self._gain(p, q, lag)
            if gain > most and equal_run(self._a, p, self._b, q) >= _WINDOW:
                best, most = (p, q), gain
        return best

    def _gain(self, p: int, q: int, lag: int) -> int:
        """Return how many more words agree from (p, q) on than if the lag stays as it is."""
        words = min(_LOOK * self._step, len(self._a) - p, len(self._b) - q)
        there = int(np.count_nonzero(self._a[p : p + words] == self._b[q : q + words]))
        # If it stays: after a loss the same words of B count, after a gain those of A.
        begin = q + lag if p - q > lag else p
        stay_a, stay_b = begin, begin - lag
        words = min(words, len(self._a) - stay_a, len(self._b) - stay_b)
        here = self._a[stay_a : stay_a + words] == self._b[stay_b : stay_b + words]
        return there - int(np.count_nonzero(here))

    def _find(
        self, source: Words, at: int, hashes: Hashes, begin: int, reach: int
    ) -> Iterator[int]:
        """Yield the nearest places from `begin` on whose window has the hash of the one at `at`."""
        if not _tells(source[at : at + _WINDOW]):
            return
        own = self._all_hashes()[0 if source is self._a else 1][at]
        part = hashes[begin : begin + reach]
        self._searched += len(part)
        if self._searched > _SEARCHED:
            raise _GaveUpError
        for place in np.flatnonzero(part == own)[:_FITS]:
            yield begin + int(place)

    def _common_end(self, at_a: int, at_b: int) -> tuple[int, int] | None:
        """Return where the common end begins, where too little is left for a window to be found."""
        end_a, end_b = self._ends
        if end_a - end_b == at_a - at_b or min(end_a - at_a, end_b - at_b) <= 0:
            return None
        left = min(end_a - at_a, end_b - at_b)
        if left > _LOOK * self._step:
            return None
        run = equal_run_back(self._a, end_a, self._b, end_b, left)
        whole = (end_a - run) % self._step == 0 == (end_a - end_b - at_a + at_b) % self._step
        # A few words are equal by chance, unless they're just what is left after a whole packet.
        if run < left or (run < _WINDOW // 2 and not whole):
            return None
        return end_a - run, end_b - run

    def _seam(
        self, begin: tuple[int, int], at: tuple[int, int], sync: tuple[int, int]
    ) -> tuple[tuple[int, int], tuple[int, int]]:
        """Return where the old stretch ends and where the new one begins, as places in A and B."""
        old, new = at[0] - at[1], sync[0] - sync[1]
        if new > old:
            t = _best_seam(
                (self._b, self._a), (old, new), (begin[1], at[1], sync[1]), (self._step, old)
            )
            return (t + old, t), (t + new, t)
        t = _best_seam(
            (self._a, self._b), (-old, -new), (begin[0], at[0], sync[0]), (self._step, 0)
        )
        return (t, t - old), (t, t - new)

    def _all_hashes(self) -> tuple[Hashes, Hashes]:
        if self._hashes is None:
            self._hashes = window_hashes(self._a), window_hashes(self._b)
        return self._hashes


def _best_seam(
    pair: tuple[Words, Words],
    shifts: tuple[int, int],
    places: tuple[int, int, int],
    grid: tuple[int, int],
) -> int:
    """Return the place in the first of `pair` where going from one shift to the other costs least.

    The second of `pair` is read at the place plus the shift.  `places` are where the stretch began,
    where it failed and where the new shift is sure; a seam at the edge of a packet, where the
    place plus `grid[1]` is a multiple of `grid[0]`, wins among equals, and the latest of those.
    """
    x, y = pair
    old, new = shifts
    begin, failed, sure = places
    low = failed - equal_run_back(x, failed, y, failed + new, failed - begin)
    part = x[low:sure]
    old_wrong = np.concatenate(([0], np.cumsum(part != y[low + old : sure + old])))
    new_wrong = np.concatenate(([0], np.cumsum(part != y[low + new : sure + new])))
    wrong = old_wrong + (new_wrong[-1] - new_wrong)
    ties = low + np.flatnonzero(wrong == wrong.min())
    on_edge = ties[(ties + grid[1]) % grid[0] == 0]
    return int(on_edge[-1] if len(on_edge) else ties[-1])


def window_hashes(words: Words) -> Hashes:
    """Return a hash of the window that begins at each word; shorter by a window less one."""
    hashes: Hashes = words.astype(np.int64).view(np.uint64) + np.uint64(1 << 32)
    hashes *= np.uint64(_FACTORS[0])
    hashes ^= hashes >> np.uint64(29)
    if len(words) < _WINDOW:
        return hashes[:0]
    for width, factor in zip((1, 2, 4, 8), _FACTORS[1:], strict=True):
        hashes = hashes[:-width] * np.uint64(factor) + hashes[width:]
    return hashes


def _tells(window: NDArray[np.signedinteger[Any]]) -> bool:
    """Return whether a window can tell one place from another: a constant one cannot."""
    return len(window) == _WINDOW and bool((window != window[0]).any())
