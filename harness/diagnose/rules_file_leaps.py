"""A smooth sound that leaps: over full scale and back, or wherever it passes its middle.

Theory of operation.  Every word may be meant a whole range higher or lower.  A sound that was too
loud goes on beyond full scale as smoothly as before and comes back the same way, so that it is
never far from where it was.  In two's complement it leaps in its middle, and is smooth with the top
bit turned over.  Noise is never smooth, a ramp leaps one way only, and full scale to and fro has
too few values.
"""

from collections.abc import Iterator
from enum import Enum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from emulator.wire.constants import MAX_BITS, MIN_BITS
from harness.diagnose.cause import Strength, Suspicion
from harness.diagnose.rules_file_common import found, header_place, suspect
from harness.diagnose.rules_file_sound import is_smooth_across, words_of
from harness.diagnose.scene import DumpScene

_ENOUGH: Final = 32  # words of a channel
_VALUES: Final = 32  # of words; full scale to and fro has two or three
_SMOOTH: Final = 3  # the usual step is at most this part of half the range (noise: half of it)
_MOSTLY: Final = 0.9  # of the leaps
_OFTEN: Final = 4  # of so many words one may leap
_EXCURSIONS: Final = 2
_CLEARLY: Final = 8  # times as many leaps
Numbers = NDArray[np.int64]


class _Leaps(Enum):
    NONE = "none"
    OVER = "over"
    TURNED = "turned"
    OTHERWISE = "otherwise"


def leaps(dump: DumpScene) -> Iterator[Suspicion]:
    """Two's complement (T35), and an overload that wraps (T39)."""
    header = dump.header
    if header is None or not MIN_BITS <= header.bits <= MAX_BITS or found(dump, "WRD-05"):
        return
    channels, half = max(header.channels, 1), 1 << (header.bits - 1)
    words = words_of(dump)[: header.length * channels]
    looks = {_look(words[channel::channels], half) for channel in range(channels)}
    if _Leaps.OTHERWISE in looks or len(looks - {_Leaps.NONE}) != 1:
        return
    if _Leaps.TURNED in looks:
        yield suspect(
            dump,
            "two's complement",
            Strength.STRONG,
            "The sound jumps by the whole range wherever it passes its middle, and is smooth with "
            "the top bit of every word turned over.",
            at=header_place(dump),
        )
        return
    steps = words[channels:] - words[:-channels]
    far = np.flatnonzero(np.abs(steps) > half)
    at = int(far[0])
    yield suspect(
        dump,
        "overload wraps",
        Strength.STRONG,
        f"At word {at + channels:,} the sound leaps from {int(words[at]):,} to "
        f"{int(words[at + channels]):,}, in {len(far):,} places in all, and goes on as if it had "
        "passed full scale.",
        at=header_place(dump),
    )


def _look(words: Numbers, half: int) -> _Leaps:
    """Say how the words of one channel leap."""
    if len(words) < _ENOUGH or len(np.unique(words)) < _VALUES:
        return _Leaps.OTHERWISE
    steps = np.diff(words)
    true = _wrapped(steps, half)
    far = np.flatnonzero(np.abs(steps) > half)
    if float(np.median(np.abs(true))) > half / _SMOOTH:
        return _Leaps.OTHERWISE
    if not len(far):
        return _Leaps.NONE
    if len(far) < 2 or _OFTEN * len(far) > len(steps) or not _goes_on(steps, true, far, half):
        return _Leaps.OTHERWISE
    if not is_smooth_across(words, half):
        return _Leaps.OTHERWISE
    turned = int((np.abs(np.diff(_wrapped(words + half, half))) > half).sum())
    return _Leaps.TURNED if _CLEARLY * turned <= len(far) else _Leaps.OVER


def _goes_on(steps: Numbers, true: Numbers, far: Numbers, half: int) -> bool:
    """Whether the sound goes on across its leaps, and comes back from each."""
    inner = far[(far > 0) & (far < len(steps) - 1)]
    bends = np.abs(true[inner] - true[inner - 1]) + np.abs(true[inner + 1] - true[inner])
    # How many ranges the sound is away from where it began: over full scale, below it, or neither.
    away = np.concatenate([[0], np.cumsum(-np.sign(steps[far]))])
    return (
        len(inner) > 0
        and float((bends <= half / _SMOOTH).mean()) >= _MOSTLY
        and int(away.max() - away.min()) <= _EXCURSIONS <= len(far)
        and len(np.unique(np.sign(steps[far]))) > 1
    )


def _wrapped(steps: Numbers, half: int) -> Numbers:
    return (steps + half) % (2 * half) - half
