"""What a unit would play, beside a plain rendering, sample by sample and by ear's measure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import islice

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
from dryload.emulator.wire.constants import EXTENDED_LOOP_TYPES
from dryload.emulator.wire.words import word_dtype
from dryload.harness.files.problem import Problem
from dryload.harness.jobs.listen import RATE, Playing, Voice, as_words, course_of
from dryload.harness.jobs.listen import played as played_voices

Sound = NDArray[np.float32]


def plain_course(frames: int, start: int, end: int, loop_type: int) -> Iterator[int]:
    """Frame after frame while the key is held, as EXT-04 says of each type (CA-019 pp. 2-3)."""
    down = loop_type in (0x40, 0x41, 0x42, 0x43, 0x7E)
    fro = loop_type in (0x01, 0x03, 0x41, 0x43)
    at, step = (frames - 1, -1) if down else (0, 1)
    if loop_type in (0x7E, 0x7F):
        yield from range(at, -1 if down else frames, step)
        return
    first, last = (end, start) if down else (start, end)
    while at != first:
        yield at
        at += step
    while True:
        yield at
        if start == end:
            continue
        if at == last and not fro:
            at = first
            continue
        if at == last:
            step = -1 if last == end else 1
        elif at == first:
            step = 1 if first == start else -1
        at += step


@given(st.data())
def test_the_course_is_frame_by_frame_that_of_the_loop_type(data: st.DataObject) -> None:
    frames = data.draw(st.integers(1, 30))
    end = data.draw(st.integers(0, frames - 1))
    start = data.draw(st.integers(0, end))
    held = data.draw(st.integers(0, 100))
    kind = data.draw(st.sampled_from([0x00, 0x01, 0x40, 0x41, 0x7E, 0x7F]))
    loop = Loop(start=start, end=end, loop_type=kind)
    expected = list(islice(plain_course(frames, start, end, kind), held))
    assert course_of(frames, loop, held).tolist() == expected


@pytest.mark.parametrize(
    ("loop_type", "expected"),
    [
        (0x02, [0, 1, 2, 3, 2, 3, 2, 3, 4, 5]),
        (0x03, [0, 1, 2, 3, 4, 3, 2, 3, 4, 3, 2, 3, 4, 5]),
        (0x42, [5, 4, 3, 2, 3, 2, 3, 2, 1, 0]),
        (0x43, [5, 4, 3, 2, 1, 2, 3, 2, 1, 2, 3, 2, 1, 0]),
    ],
)
def test_types_with_a_rest_finish_the_loop_and_play_it(loop_type: int, expected: list[int]) -> None:
    fro = loop_type in (0x03, 0x43)
    start, end = {0x02: (2, 3), 0x03: (2, 4), 0x42: (2, 3), 0x43: (1, 3)}[loop_type]
    loop = Loop(start=start, end=end, loop_type=loop_type)
    assert course_of(6, loop, 9 if fro else 8).tolist() == expected


def test_a_loop_that_is_none_is_played_once() -> None:
    for loop in (Loop(start=3, end=9, loop_type=0), Loop(start=2, end=1, loop_type=1), NO_LOOP):
        assert course_of(5, loop, 20).tolist() == [0, 1, 2, 3, 4]
    assert set(EXTENDED_LOOP_TYPES) >= {0x00, 0x7F}
    with pytest.raises(Problem, match="too many"):
        course_of(5, NO_LOOP, 1 << 27)


def played(
    sample: Sample, *, keys: tuple[int, ...] = (60,), seconds: float = 2.0, level_db: float = -12.0
) -> Sound:
    voice = Voice(sample=sample, keys=keys)
    return played_voices([voice], Playing(seconds=seconds, level_db=level_db))


def sine(hz: float, rate: int, frames: int, bits: int = 16, level: float = 0.9) -> Sample:
    top = (1 << (bits - 1)) - 1
    words = np.rint(np.sin(2 * np.pi * hz * np.arange(frames) / rate) * top * level)
    return Sample(words=words.astype(word_dtype(bits)), bits=bits, rate=Fraction(rate))


def frequency(sound: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
    """The frequency of a sine in Hz, by the angle that its phase turns between two windows."""
    size = 1 << 14
    window = np.hanning(size)
    step = 997
    angles = []
    for at in (size, size + step):
        spectrum = np.fft.rfft(sound[at : at + size] * window)
        peak = int(np.argmax(np.abs(spectrum)))
        angles.append(np.angle(spectrum[peak]))
    turned = (angles[1] - angles[0]) / (2 * math.pi)
    near = peak * step / size
    return float((near + ((turned - near + 0.5) % 1.0) - 0.5) * RATE / step)


def decibels(amplitude: float) -> float:
    return 20 * math.log10(amplitude)


@pytest.mark.parametrize("rate", [8_000, 22_050, 44_100, 48_000])
@pytest.mark.parametrize("key", [24, 48, 59, 60, 67, 72, 84])
def test_the_pitch_is_right_to_a_tenth_of_a_cent(rate: int, key: int) -> None:
    # A semitone is the twelfth root of two, a cent a hundredth of it (equal temperament).
    hz = 441.0
    factor = 2 ** ((key - 60) / 12)
    sample = sine(hz, rate, round(rate * 1.2 * max(factor, 1)))
    sound = played(sample, keys=(key,), seconds=1.2)[:, 0].astype(np.float64)
    cents = 1200 * math.log2(frequency(sound) / (hz * factor))
    assert abs(cents) < 0.1


@pytest.mark.parametrize(
    ("hz", "rate", "key"),
    [
        (15_000, 44_100, 72),  # an octave up it is 30 kHz, and would come back as 14.1 kHz
        (22_000, 44_100, 61),  # 23.3 kHz: as 20.8 kHz
        (23_500, 48_000, 60),  # as 20.6 kHz
        (10_900, 22_050, 76),  # 27.5 kHz: as 16.6 kHz
    ],
)
def test_what_would_fold_is_90_db_down(hz: int, rate: int, key: int) -> None:
    sound = played(sine(hz, rate, 4 * rate), keys=(key,), level_db=0.0)
    middle = sound[4_000:60_000, 0]
    assert decibels(float(np.abs(middle).max()) / 0.9) < -90


@pytest.mark.parametrize(
    ("hz", "rate", "key"), [(9_000, 44_100, 72), (3_000, 8_000, 60), (900, 22_050, 36)]
)
def test_what_fits_is_there_and_nothing_else(hz: int, rate: int, key: int) -> None:
    sound = played(sine(hz, rate, 4 * rate, bits=28), keys=(key,), level_db=0.0)
    middle = sound[4_000:60_000, 0].astype(np.float64)
    at = np.arange(len(middle)) * (2 * np.pi * hz * 2 ** ((key - 60) / 12) / RATE)
    waves = np.column_stack([np.sin(at), np.cos(at)])
    amounts = np.linalg.lstsq(waves, middle, rcond=None)[0]
    assert abs(decibels(math.hypot(*amounts) / 0.9)) < 0.01
    rest = middle - waves @ amounts  # images above the sample's own band would be here
    assert decibels(float(np.abs(rest).max()) / 0.9) < -90


def plain_rendering(sample: Sample, key: int, frames: Sequence[int]) -> NDArray[np.float64]:
    """What is heard in some frames of a key, on a loop: each word a sinc, as sampling has it.

    For tones inside the bands of both rates, which need no filter.  Textbook (the sampling theorem,
    a Kaiser window); written for this check.
    """
    loop, speed = sample.sustain, 2 ** ((key - 60) / 12) * float(sample.rate) / RATE
    needed = int(max(frames) * speed) + 600
    course = plain_course(sample.frames, loop.start, loop.end, loop.loop_type)
    words = sample.words[list(islice(course, needed))] / (1 << (sample.bits - 1))
    reach, out = 256, []
    for frame in frames:
        place = frame * speed
        near = np.arange(int(place) - reach, int(place) + reach + 1)
        near = near[(near >= 0) & (near < needed)]
        away = place - near
        window = np.i0(12 * np.sqrt(np.clip(1 - (away / (reach + 1)) ** 2, 0, 1))) / np.i0(12)
        out.append(np.sum(words[near] * np.sinc(away) * window))
    return np.array(out)


@pytest.mark.parametrize("loop_type", [0x00, 0x01, 0x40, 0x41])
@pytest.mark.parametrize(("rate", "key"), [(44_100, 60), (22_050, 60), (32_000, 64), (16_000, 55)])
def test_loops_sound_as_a_plain_rendering_of_them(loop_type: int, rate: int, key: int) -> None:
    # Whole periods between the ends, so that the seams make no tone beyond the bands: forwards from
    # the word behind the last one, to and fro around the two turning points.
    period = 64
    end = 400 + 5 * period - (0 if loop_type & 1 else 1)
    turn = 2 * np.pi * (np.arange(900) - 400) / period
    words = np.rint(20_000 * np.cos(turn) + 6_000 * np.cos(2 * turn)).astype(np.int16)

    def looped(end: int) -> Sample:
        loop = Loop(start=400, end=end, loop_type=loop_type)
        return Sample(words=words, bits=16, rate=Fraction(rate), sustain=loop)

    sound = played(looped(end), keys=(key,), seconds=0.1, level_db=0.0)[:, 0].astype(np.float64)
    frames = range(600, len(sound) - 900, 17)
    expected = plain_rendering(looped(end), key, frames)
    assert np.abs(sound[frames] - expected).max() < 10 ** (-90 / 20)
    off_by_one = plain_rendering(looped(end - 1), key, frames)
    assert np.abs(sound[frames] - off_by_one).max() > 10 ** (-40 / 20)


@pytest.mark.parametrize("loop_type", [0x00, 0x01, 0x40, 0x41, 0x7F])
def test_at_its_own_pitch_and_rate_every_seam_is_at_its_word(loop_type: int) -> None:
    words = np.random.default_rng(loop_type).integers(-30_000, 30_000, 700).astype(np.int16)
    loop = Loop(start=150, end=433, loop_type=loop_type)
    sample = Sample(words=words, bits=16, rate=Fraction(RATE), sustain=loop)
    sound = played(sample, seconds=0.1, level_db=0.0)[:, 0]
    course = list(islice(plain_course(700, 150, 433, loop_type), RATE // 10))
    heard = len(course) - (220 if len(course) == RATE // 10 else 0)  # without the last 5 ms
    assert np.abs(sound[:heard] - words[course[:heard]] / 32_768).max() < 1e-6


def test_voices_are_played_in_turn_mono_on_both_sides() -> None:
    mono, stereo = sine(441, RATE, RATE), sine(441, RATE, RATE)
    words = np.repeat(stereo.words, 2)
    words[1::2] = 0
    stereo = Sample(words=words, bits=16, rate=Fraction(RATE), channels=2)
    voices = [Voice(sample=mono, keys=(60, 72)), Voice(sample=stereo, keys=(48,), root=48)]
    sound = played_voices(voices, Playing(seconds=1.0, level_db=0.0))
    assert sound.shape == (RATE + RATE // 2 + RATE + 2 * round(RATE / 4), 2)  # one is over sooner
    assert np.array_equal(sound[:RATE, 0], sound[:RATE, 1])
    last = sound[-RATE:]
    assert float(np.abs(last[:, 1]).max()) == 0.0
    assert abs(1200 * math.log2(frequency(last[:, 0].astype(np.float64)) / 441)) < 0.1


@given(st.integers(8, 28), st.integers(30, 90), st.floats(-40, 0), st.integers(0, 1 << 30))
def test_noise_at_full_scale_stays_below_the_level(
    bits: int, key: int, level_db: float, seed: int
) -> None:
    half = 1 << (bits - 1)
    words = np.random.default_rng(seed).choice([-half, half - 1], 3_000).astype(word_dtype(bits))
    sample = Sample(words=words, bits=bits, rate=Fraction(32_000))
    sound = played(sample, keys=(key, 60), seconds=0.1, level_db=level_db)
    assert np.abs(sound).max() <= 10 ** (level_db / 20) * (1 + 1e-6)
    written = as_words(sound).astype(np.float64) / (1 << 23)
    assert np.abs(written).max() <= 10 ** (level_db / 20) + 2**-23


def test_at_its_own_pitch_and_rate_nothing_is_changed_but_the_level() -> None:
    sample = sine(1_000, RATE, 5_000)
    sound = played(sample, seconds=1.0, level_db=-6.0)
    expected = sample.words / 32_768 * 10 ** (-6.0 / 20)
    assert np.abs(sound[:, 0] - expected).max() < 1e-6


def test_a_key_that_is_let_go_leaves_no_click() -> None:
    loop = Loop(start=0, end=440, loop_type=0)
    words = np.full(441, 20_000, np.int16)
    sample = Sample(words=words, bits=16, rate=Fraction(RATE), sustain=loop)
    sound = played(sample, seconds=0.5)
    assert len(sound) == RATE // 2
    assert abs(float(sound[-1, 0])) < 1e-6
    assert np.abs(np.diff(sound[1_000:, 0])).max() < 0.01
