"""What a unit does to samples by itself: words come back otherwise, and no memory is to blame.

Theory of operation.  A fault of the memory lies at certain words or in certain lines, wherever the
samples begin.  What follows the samples instead is the unit's doing, or that of the way there: all
are moved, their ends are changed, or one has a packet twice.  So is what keeps the rank of every
value all over the memory, as a change of level and rounding do, and a sign that is taken otherwise.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import Final, TypeAlias

import numpy as np

from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.sizes import words_per_packet
from dryload.harness.prove.evidence import PassEvidence
from dryload.harness.prove.words import USUAL_WIDTH, Values

_NEARLY: Final = 0.99
_SAMPLES: Final = 3  # fewer may be wrong at their ends by chance
_MOST: Final = 3 / 4
"""Of the samples: a unit that raises the level leaves one as it is that is loud enough."""
_FAR: Final = 8  # words that a sample may be moved by
_VALUES: Final = 32  # fewer are no change of level
_SURE_BITS: Final = 10  # what rounding and dither leave as it is
_Sample: TypeAlias = tuple[Values, Values]
"""What was written and read of one."""


def way_of_unit(seen: PassEvidence, *, is_explained: bool) -> str:
    """Return in plain words what the unit does, without a full stop; "" where it is the memory.

    Where a fault of the memory explains what was read, only what follows the samples counts.
    """
    step = words_per_packet(seen.width)
    samples = []
    for start, end in pairwise([*seen.starts, len(seen.written)]):
        here = slice(start, start + int(seen.known[start:end].sum()))
        samples.append((seen.written[here], seen.read[here]))
    samples = [each for each in samples if len(each[0]) > 4 * step]
    bad = [each for each in samples if (each[0] != each[1]).any()]
    what = ""
    if bad and all(_is_torn(each, step) for each in bad):
        what = "a sample has a packet twice, or lacks one: that happened on the way, or in the unit"
    elif not bad or len(bad) < _MOST * len(samples):
        pass
    elif len(bad) >= _SAMPLES and all(_is_at_ends(each, step) for each in bad):
        most = max(int((written != read).sum()) for written, read in bad)
        what = f"the unit changes up to {counted(most, 'word')} at the beginning or end of a sample"
    elif any(all(_is_moved(each, far) for each in bad) for far in range(-_FAR, _FAR + 1) if far):
        what = "the unit moves each sample by a few words"
    elif not is_explained and _is_converted(bad, seen.bits):
        what = (
            "samples came back changed in the same way from all of the memory: the unit converts "
            "them, so that they can't be compared; if by its manual it does not, its memory is "
            "bad everywhere"
        )
    return what


def _is_torn(sample: _Sample, step: int) -> bool:
    """Whether a packet is there twice, or not at all: what follows is a packet late, or early."""
    written, read = sample
    first = int(np.flatnonzero(written != read)[0])
    rest, right = read[first:], written[first:]
    if first % step or len(rest) == 1:  # one word may be right by chance
        return False
    is_late = first > 0 and np.array_equal(rest, written[first - step : -step])
    return is_late or (len(rest) > step + 1 and np.array_equal(rest[:-step], right[step:]))


def _is_at_ends(sample: _Sample, step: int) -> bool:
    at = np.flatnonzero(sample[0] != sample[1])
    return bool(((at < step) | (at >= len(sample[0]) - step)).all())


def _is_moved(sample: _Sample, far: int) -> bool:
    written, read = sample if far > 0 else sample[::-1]
    far = abs(far)
    return float((read[far:] == written[:-far]).mean()) >= _NEARLY


def _is_converted(bad: Sequence[_Sample], bits: int) -> bool:
    """Whether values keep their rank, or are turned over, or have another sign or byte order."""
    if min(len(np.unique(read)) for _, read in bad) < _VALUES:
        return False
    off = 1 << max(bits - _SURE_BITS, 1)
    if any(all(_keeps_rank(each, sign, off) for each in bad) for sign in (1, -1)):
        return True
    written, read = (np.concatenate(each) for each in zip(*bad, strict=True))
    ways = [written ^ np.uint32(1 << bits - 1)]
    if bits == USUAL_WIDTH:
        ways.append(written >> np.uint32(8) | (written & np.uint32(255)) << np.uint32(8))
    return any(float((read == each).mean()) >= _NEARLY for each in ways)


def _keeps_rank(sample: _Sample, sign: int, off: int) -> bool:
    """Whether the larger of two words came back as the larger, or less by `off`, or always not."""
    written, read = sample
    if float((written != read).mean()) < 1 / 4:
        return False
    ranked = sign * read[np.argsort(written)].astype(np.int64)
    return float((np.maximum.accumulate(ranked) - ranked <= off).mean()) >= _NEARLY
