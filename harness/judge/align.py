"""Which words of B stand against which words of A.

Theory of operation.  The two are walked side by side.  As long as words are equal, or differ only
in passing, B stays at the same lag behind A; such a part is an `AlignedWords`.  Where B goes on
with words that come later in A (a loss), or A's words come later in B (a gain), the walk tries
other lags: those of a few packets and of a common end, and those at which a window of the next
words is found again in the other sample.  It takes the one that fits clearly better than staying,
and begins a new stretch there.  The seam between two stretches is then laid where the fewest words
differ, and among equally good places at the edge of a packet.

Windows are found by hashes, and every find is compared word by word.  The work is bounded: where
other lags had to be tried too often the answer is None, and the samples are to be compared in
place.  What comes out is true whatever it is, since every word that differs within a stretch is
counted by whoever reads the answer; only how well it explains the difference is a matter of luck.
"""

from collections.abc import Iterable, Iterator
from functools import cached_property
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from dryload.emulator.wire.words import Words

_WINDOW: Final = 16  # words; shorter than the 30 of the smallest packet (WRD-02)
_WORD_BYTES: Final = 8
_WINDOW_BYTES: Final = _WINDOW * _WORD_BYTES
_NEAR: Final = 4  # packets that are compared to tell whether a lag fits
_FAR: Final = 64  # and again, since sounds repeat themselves
_SLIPS: Final = 4  # words of a packet that may differ where another lag fits at once
_MARGIN: Final = 8  # words by which another lag must fit better than staying
_FITS: Final = 4  # packets that may be lost at once, and places that are tried for one window
_EFFORT: Final = 15_000  # places at which other lags are tried: about a second
_SEARCH: Final = 20  # times the effort, where windows are looked for
_REACH: Final = 1 << 15  # words in which those from close by are looked for
_FARTHER: Final = 64  # times as far as it stands ahead is where any other is looked for
_FIRST: Final = 256
_MOST: Final = 1 << 20
_FACTORS: Final = (
    0x9E37_79B9_7F4A_7C15,
    0xC2B2_AE3D_27D4_EB4F,
    0x1656_67B1_9E37_79F9,
    0xD6E8_FEB8_6659_FD93,
    0xA076_1D64_78BD_642F,
)

_Hashes = NDArray[np.uint64]
_Pair = tuple[int, int]
"""A place in A and one in B, or the same of another two."""


class AlignedWords(Struct, frozen=True):
    """`words` words from `a` on in A stand against as many from `b` on in B; most are equal."""

    a: int
    b: int
    words: int

    @property
    def ends(self) -> tuple[int, int]:
        """Where they end in A and in B."""
        return self.a + self.words, self.b + self.words


def equal_run(a: Words, at_a: int, b: Words, at_b: int) -> int:
    """Return how many words from here on are equal."""
    limit = min(len(a) - at_a, len(b) - at_b)
    if limit <= 0 or a[at_a] != b[at_b]:  # as most are where one is looked for
        return 0
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


def align(a: Words, b: Words, *, step: int, whole: bool = True) -> tuple[AlignedWords, ...] | None:
    """Return the stretches of two samples in order, None where the search had to be given up.

    The first begins at the first words of both, even if it is empty.  `step` is the number of
    words in a packet; with `whole`, that packets were lost or gained is believed before anything
    else.
    """
    return _SampleWalk(a, b, step, whole).stretches()


class _GaveUpError(Exception):
    """The bounds of the search were reached."""


class _SampleWalk:
    def __init__(self, a: Words, b: Words, step: int, whole: bool) -> None:
        self._a = a
        self._b = b
        self._step = step
        self._whole = whole
        self._effort = 0

    def stretches(self) -> tuple[AlignedWords, ...] | None:
        found: list[AlignedWords] = []
        begin = at = (0, 0)
        try:
            while True:
                at = _ahead(at, equal_run(self._a, at[0], self._b, at[1]))
                if at[0] == len(self._a) or at[1] == len(self._b):
                    break
                sync = self._resync(at)
                if sync is None:
                    at = _ahead(at, self._next_calm(at))
                    continue
                end, new = self._seam(begin, at, sync)
                found.append(AlignedWords(*begin, end[0] - begin[0]))
                begin, at = new, sync
        except _GaveUpError:
            return None
        return (*found, AlignedWords(*begin, self._left(begin)))

    def _left(self, at: _Pair) -> int:
        return min(len(self._a) - at[0], len(self._b) - at[1])

    def _next_calm(self, at: _Pair) -> int:
        """Return how far it is to the next window of equal words at this lag, or to the end."""
        limit, done, chunk = self._left(at), 1, _FIRST
        while done < limit:
            (a, b), size = _ahead(at, done), min(chunk, limit - done)
            sums = np.cumsum(np.append(False, self._a[a : a + size] == self._b[b : b + size]))
            calm = sums[_WINDOW:] - sums[:-_WINDOW] == _WINDOW
            if calm.any():
                return done + int(np.argmax(calm))
            done += max(size - _WINDOW + 1, 1)
            chunk = min(chunk * 8, _MOST)
        return limit

    def _resync(self, at: _Pair) -> _Pair | None:
        """Return places in A and B from where they agree again at another lag; None to stay."""
        self._spend(1)
        if (end := self._common_end(at)) is not None:
            return end
        if self._misfit(at, _FAR) < _MARGIN:
            return None  # no other lag can fit better by the margin
        packets = list(self._packets(at)) if self._whole else []
        for place in packets:  # a loss or gain of whole packets: no need to search
            if self._misfit(place, _NEAR) <= _SLIPS and self._run(place):
                return place
        self._spend(_SEARCH)
        for offsets, reach in self._searches(self._left(at)):
            if (best := self._best(at, offsets, reach)) is not None:
                return best
            if any(self._stays(_ahead(at, offset)) for offset in offsets):
                return None
        to_the_end = (place for place in packets if 0 < self._left(place) <= self._run(place))
        return next(to_the_end, None)

    def _spend(self, effort: int) -> None:
        self._effort += effort
        if self._effort > _EFFORT:
            raise _GaveUpError

    def _run(self, at: _Pair) -> int:
        return equal_run(self._a, at[0], self._b, at[1])

    def _packets(self, at: _Pair) -> Iterator[_Pair]:
        """Yield the places after a loss and after a gain of a few packets."""
        for words in range(self._step, (_FITS + 1) * self._step, self._step):
            yield at[0] + words, at[1]
            yield at[0], at[1] + words

    def _common_end(self, at: _Pair) -> _Pair | None:
        """Return where the common end begins, where too little is left for a window to be found."""
        ends, left = (len(self._a), len(self._b)), self._left(at)
        late = ends[0] - ends[1] - at[0] + at[1]
        if not late or not 0 < left <= _NEAR * self._step:
            return None
        place = ends[0] - left, ends[1] - left
        # A few words are equal by chance, unless they're just what is left after a whole packet.
        is_whole = place[0] % self._step == 0 == late % self._step
        return place if self._run(place) == left and (left >= _WINDOW // 2 or is_whole) else None

    def _searches(self, left: int) -> Iterator[tuple[list[int], int]]:
        """Yield how far ahead windows are taken, farther each time, and how far they may be."""
        offsets = [0, 1, *range(_WINDOW, 2 * self._step + _WINDOW, _WINDOW)]
        while offsets := [offset for offset in offsets if offset + _WINDOW <= left]:
            yield offsets, max(_REACH, _FARTHER * offsets[-1])
            offsets = [offsets[-1] + max(_WINDOW, offsets[-1] // 8)]

    def _stays(self, at: _Pair) -> bool:
        return _tells(_window(self._bytes_a, at[0])) and self._is_found(at)

    def _is_found(self, at: _Pair) -> bool:
        """Return whether the windows that begin at these places are the same."""
        window = _window(self._bytes_a, at[0])
        return len(window) == _WINDOW_BYTES and window == _window(self._bytes_b, at[1])

    def _best(self, at: _Pair, offsets: Iterable[int], reach: int) -> _Pair | None:
        """Return the place at another lag that fits best, and better than staying by the margin."""
        lag, stay = at[0] - at[1], self._fit(at)
        fits: dict[int, tuple[tuple[int, int, int], _Pair]] = {}
        for place in (*self._packets(at), *self._found(at, offsets, reach)):
            late = place[0] - place[1] - lag
            if not late or late in fits or not self._is_found(place):
                continue
            # After a loss the same words of B count, after a gain those of A.
            fit = self._fit((at[0] + max(late, 0), at[1] + max(-late, 0)))
            if max(stay[1] - fit[1], stay[2] - fit[2]) >= _MARGIN:
                fits[late] = fit, place
        # What fits at once comes before what fits later: that may be behind another loss.
        fewest = min((fit[0] for fit, _ in fits.values()), default=0) + _SLIPS

        def rank(late: int) -> tuple[bool, int, int]:
            first, near, far = fits[late][0]
            bonus = self._step if late % self._step == 0 else 0
            return first > fewest, near + far - bonus, abs(late)

        return fits[min(fits, key=rank)][1] if fits else None

    def _fit(self, at: _Pair) -> tuple[int, int, int]:
        """Return how many words differ: within one packet, within a few, within many."""
        return self._misfit(at, 1), self._misfit(at, _NEAR), self._misfit(at, _FAR)

    def _misfit(self, at: _Pair, packets: int) -> int:
        """Return how many words of so many packets differ, those beyond one end included."""
        words = packets * self._step
        one, other = self._a[at[0] : at[0] + words], self._b[at[1] : at[1] + words]
        both, reach = sorted((len(one), len(other)))
        return int(np.count_nonzero(one[:both] != other[:both])) + reach - both

    def _found(self, at: _Pair, offsets: Iterable[int], reach: int) -> Iterator[_Pair]:
        """Yield the nearest places whose window has the hash of one that stands a little ahead."""
        for offset in offsets:
            a, b = _ahead(at, offset)
            if _tells(_window(self._bytes_b, b)):
                part = self._hashes_a[at[0] : at[0] + reach]
                for place in (part == self._hashes_b[b]).nonzero()[0][:_FITS]:
                    yield at[0] + int(place), b
            if _tells(_window(self._bytes_a, a)):
                part = self._hashes_b[at[1] : at[1] + reach]
                for place in (part == self._hashes_a[a]).nonzero()[0][:_FITS]:
                    yield a, at[1] + int(place)

    @cached_property
    def _bytes_a(self) -> bytes:
        return self._a.astype(np.int64).tobytes()

    @cached_property
    def _bytes_b(self) -> bytes:
        return self._b.astype(np.int64).tobytes()

    @cached_property
    def _hashes_a(self) -> _Hashes:
        return _window_hashes(self._a)

    @cached_property
    def _hashes_b(self) -> _Hashes:
        return _window_hashes(self._b)

    def _seam(self, begin: _Pair, at: _Pair, sync: _Pair) -> tuple[_Pair, _Pair]:
        """Return where the old stretch ends and where the new one begins.

        The walk began its stretch at `begin`, failed `at` and is sure of the new lag from `sync`
        on.  A loss leaves no word of B out, a gain none of A: there the seam can be anywhere.
        """
        is_loss = sync[0] - sync[1] > at[0] - at[1]
        own = 1 if is_loss else 0
        x, y = (self._b, self._a) if is_loss else (self._a, self._b)
        old, new = at[1 - own] - at[own], sync[1 - own] - sync[own]
        failed, sure = at[own], sync[own]
        low = failed - equal_run_back(x, failed, y, failed + new, failed - begin[own])
        part = x[low:sure]
        old_wrong = np.cumsum(np.append(False, part != y[low + old : sure + old]))
        new_wrong = np.cumsum(np.append(False, part != y[low + new : sure + new]))
        wrong = old_wrong + (new_wrong[-1] - new_wrong)
        ties = low + np.flatnonzero(wrong == wrong.min())
        on_edge = ties[(ties + (old if is_loss else 0)) % self._step == 0]
        best = int(on_edge[-1] if len(on_edge) else ties[-1])
        if is_loss:
            return (best + old, best), (best + new, best)
        return (best, best + old), (best, best + new)


def _ahead(at: _Pair, words: int) -> _Pair:
    return at[0] + words, at[1] + words


def _window_hashes(words: Words) -> _Hashes:
    """Return a hash of the window that begins at each word; shorter by a window less one."""
    hashes: _Hashes = words.astype(np.int64).view(np.uint64) + np.uint64(1 << 32)
    hashes *= np.uint64(_FACTORS[0])
    hashes ^= hashes >> np.uint64(29)
    if len(words) < _WINDOW:
        return hashes[:0]
    for width, factor in zip((1, 2, 4, 8), _FACTORS[1:], strict=True):
        hashes = hashes[:-width] * np.uint64(factor) + hashes[width:]
    return hashes


def _window(words: bytes, at: int) -> bytes:
    """Return the window of words, eight bytes each, that begins at a place; shorter at the end."""
    return words[at * _WORD_BYTES : at * _WORD_BYTES + _WINDOW_BYTES]


def _tells(window: bytes) -> bool:
    """Return whether a window can tell one place from another: a constant one cannot."""
    return len(window) == _WINDOW_BYTES and window != window[:_WORD_BYTES] * _WINDOW
