"""What is done to a recording before it becomes words: cut, trimmed, made louder, faded.

Its loop moves along.  Frames that were touched are floating-point, 1.0 being full scale.
"""

from math import log10
from typing import Any, Final

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from dryload.harness.files.audio import Recording, as_floats
from dryload.harness.files.problem import Problem

_SILENT: Final = 1e-30  # of full scale; no width of words comes near it


def with_remarks(recording: Recording, *remarks: str) -> Recording:
    """Return a recording of which more is to be said."""
    return replace(recording, remarks=(*recording.remarks, *remarks))


def cut(recording: Recording, start: int, length: int | None = None) -> Recording:
    """Return `length` frames from `start` on; a loop that is not whole in them is left out."""
    frames = len(recording.frames)
    stop = frames if length is None else start + length
    if not 0 <= start < stop <= frames:
        raise Problem(f"frames {start:,} to {stop - 1:,} are not in the sound: it has {frames:,}.")
    if (start, stop) == (0, frames):
        return recording
    made = replace(recording, frames=recording.frames[start:stop])
    loop = recording.loop
    if loop is None:
        return made
    if not start <= loop.start <= loop.end < stop:
        said = f"its loop from frame {loop.start:,} to {loop.end:,} is left out: the cut goes there"
        return with_remarks(replace(made, loop=None), said)
    return replace(made, loop=replace(loop, start=loop.start - start, end=loop.end - start))


def trimmed(recording: Recording, level_db: float) -> Recording:
    """Return a recording without what is no louder at its ends; a loop is kept whole."""
    frames: NDArray[Any] = recording.frames
    level = _factor(level_db) * (2.0**31 if frames.dtype == np.int32 else 1.0)
    loud = np.flatnonzero(((frames > level) | (frames < -level)).any(axis=1))
    if not len(loud):
        return with_remarks(recording, f"nothing is louder than {level_db:g} dB: it is not trimmed")
    first, last = int(loud[0]), int(loud[-1])
    if recording.loop is not None:
        first, last = min(first, recording.loop.start), max(last, recording.loop.end)
    gone = first, len(frames) - 1 - last
    if not any(gone):
        return recording
    said = (
        f"trimmed at {level_db:g} dB: {gone[0]:,} frames at the beginning, {gone[1]:,} at the end"
    )
    return with_remarks(cut(recording, first, last + 1 - first), said)


def louder(recording: Recording, gain_db: float) -> Recording:
    """Return a recording with a gain."""
    with np.errstate(over="ignore", invalid="ignore"):  # what is beyond full scale is clipped
        return replace(recording, frames=as_floats(recording) * _factor(gain_db))


def normalised(recording: Recording, peak_db: float) -> Recording:
    """Return a recording whose loudest frame is at `peak_db`; silence stays what it is."""
    frames = as_floats(recording)
    peak = float(np.abs(frames).max(where=np.isfinite(frames), initial=0.0))
    if peak < _SILENT:
        return with_remarks(recording, "it is silent: there is nothing to normalise")
    gain_db = peak_db - 20 * log10(peak)
    said = f"normalised to {peak_db:g} dB: a gain of {gain_db:+.2f} dB"
    return with_remarks(louder(recording, gain_db), said)


def faded(recording: Recording, in_s: float, out_s: float) -> Recording:
    """Return a recording that begins and ends in straight slopes; one that is longer is cut."""
    frames = as_floats(recording).copy()
    rise, fall = (min(round(each * recording.rate), len(frames)) for each in (in_s, out_s))
    with np.errstate(invalid="ignore"):
        frames[:rise] *= (np.arange(rise) / max(rise, 1))[:, None]
        frames[len(frames) - fall :] *= (np.arange(fall)[::-1] / max(fall, 1))[:, None]
    made = replace(recording, frames=frames)
    loop = recording.loop
    if loop is not None and (loop.start < rise or loop.end >= len(frames) - fall):
        return with_remarks(made, "a fade reaches into the loop, which is heard at its seam")
    return made


def _factor(level_db: float) -> float:
    return float(10.0 ** (level_db / 20.0))
