"""What a unit would play of a sample: from words to sound, by its loop and by the key.

Theory of operation.  First the course: which frame of the sample is played after which, from the
key's being pressed until it is let go, as the loop type says (HDR-08, EXT-04), exact at every seam.
Then the pitch: a key above the root plays the course faster, by a factor of 2 every twelve keys,
which is a resampling from another rate.  How a unit interpolates, filters and shapes its sound is
its own affair; this is the sample as it was meant.
"""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import soxr
from msgspec import Struct
from numpy.typing import NDArray

from dryload.emulator.dump.sample import Loop, Sample
from dryload.harness.files.problem import Problem
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.rehearse import Rehearsal

RATE: Final = 44_100
"""Hz of the sound that is made."""
LEVEL_DB: Final = -12.0
"""How loud the loudest word of a unit may come out, below the full scale of the sound (our choice):
damage and a wrong byte order are noise at full scale."""
_FADE_S: Final = 0.005  # so that letting the key go is no click, which the sample doesn't have
_GAP_S: Final = 0.25  # between two keys
_MOST: Final = 1 << 26
"""Frames of the longest course."""

_BACKWARD: Final = 0x40  # EXT-04, CA-019 pp. 2-3: the bit in which backward types differ
_TO_AND_FRO: Final = (0x01, 0x03, 0x41, 0x43)
_RELEASED: Final = (0x02, 0x03, 0x42, 0x43)
_ONCE: Final = (0x7E, 0x7F)


class Voice(Struct, frozen=True, kw_only=True, eq=False):
    """A sample, and the keys that play it one after another: MIDI note numbers."""

    sample: Sample
    keys: tuple[int, ...] = (60,)
    root: int = 60
    """The key at which it has its own pitch."""


class Playing(Struct, frozen=True, kw_only=True):
    """How samples are to be played."""

    seconds: float = 2.0
    """How long each key is held."""
    level_db: float = LEVEL_DB


def held_after(rehearsal: Rehearsal, dump: Dump) -> Sample:
    """Return what an emulated unit holds of a dump that is played to it; a Problem for nothing.

    Its loop ends with the last word that the unit plays.
    """
    transfer = rehearsal.play(dump)
    if transfer.holds is None:
        name = rehearsal.unit.profile.name
        raise Problem(f"{name} keeps nothing of {dump.place}: {transfer.reason}.")
    return transfer.holds


def played(voices: Sequence[Voice], how: Playing) -> NDArray[np.float32]:
    """Return the sound, one key after another: frames by channels, 1.0 being full scale, at `RATE`.

    Where some are in stereo, those in mono are heard on both sides.
    """
    channels = max(voice.sample.channels for voice in voices)
    gap = np.zeros((round(_GAP_S * RATE), channels), np.float32)
    parts: list[NDArray[np.float32]] = []
    for voice in voices:
        for key in voice.keys:
            wide = _wide(_key(voice, key, how), channels)
            parts += [gap, wide] if parts else [wide]
    sound = np.concatenate(parts)
    # Between its words a sound can be louder than the loudest of them.
    peak = float(np.abs(sound).max(initial=0.0))
    limit = 10.0 ** (how.level_db / 20.0)
    return sound if peak <= limit else sound * np.float32(limit / peak)


def _key(voice: Voice, key: int, how: Playing) -> NDArray[np.float32]:
    sample = voice.sample
    speed = 2.0 ** ((key - voice.root) / 12.0)
    held = round(how.seconds * float(sample.rate) * speed)
    course = course_of(sample.frames, sample.sustain, held)
    frames = sample.words.reshape(-1, sample.channels)[course].astype(np.float32)
    frames *= np.float32(10.0 ** (how.level_db / 20.0) / (1 << (sample.bits - 1)))
    if not len(frames):
        return np.zeros((0, sample.channels), np.float32)
    made = soxr.resample(frames, float(sample.rate) * speed, RATE, quality="VHQ")
    sound = np.asarray(made, np.float32).reshape(-1, sample.channels)
    if len(course) >= held:  # it was still sounding
        fade = min(round(_FADE_S * RATE), len(sound))
        sound[len(sound) - fade :] *= np.linspace(1.0, 0.0, fade, dtype=np.float32)[:, None]
    return sound


def _wide(sound: NDArray[np.float32], channels: int) -> NDArray[np.float32]:
    """Return a sound with more channels: mono on all of them, others with silence beside."""
    if sound.shape[1] == 1:
        return np.repeat(sound, channels, axis=1)
    return np.pad(sound, ((0, 0), (0, channels - sound.shape[1])))


def course_of(frames: int, loop: Loop, held: int) -> NDArray[np.intp]:
    """Return which frames are played, in order, while a key is held for `held` frames.

    To and fro, the frames at which it turns are played once each time.  Types that play the rest
    after the key was let go do so from where the loop is left.
    """
    if held > _MOST:
        raise Problem(
            f"{held:,} frames are too many: {_MOST:,} can be played for one key.",
            do="Give fewer --seconds, or a lower key.",
        )
    backward = bool(loop.loop_type & _BACKWARD) and loop.loop_type != 0x7F
    whole = np.arange(frames)[::-1] if backward else np.arange(frames)
    first, last = loop.start, loop.end
    if loop.loop_type in _ONCE or not 0 <= first <= last < frames:
        return whole[:held]
    around = np.arange(first, last + 1)
    if backward:
        around = around[::-1]
    before = whole[: _steps_to(whole, int(around[0]))]
    if loop.loop_type in _TO_AND_FRO:
        around = np.concatenate([around, around[-2:0:-1]])
    rounds = max(-(-(held - len(before)) // len(around)), 0)
    course = np.concatenate([before, np.tile(around, rounds)])
    if loop.loop_type not in _RELEASED:
        return course[:held]
    # The loop is finished and the rest follows, beyond what the key was held for.
    begin, end = (last, first) if backward else (first, last)
    if loop.loop_type in _TO_AND_FRO and rounds:
        course = np.concatenate([course, whole[_steps_to(whole, begin) :][: last - first + 1]])
    return np.concatenate([course, whole[_steps_to(whole, end) + 1 :]])


def _steps_to(whole: NDArray[np.intp], frame: int) -> int:
    """Return how many frames are played before one, played straight on."""
    return frame if whole[0] == 0 else int(whole[0]) - frame


def as_words(sound: NDArray[Any], bits: int = 24) -> NDArray[np.int32]:
    """Return sound as words of an audio file, flat."""
    top = 1 << (bits - 1)
    scaled = np.rint(sound.astype(np.float64) * top)
    return np.clip(scaled, -top, top - 1).astype(np.int32).reshape(-1)
