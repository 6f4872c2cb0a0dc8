"""Which words of B stand against which words of A.

Theory of operation.  The two are walked side by side.  As long as words are equal, or differ only
in passing, B stays at the same lag behind A; such a part is a `AlignedWords`.  Where B goes on with
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
_FAR_LOOK: Final = 64  # and again, since sounds repeat themselves
_SLIPS: Final = 4  # words of a packet that may differ where another place fits at once
_MARGIN: Final = 8  # words by which another place must fit better than staying
_FITS: Final = 4  # places tried for one window
_NEAR: Final = 1 << 15  # words that are searched at first
_SEARCHED: Final = 600_000_000  # words of all searches together: about a second
_EVENT: Final = 40_000  # words that the time for one event would search
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
class AlignedWords:
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
    return equal_run(a[at_a - limit : at_a][::-1], 0, b[at_b - limit : at_b][::-1], 0)


def align(
    a: Words,
    b: Words,
    *,
    step: int,
    whole: bool = True,
) -> tuple[AlignedWords, ...] | None:
    """Return the stretches of two samples in order, None where the search had to be given up.

    The first begins at the first words of both, even if it is empty.  `step` is the number of
    words in a packet; with `whole`, that packets were lost or gained is believed before anything
    else.
    """
    return _SampleWalk(a, b, step, whole).stretches()


class _GaveUpError(Exception):
    """The bounds of the search were reached."""


@dataclass(frozen=True, slots=True)
class _Fit:
    """How many words differ at another lag: within one packet, within a few, within many."""

    first: int
    near: int
    far: int
    sync: tuple[int, int]
    """Places in A and B that are sure to stand against each other."""


class _SampleWalk:
    def __init__(self, a: Words, b: Words, step: int, whole: bool) -> None:
        self._a = a
        self._b = b
        self._step = step
        self._whole = whole
        self._hashes: tuple[Hashes, Hashes] | None = None
        self._searched = 0

    def stretches(self) -> tuple[AlignedWords, ...] | None:
        found: list[AlignedWords] = []
        begin_a = begin_b = at_a = at_b = 0
        try:
            while True:
                run = equal_run(self._a, at_a, self._b, at_b)
                at_a, at_b = at_a + run, at_b + run
                if at_a == len(self._a) or at_b == len(self._b):
                    break
                sync = self._resync(at_a, at_b)
                if sync is None:
                    calm = self._next_calm(at_a, at_b)
                    at_a, at_b = at_a + calm, at_b + calm
                    continue
                end, new = self._seam((begin_a, begin_b), (at_a, at_b), sync)
                found.append(AlignedWords(begin_a, begin_b, end[0] - begin_a))
                begin_a, begin_b = new
                at_a, at_b = sync
        except _GaveUpError:
            return None
        words = min(len(self._a) - begin_a, len(self._b) - begin_b)
        return (*found, AlignedWords(begin_a, begin_b, words))

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
        self._pay(_EVENT)
        if (end := self._common_end(at_a, at_b)) is not None:
            return end
        if self._wrong(at_a, at_b, _FAR_LOOK) < _MARGIN:
            return None  # no other place can fit better by the margin
        if (sync := self._at_once(at_a, at_b)) is not None:
            return sync
        self._pay(8 * _EVENT)
        remaining = min(len(self._a) - at_a, len(self._b) - at_b)
        for offsets, reach in self._searches(remaining):
            if (best := self._best(at_a, at_b, offsets, reach)) is not None:
                return best
            if any(self._stays(at_a + offset, at_b + offset) for offset in offsets):
                return None
        return self._up_to_the_end(at_a, at_b)

    def _at_once(self, at_a: int, at_b: int) -> tuple[int, int] | None:
        """Return where a loss or gain of whole packets makes all words fit: no need to search."""
        if self._whole:
            for p, q in self._packets(at_a, at_b):
                if self._wrong(p, q, _LOOK) <= _SLIPS and equal_run(self._a, p, self._b, q):
                    return p, q
        return None

    def _up_to_the_end(self, at_a: int, at_b: int) -> tuple[int, int] | None:
        """Return where a loss or gain of whole packets makes all fit up to an end that is near."""
        for p, q in self._packets(at_a, at_b) if self._whole else ():
            left = min(len(self._a) - p, len(self._b) - q)
            if left > 0 and equal_run(self._a, p, self._b, q) >= left:
                return p, q
        return None

    def _searches(self, remaining: int) -> Iterator[tuple[list[int], int]]:
        """Yield (how far from here windows are taken, how far they are looked for)."""
        nearby = [0, 1, *range(_WINDOW, 2 * self._step + _WINDOW, _WINDOW)]
        yield [offset for offset in nearby if offset + _WINDOW <= remaining], _NEAR
        offset = nearby[-1] + _WINDOW
        while offset < 33 * _WINDOW and offset + _WINDOW <= remaining:
            yield [offset], _NEAR
            offset += _WINDOW
        offset = 0
        while offset + _WINDOW <= remaining:
            yield [offset], len(self._a) + len(self._b)
            offset = max(_WINDOW, offset * 2)

    def _stays(self, at_a: int, at_b: int) -> bool:
        window = self._a[at_a : at_a + _WINDOW]
        return _tells(window) and bool(np.array_equal(window, self._b[at_b : at_b + _WINDOW]))

    def _best(self, at_a: int, at_b: int, offsets: list[int], reach: int) -> tuple[int, int] | None:
        """Return the place at another lag that fits best, and better than staying by the margin."""
        lag = at_a - at_b
        fits: dict[int, _Fit] = {}
        stay = self._fit(at_a, at_b, (at_a, at_b))
        for p, q in self._places(at_a, at_b, offsets, reach):
            new = p - q
            if new == lag or new in fits or equal_run(self._a, p, self._b, q) < _WINDOW:
                continue
            # After a loss the same words of B count, after a gain those of A.
            begin = (at_b + new, at_b) if new > lag else (at_a, at_a - new)
            fit = self._fit(*begin, (p, q))
            if max(stay.near - fit.near, stay.far - fit.far) >= _MARGIN:
                fits[new] = fit
        if not fits:
            return None
        # What fits at once comes before what fits later: that may be behind another loss.
        fewest = min(fit.first for fit in fits.values()) + _SLIPS
        rest = {new: fit for new, fit in fits.items() if fit.first <= fewest}

        def rank(new: int) -> tuple[int, int]:
            bonus = self._step if (new - lag) % self._step == 0 else 0
            return rest[new].near + rest[new].far - bonus, abs(new - lag)

        return rest[min(rest, key=rank)].sync

    def _fit(self, at_a: int, at_b: int, sync: tuple[int, int]) -> _Fit:
        first, near, far = (self._wrong(at_a, at_b, looks) for looks in (1, _LOOK, _FAR_LOOK))
        return _Fit(first, near, far, sync)

    def _places(
        self, at_a: int, at_b: int, offsets: list[int], reach: int
    ) -> Iterator[tuple[int, int]]:
        """Yield places that may stand against each other, the losses and gains of packets first."""
        yield from self._packets(at_a, at_b)
        hashes_a, hashes_b = self._all_hashes()
        for offset in offsets:
            for place in self._find(self._b, at_b + offset, hashes_a, at_a, reach):
                yield place, at_b + offset
            for place in self._find(self._a, at_a + offset, hashes_b, at_b, reach):
                yield at_a + offset, place

    def _packets(self, at_a: int, at_b: int) -> Iterator[tuple[int, int]]:
        """Yield the places after a loss and after a gain of a few packets."""
        for packets in range(1, _FITS + 1):
            yield at_a + packets * self._step, at_b
            yield at_a, at_b + packets * self._step

    def _wrong(self, at_a: int, at_b: int, packets: int) -> int:
        """Return how many of the words of so many packets differ, those beyond one end included."""
        words = packets * self._step
        left_a, left_b = len(self._a) - at_a, len(self._b) - at_b
        both = max(0, min(words, left_a, left_b))
        differ = self._a[at_a : at_a + both] != self._b[at_b : at_b + both]
        wanted = max(0, min(words, max(left_a, left_b)))
        return int(np.count_nonzero(differ)) + wanted - both

    def _find(
        self, source: Words, at: int, hashes: Hashes, begin: int, reach: int
    ) -> Iterator[int]:
        """Yield the nearest places from `begin` on whose window has the hash of the one at `at`."""
        if not _tells(source[at : at + _WINDOW]):
            return
        own = self._all_hashes()[0 if source is self._a else 1][at]
        part = hashes[begin : begin + reach]
        self._pay(len(part))
        for place in np.flatnonzero(part == own)[:_FITS]:
            yield begin + int(place)

    def _common_end(self, at_a: int, at_b: int) -> tuple[int, int] | None:
        """Return where the common end begins, where too little is left for a window to be found."""
        end_a, end_b = len(self._a), len(self._b)
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

    def _pay(self, words: int) -> None:
        self._searched += words
        if self._searched > _SEARCHED:
            raise _GaveUpError

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
