"""The words of a dump as its header has them, and whether they look like a sound read so.

Theory of operation.  Several rules look at the same words, so they are unpacked once a dump.
"""

from typing import Any, Final
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from emulator.wire.constants import MAX_BITS, MIN_BITS
from emulator.wire.sizes import bytes_per_word, unused_bits
from emulator.wire.words import unpack_words
from harness.diagnose.rules_file_common import sound_data
from harness.diagnose.scene import DumpScene

Numbers = NDArray[np.int64]
_ENOUGH: Final = 64  # words of a channel below which nothing is said
_VALUES: Final = 16  # different words; silence and full scale to and fro have a few
_STEP: Final = 16  # the usual step of a smooth sound is at most this part of the range
_SLOWER: Final = 5  # parts of its usual step that a sound goes on by at a leap
_BENDS: Final = 2  # times the bends that it has elsewhere
_BENT: Final = 4  # a sound that bends by this part of half the range leaps everywhere
_CORNER: Final = 6  # the same for a single corner, as a triangle has them
_CORNERS: Final = 4  # leaps that make a corner beside one of them its habit
_ROUNDED: Final = 4  # what rounding adds to a bend
_MOSTLY: Final = 0.9
_read: WeakKeyDictionary[DumpScene, Numbers] = WeakKeyDictionary()


def words_of(dump: DumpScene) -> Numbers:
    """Return all words that came in sound packets, filler too; none where no width is known."""
    words = _read.get(dump)
    if words is None:
        words = _read[dump] = _unpacked(dump)
    return words


def _unpacked(dump: DumpScene) -> Numbers:
    header = dump.header
    if header is None or not MIN_BITS <= header.bits <= MAX_BITS:
        return np.zeros(0, np.int64)
    data: NDArray[Any] = np.frombuffer(sound_data(dump), np.uint8)
    words = unpack_words(data, header.bits).astype(np.int64)
    words.flags.writeable = False  # several rules share them
    return words


def is_smooth_as_told(dump: DumpScene) -> bool:
    """Whether the data read as the header says are a smooth sound with no bit set in vain.

    Words that take another number of bytes, read so, are not: their bytes change places.
    """
    header, words = dump.header, words_of(dump)
    channels = 1 if header is None else max(header.channels, 1)
    if header is None or len(words) < _ENOUGH * channels or len(np.unique(words)) < _VALUES:
        return False
    rows = np.frombuffer(sound_data(dump), np.uint8).reshape(-1, bytes_per_word(header.bits))
    if (rows[:, -1] & np.uint8((1 << unused_bits(header.bits)) - 1)).any():
        return False
    steps = np.abs(words[channels:] - words[:-channels])
    return float(np.median(steps)) * _STEP <= 1 << header.bits


def is_smooth_across(words: Numbers, half: int) -> bool:
    """Whether a sound, followed across its leaps of the range, goes on there as it does elsewhere.

    The edges of a square wave or of a clipped sound leap as far, but there the sound stands still
    or bends far more than anywhere else.
    """
    leaps = np.diff(words)
    far = np.flatnonzero(np.abs(leaps) > half)
    steps = (leaps + half) % (2 * half) - half
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


__all__ = ["Numbers", "is_smooth_across", "is_smooth_as_told", "words_of"]
