"""What the words of a dump show of how they were made: another notation, place or width.

Theory of operation.  Two kinds of facts count.  Bits where none may be set prove something whatever
the sound is.  Everything else asks for a smooth sound: of noise, silence, ramps and full scale to
and fro nothing is said.  Every word may be meant a whole range higher or lower.  A sound that was
too loud goes on beyond full scale as smoothly as before and comes back the same way, so that it is
never far from where it was.  In two's complement it leaps in its middle, and is smooth with the top
bit turned over.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from emulator.wire.constants import MAX_BITS, MIN_BITS, PACKET_BYTES, PACKET_DATA_BYTES
from emulator.wire.messages import Header
from emulator.wire.packets import DATA
from emulator.wire.sizes import bytes_per_word, unused_bits
from emulator.wire.words import unpack_words
from harness.judge.account import Difference, Kind
from harness.judge.alteration import altered

_ENOUGH: Final = 64  # words of a channel below which nothing is said
_LEAST: Final = 32  # the same where leaps are counted
_VALUES: Final = 16  # different words; silence and full scale to and fro have a few
_STEP: Final = 16  # the usual step of a smooth sound is at most this part of the range
_SMOOTH: Final = 3  # the usual step is at most this part of half the range (noise: half of it)
_MOSTLY: Final = 0.9
_OFTEN: Final = 4  # of so many words one may leap
_EXCURSIONS: Final = 2
_CLEARLY: Final = 8  # times as many leaps
_SLOWER: Final = 5  # parts of its usual step that a sound goes on by at a leap
_BENDS: Final = 2  # times the bends that it has elsewhere
_BENT: Final = 4  # a sound that bends by this part of half the range leaps everywhere
_CORNER: Final = 6  # the same for a single corner, as a triangle has them
_CORNERS: Final = 4  # leaps that make a corner beside one of them its habit
_ROUNDED: Final = 4  # what rounding adds to a bend
_RARE: Final = 8  # steps of which one at least goes the other way
_STILL: Final = 4  # parts of its mean step that a sound usually goes on by
_SHORT: Final = 8  # mean steps that a word may go on by across a jump
_FOLLOWED: Final = 8192  # words
_WINDOW: Final = 64  # words that a forecast is made from
_ORDER: Final = 6  # words that it looks at
_BLOCK: Final = 8  # words that one forecast serves
_BEYOND: Final = 8  # words beyond full scale
_FEW: Final = 2  # words that damage to two bytes can change
Numbers = NDArray[np.int64]
Bytes = NDArray[np.uint8]


class Leaps(Enum):
    """How a sound leaps by its whole range."""

    NONE = "none"
    OVER = "over full scale and back"
    TURNED = "in its middle"
    OTHERWISE = "otherwise, or nobody can tell"


class Stray(Enum):
    """Where words stand that have bits set below the significant ones."""

    NONE = "none"
    FEW = "in one or two words"
    SOME = "in too few to say"
    RIGHT = "at the lower end"
    REVERSED = "low byte first"
    WIDE = "at both ends"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WordsSeen:
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
    def leaps(self) -> Leaps:
        """How the sound leaps, all channels alike."""
        channels, half = max(self.header.channels, 1), 1 << (self.header.bits - 1)
        looks = {_look(self.sound[channel::channels], half) for channel in range(channels)}
        if Leaps.OTHERWISE in looks or len(looks - {Leaps.NONE}) != 1:
            return Leaps.OTHERWISE
        return (looks - {Leaps.NONE}).pop()

    @property
    def leap_places(self) -> list[int]:
        """Words after which the sound leaps by more than half its range."""
        channels, half = max(self.header.channels, 1), 1 << (self.header.bits - 1)
        far = np.flatnonzero(np.abs(self.sound[channels:] - self.sound[:-channels]) > half)
        return [int(at) for at in far]

    @property
    def turns_once(self) -> bool:
        """Whether it leaps once, and with the top bit turned begins in the middle, and rises and
        falls.

        A ramp that wraps only rises or only falls.
        """
        half = 1 << (self.header.bits - 1)
        if self.header.channels > 1 or len(self.sound) < _ENOUGH or len(self.leap_places) != 1:
            return False
        meant = _wrapped(self.sound + half, half)
        steps = np.diff(meant)
        ways = int((steps > 0).sum()), int((steps < 0).sum())
        return (
            _RARE * min(ways) >= len(steps)
            and len(np.unique(np.abs(steps))) >= _VALUES
            and int(np.abs(steps).max()) <= 2 * half // _STEP
            and abs(int(meant[0])) <= _RARE * float(np.abs(steps).mean())
        )

    @property
    def jumps_both_ways(self) -> bool:
        """Whether a sound jumps by its whole range, up and down, and goes on across the jumps."""
        channels, half = max(self.header.channels, 1), 1 << (self.header.bits - 1)
        if len(self.sound) < _ENOUGH:
            return False
        steps = self.sound[channels:] - self.sound[:-channels]
        true = np.abs(_wrapped(steps, half))  # whatever the reading, the same modulo the range
        mean = float(true.mean())
        jumps = steps[(np.abs(steps) > half) & (true <= _SHORT * mean)]
        is_both = bool((jumps > 0).any() and (jumps < 0).any())
        stands_still = _STILL * float(np.median(true)) < mean  # between its leaps
        return is_both and len(np.unique(true)) >= _VALUES and not stands_still

    @property
    def is_smooth_turned(self) -> bool:
        """Whether the sound, followed across its jumps, goes on by small steps."""
        channels, half = max(self.header.channels, 1), 1 << (self.header.bits - 1)
        true = np.abs(_wrapped(self.sound[channels:] - self.sound[:-channels], half))
        return float(true.mean()) <= 2 * half / _STEP

    @property
    def goes_beyond(self) -> bool:
        """Whether a sound, followed by what its last words foretell, passes full scale and returns.

        Each word may be meant a whole range higher or lower; of these the one nearest to the
        forecast is taken.  Noise cannot be foretold, so it says nothing.
        """
        half = 1 << (self.header.bits - 1)
        inside = int((np.abs(self.sound) < half // 2).sum())
        if self.header.channels > 1 or 4 * inside < len(self.sound):
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

    def ends_far_from(self, last_words: int) -> bool:
        """Whether the sound before its last words is smooth and far from full scale."""
        channels, half = max(self.header.channels, 1), 1 << (self.header.bits - 1)
        before = self.sound[: len(self.words) - last_words]
        steps = np.abs(before[channels:] - before[:-channels])
        if len(before) <= channels or len(np.unique(steps)) < _VALUES // 2:
            return False
        is_near = int(before[-channels:].min()) < -half + 2 * half // _STEP
        return not is_near and int(steps.max(initial=0)) <= 4 * half // _STEP


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


def _look(words: Numbers, half: int) -> Leaps:
    """Say how the words of one channel leap."""
    if len(words) < _LEAST or len(np.unique(words)) < _LEAST:
        return Leaps.OTHERWISE
    steps = np.diff(words)
    true = _wrapped(steps, half)
    far = np.flatnonzero(np.abs(steps) > half)
    if float(np.median(np.abs(true))) > half / _SMOOTH:
        return Leaps.OTHERWISE
    if not len(far):
        return Leaps.NONE
    if len(far) < _EXCURSIONS or _OFTEN * len(far) > len(steps):
        return Leaps.OTHERWISE
    if not _goes_on(steps, true, far, half) or not _is_smooth_across(words, half):
        return Leaps.OTHERWISE
    turned = int((np.abs(np.diff(_wrapped(words + half, half))) > half).sum())
    return Leaps.TURNED if _CLEARLY * turned <= len(far) else Leaps.OVER


def _goes_on(steps: Numbers, true: Numbers, far: Numbers, half: int) -> bool:
    """Whether the sound goes on across its leaps, and comes back from each."""
    inner = far[(far > 0) & (far < len(steps) - 1)]
    bends = np.abs(true[inner] - true[inner - 1]) + np.abs(true[inner + 1] - true[inner])
    # How many ranges the sound is away from where it began: over full scale, below it, or neither.
    away = np.concatenate([[0], np.cumsum(-np.sign(steps[far]))])
    return (
        len(inner) > 0
        and float((bends <= half / _SMOOTH).mean()) >= _MOSTLY
        and int(away.max() - away.min()) <= _EXCURSIONS
        and len(np.unique(np.sign(steps[far]))) > 1
    )


def _is_smooth_across(words: Numbers, half: int) -> bool:
    """Whether a sound, followed across its leaps of the range, goes on there as it does elsewhere.

    The edges of a square wave or of a clipped sound leap as far, but there the sound stands still
    or bends far more than anywhere else.
    """
    leaps = np.diff(words)
    far = np.flatnonzero(np.abs(leaps) > half)
    steps = _wrapped(leaps, half)
    sizes = np.abs(steps)
    inner = far[(far > 0) & (far < len(steps) - 1)]
    usual = float(np.median(sizes))
    if not len(inner) or not usual or float(np.median(sizes[far])) * _SLOWER < usual:
        return False
    bends = np.abs(np.diff(steps))  # the one at a place lies between its step and the next
    at_leaps = np.maximum(bends[inner - 1], bends[inner])
    elsewhere = np.ones(len(bends), np.bool_)
    elsewhere[inner] = elsewhere[inner - 1] = False
    if int(elsewhere.sum()) < _VALUES:
        return False
    most = float(np.quantile(bends[elsewhere], _MOSTLY))
    if most > half / _BENT:
        return False  # of corners alone
    corner = min(int(bends[elsewhere].max()), half // _CORNER) if len(inner) >= _CORNERS else 0
    return float((at_leaps <= max(_BENDS * most, corner) + _ROUNDED).mean()) >= _MOSTLY


def _wrapped(steps: Numbers, half: int) -> Numbers:
    return (steps + half) % (2 * half) - half


# The same words in another form.


def form_of(pairs: Sequence[tuple[bytes, bytes]], bits: int) -> str:
    """Return in which other form all words of packets are those expected; "" where in none.

    The pairs are packets as expected and as found.
    """
    whole = all(len(one) == len(other) == PACKET_BYTES for one, other in pairs)
    if not MIN_BITS <= bits <= MAX_BITS or not whole:
        return ""
    expected, found = (
        unpack_words(np.frombuffer(b"".join(packet[DATA] for packet in side), np.uint8), bits)
        for side in zip(*pairs, strict=True)
    )
    lowest = -(1 << (bits - 1))
    filler = (expected == lowest) & (found == lowest)  # stays 00 in whatever form the words are
    forms = (
        ("two's complement", Difference(kind=Kind.TOP_BIT_FLIPPED)),
        ("low byte first", Difference(kind=Kind.BYTES_REVERSED)),
        ("at the lower end", Difference(kind=Kind.RIGHT_JUSTIFIED, bits=unused_bits(bits))),
    )
    for name, how in forms:
        if ((altered(expected.astype(np.int32), how, bits) == found) | filler).all():
            return name
    return ""
