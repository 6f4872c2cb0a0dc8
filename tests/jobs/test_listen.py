"""What a unit would play, beside a plain rendering, sample by sample and by ear's measure."""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction
from itertools import islice

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
from dryload.emulator.wire.constants import EXTENDED_LOOP_TYPES
from dryload.emulator.wire.words import word_dtype
from dryload.harness.files.problem import Problem
from dryload.harness.jobs.listen import RATE, Playing, as_words, course_of, played


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


@pytest.mark.parametrize("rate", [8_000, 22_050, 44_100, 48_000])
@pytest.mark.parametrize("key", [48, 59, 60, 67, 72])
def test_the_pitch_is_right_to_a_tenth_of_a_cent(rate: int, key: int) -> None:
    # A semitone is the twelfth root of two, a cent a hundredth of it (equal temperament).
    hz = 441.0
    sample = sine(hz, rate, rate * 3)
    sound = played(sample, Playing(keys=(key,), seconds=1.2))[:, 0].astype(np.float64)
    cents = 1200 * math.log2(frequency(sound) / (hz * 2 ** ((key - 60) / 12)))
    assert abs(cents) < 0.1


def test_what_would_fold_is_90_db_down() -> None:
    # 15 kHz an octave up is 30 kHz, which a sound of 44,100 Hz can't hold: it would be 14.1 kHz.
    sound = played(sine(15_000, 44_100, 200_000), Playing(keys=(72,), seconds=2.0, level_db=0.0))
    middle = sound[4_000:60_000, 0]
    assert 20 * math.log10(float(np.abs(middle).max()) / 0.9) < -90
    kept = played(sine(9_000, 44_100, 200_000), Playing(keys=(72,), seconds=2.0, level_db=0.0))
    assert float(np.abs(kept[4_000:60_000]).max()) > 0.85  # and what fits is there


@given(st.integers(8, 28), st.integers(30, 90), st.floats(-40, 0), st.integers(0, 1 << 30))
def test_noise_at_full_scale_stays_below_the_level(
    bits: int, key: int, level_db: float, seed: int
) -> None:
    half = 1 << (bits - 1)
    words = np.random.default_rng(seed).choice([-half, half - 1], 3_000).astype(word_dtype(bits))
    sample = Sample(words=words, bits=bits, rate=Fraction(32_000))
    sound = played(sample, Playing(keys=(key, 60), seconds=0.1, level_db=level_db))
    assert np.abs(sound).max() <= 10 ** (level_db / 20) * (1 + 1e-6)
    written = as_words(sound).astype(np.float64) / (1 << 23)
    assert np.abs(written).max() <= 10 ** (level_db / 20) + 2**-23


def test_at_its_own_pitch_and_rate_nothing_is_changed_but_the_level() -> None:
    sample = sine(1_000, RATE, 5_000)
    sound = played(sample, Playing(seconds=1.0, level_db=-6.0))
    expected = sample.words / 32_768 * 10 ** (-6.0 / 20)
    assert np.abs(sound[:, 0] - expected).max() < 1e-6


def test_a_key_that_is_let_go_leaves_no_click() -> None:
    loop = Loop(start=0, end=440, loop_type=0)
    words = np.full(441, 20_000, np.int16)
    sample = Sample(words=words, bits=16, rate=Fraction(RATE), sustain=loop)
    sound = played(sample, Playing(seconds=0.5))
    assert len(sound) == RATE // 2
    assert abs(float(sound[-1, 0])) < 1e-6
    assert np.abs(np.diff(sound[1_000:, 0])).max() < 0.01
