"""What the words of a dump show of how they were made: another notation, place or width.

Theory of operation.  Two kinds of facts count.  Bits where none may be set prove something whatever
the sound is.  Everything else asks for a smooth sound: of noise, silence, ramps and full scale to
and fro nothing is said.  A sound that was too loud goes on beyond full scale as smoothly as before
and comes back the same way, so that it is never far from where it was; in two's complement it does
so in its middle, which is what WRD-07 tells.
"""

from enum import Enum
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from dryload.emulator.wire.constants import MAX_BITS, MIN_BITS, PACKET_DATA_BYTES
from dryload.emulator.wire.messages import Header
from dryload.emulator.wire.sizes import bytes_per_word, unused_bits
from dryload.emulator.wire.words import unpack_words
from dryload.harness.judge.wordlook import bend_at_leaps, wrapped

_ENOUGH: Final = 64  # words of a channel below which nothing is said
_LEAST: Final = 32  # the same where leaps are counted
_VALUES: Final = 16  # different words; silence and full scale to and fro have a few
_STEP: Final = 16  # the usual step of a smooth sound is at most this part of the range
_SMOOTH: Final = 3  # the usual step is at most this part of half the range (noise: half of it)
_SURELY: Final = 4  # standard errors that the usual step has to lie below that of noise
_OFTEN: Final = 4  # of so many words one may leap
_EXCURSIONS: Final = 2
_CLEARLY: Final = 8  # times as many leaps
_BENT: Final = 0.5  # how much a sound may bend at its leaps
_WILDLY: Final = 2 / 3  # the same where it is followed closely
_RARE: Final = 8  # steps of which one at least goes the other way
_FOLLOWED: Final = 8192  # words
_WINDOW: Final = 64  # words that a forecast is made from
_ORDER: Final = 6  # words that it looks at
_BLOCK: Final = 8  # words that one forecast serves
_BEYOND: Final = 8  # words beyond full scale
_FEW: Final = 2  # words that damage to two bytes can change
Numbers = NDArray[np.int64]
Bytes = NDArray[np.uint8]


class Stray(Enum):
    """Where words stand that have bits set below the significant ones."""

    NONE = "none"
    FEW = "in one or two words"
    SOME = "in too few to say"
    RIGHT = "at the lower end"
    REVERSED = "low byte first"
    WIDE = "at both ends"


class WordsSeen(Struct, frozen=True, kw_only=True, eq=False):
    """The words of the right packets of a dump, filler included, and how they look."""

    header: Header
    rows: Bytes
    """Shape (words, bytes a word)."""
    words: Numbers

    @property
    def is_smooth(self) -> bool:
        """Whether read as the header says they are a smooth sound with no bit set in vain.

        Words that take another number of bytes, read so, are not: their bytes change places.
        """
        channels = max(self.header.channels, 1)
        if len(self.words) < _ENOUGH * channels or len(np.unique(self.words)) < _VALUES:
            return False
        if self.stray_words.any():
            return False
        steps = np.abs(self.words[channels:] - self.words[:-channels])
        return float(np.median(steps)) * _STEP <= 1 << self.header.bits

    @property
    def stray_words(self) -> NDArray[np.bool_]:
        """Which words have bits set below the significant ones (WRD-05)."""
        mask = np.uint8((1 << unused_bits(self.header.bits)) - 1)
        found: NDArray[np.bool_] = (self.rows[:, -1] & mask) != 0
        return found

    @property
    def stray(self) -> Stray:
        """What these bits say of all words."""
        unused = unused_bits(self.header.bits)
        count = int(self.stray_words.sum())
        if not count:
            return Stray.NONE
        if count <= _FEW < len(self.rows):
            return Stray.FEW
        if 4 * count < int(self.rows.any(axis=1).sum()):
            return Stray.SOME
        if not (self.rows[:, 0] & np.uint8(0x7F & ~(0x7F >> unused))).any():
            return Stray.RIGHT
        if not (self.rows[:, 0] & np.uint8((1 << unused) - 1)).any():
            return Stray.REVERSED
        return Stray.WIDE

    def is_spread(self) -> bool:
        """Whether each word takes one byte more than its bits need, so that every last one is 0."""
        width = bytes_per_word(self.header.bits) + 1
        data = self.rows.reshape(-1)
        if width > MAX_BITS // 7 or len(data) < 2 * PACKET_DATA_BYTES:
            return False
        rows = data.reshape(-1, width)
        used = int(rows.any(axis=1).sum())
        is_varied = used >= _ENOUGH and len(np.unique(rows[:, -2])) >= _VALUES
        return is_varied and not rows[:, -1].any()

    @property
    def sound(self) -> Numbers:
        """The words up to the length in the header, of all channels."""
        return self.words[: self.header.length * max(self.header.channels, 1)]

    @property
    def half(self) -> int:
        """Half the range of a word."""
        return 1 << (self.header.bits - 1)

    @property
    def leap_places(self) -> list[int]:
        """Words after which the sound leaps by more than half its range."""
        apart = max(self.header.channels, 1)
        far = np.abs(self.sound[apart:] - self.sound[:-apart]) > self.half
        return [int(at) for at in np.flatnonzero(far)]

    @property
    def passes_full_scale(self) -> bool:
        """Whether the sound leaps over full scale and back, in one channel at least."""
        channels = max(self.header.channels, 1)
        return any(_passes(self.sound[at::channels], self.half) for at in range(channels))

    @property
    def goes_beyond(self) -> bool:
        """Whether a sound, followed by what its last words foretell, passes full scale and returns.

        Each word may be meant a whole range higher or lower; of these the one nearest to the
        forecast is taken.  Noise cannot be foretold, so it says nothing.
        """
        half = self.half
        inside = int((np.abs(self.sound) < half // 2).sum())
        if self.header.channels > 1 or 4 * inside < len(self.sound):
            return False
        leaps = np.diff(self.sound)
        ways = np.unique(np.sign(leaps[np.abs(leaps) > half]))
        if len(ways) < 2 or bend_at_leaps([self.sound], half) > _WILDLY:
            return False
        heard = self.sound[:_FOLLOWED].astype(np.float64)
        meant, missed = heard.copy(), []
        for start in range(_WINDOW + _ORDER, len(heard), _BLOCK):
            weights = _forecast(meant[start - _WINDOW - _ORDER : start])
            for at in range(start, min(start + _BLOCK, len(heard))):
                due = float(weights @ meant[at - _ORDER : at])
                meant[at] = heard[at] + 2 * half * round((due - heard[at]) / (2 * half))
                missed.append(abs(meant[at] - due))
                if abs(meant[at]) >= 2 * half:
                    return False
        beyond = int((np.abs(meant) >= half).sum())
        return beyond >= _BEYOND and float(np.median(missed)) < half / 5

    @property
    def rises_and_falls(self) -> bool:
        """Whether the sound does both, followed across its leaps; a ramp that wraps does not."""
        channels = max(self.header.channels, 1)
        steps = wrapped(self.sound[channels:] - self.sound[:-channels], self.half)
        return _RARE * min(int((steps > 0).sum()), int((steps < 0).sum())) >= len(steps)


def words_seen(data: bytes, header: Header | None) -> WordsSeen | None:
    """Return the words in the data bytes of packets; None where no width is known."""
    if header is None or not MIN_BITS <= header.bits <= MAX_BITS:
        return None
    rows = np.frombuffer(data, np.uint8)
    words = unpack_words(rows, header.bits).astype(np.int64)
    return WordsSeen(header=header, rows=rows.reshape(-1, bytes_per_word(header.bits)), words=words)


def _forecast(past: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the weights by which each word follows best from those before it, oldest first."""
    rows = np.lib.stride_tricks.sliding_window_view(past, _ORDER)[:-1]
    return np.asarray(np.linalg.lstsq(rows, past[_ORDER:], rcond=1e-3)[0], np.float64)


def _passes(words: Numbers, half: int) -> bool:
    """Whether the words of one channel leap over full scale and back."""
    if len(words) < _LEAST or len(np.unique(words)) < _LEAST:
        return False
    steps = np.diff(words)
    ways = np.sign(steps[np.abs(steps) > half])
    if len(np.unique(ways)) < 2 or _OFTEN * len(ways) > len(steps):
        return False
    # How many ranges the sound is away from where it began: over full scale, below it, or neither.
    away = np.cumsum(np.append(0, -ways))
    turned = int((np.abs(np.diff(wrapped(words + half, half))) > half).sum())
    # Of few words the median scatters: that of noise is half of half, give or take 1 / (2 sqrt n).
    usual = min(1 / _SMOOTH, 0.5 - _SURELY * 0.5 / len(steps) ** 0.5)
    return (
        float(np.median(np.abs(wrapped(steps, half)))) <= half * usual
        and int(away.max() - away.min()) <= _EXCURSIONS
        and _CLEARLY * turned > len(ways)  # else it is two's complement
        and bend_at_leaps([words], half) <= _BENT
    )
