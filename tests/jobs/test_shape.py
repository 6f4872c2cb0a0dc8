"""What is done to a recording before it becomes words, beside plain arithmetic."""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.dump.sample import Loop
from dryload.harness.files import audio
from dryload.harness.files.audio import Recording, words_of
from dryload.harness.files.problem import Problem
from dryload.harness.jobs import shape
from dryload.harness.jobs.convert import EncodeOptions, encode, file_of
from tests import oracle
from tests.files.test_audio import wav


def recording(values: list[float], *, loop: tuple[int, int] | None = None) -> Recording:
    return Recording(
        frames=np.array(values, np.float64).reshape(-1, 1),
        rate=Fraction(44_100),
        source="floating-point",
        loop=None if loop is None else Loop(start=loop[0], end=loop[1], loop_type=0),
    )


def values_of(made: Recording) -> list[float]:
    return [float(value) for value in made.frames[:, 0]]


def looped(made: Recording) -> list[float]:
    assert made.loop is not None
    return values_of(made)[made.loop.start : made.loop.end + 1]


@st.composite
def looped_recordings(draw: st.DrawFn) -> Recording:
    values = draw(st.lists(st.sampled_from([0.0, 0.001, -0.001, 0.5, -1.0]), min_size=1))
    start = draw(st.integers(0, len(values) - 1))
    return recording(values, loop=(start, draw(st.integers(start, len(values) - 1))))


@given(looped_recordings(), st.data())
def test_a_loop_moves_along_with_a_cut_or_is_left_out(
    source: Recording, data: st.DataObject
) -> None:
    frames = len(source.frames)
    start = data.draw(st.integers(0, frames - 1))
    length = data.draw(st.integers(1, frames - start))
    made = shape.cut(source, start, length)
    assert values_of(made) == values_of(source)[start : start + length]
    loop = source.loop
    assert loop is not None
    if start <= loop.start and loop.end < start + length:
        assert made.loop is not None
        assert (made.loop.start, made.loop.end) == (loop.start - start, loop.end - start)
        assert (looped(made), made.remarks) == (looped(source), ())
    else:
        assert made.loop is None
        assert "is left out" in "".join(made.remarks)


@pytest.mark.parametrize(("start", "length"), [(3, None), (0, 4), (-1, 2), (1, 0), (2, 2)])
def test_a_cut_beyond_the_sound_is_refused(start: int, length: int | None) -> None:
    with pytest.raises(Problem, match="not in the sound: it has 3"):
        shape.cut(recording([0.0] * 3), start, length)


@given(looped_recordings(), st.sampled_from([-80.0, -40.0, -3.0]))
def test_trimming_takes_what_is_quiet_and_never_cuts_a_loop(
    source: Recording, level_db: float
) -> None:
    made = shape.trimmed(source, level_db)
    assert looped(made) == looped(source)
    values, left = values_of(source), values_of(made)
    level = 10 ** (level_db / 20)
    if not any(abs(value) > level for value in values):
        assert left == values
        return
    assert source.loop is not None
    assert made.loop is not None
    begin = source.loop.start - made.loop.start
    end = begin + len(left)
    assert left == values[begin:end]
    assert all(abs(value) <= level for value in values[:begin] + values[end:])
    assert made.loop.start == 0 or abs(left[0]) > level
    assert made.loop.end == len(left) - 1 or abs(left[-1]) > level


@given(looped_recordings(), st.integers(4_000, 96_000))
def test_a_loop_stays_within_half_a_frame_through_resampling(source: Recording, hz: int) -> None:
    loop = source.loop
    assert loop is not None
    long = recording(values_of(source) * 40, loop=(loop.start, loop.end))
    made = audio.resample(long, Fraction(hz))
    ratio = Fraction(hz, 44_100)
    assert made.loop is not None
    length, exact = made.loop.end + 1 - made.loop.start, (loop.end + 1 - loop.start) * ratio
    assert 0 <= made.loop.start <= made.loop.end < len(made.frames)
    assert abs(made.loop.start - loop.start * ratio) <= Fraction(1, 2)
    assert abs(length - exact) <= Fraction(1, 2) or length == 1
    if exact == length or hz == 44_100:
        assert not made.remarks
    else:
        # A loop of `length` frames at the new rate sounds at hz / length.
        cents = 1200 * math.log2((hz / length) / (44_100 / (loop.end + 1 - loop.start)))
        (said,) = made.remarks
        assert f"{abs(cents):.2g} cents {'higher' if cents > 0 else 'lower'}" in said


levels = st.floats(-120.0, 60.0)
sounds = st.lists(st.floats(1e-9, 1.0) | st.floats(-1.0, -1e-9) | st.just(0.0), min_size=1)


@given(sounds, levels)
def test_a_gain_is_a_factor(values: list[float], gain_db: float) -> None:
    """20 dB are a factor of ten."""
    made = values_of(shape.louder(recording(values), gain_db))
    factor = math.exp(gain_db * math.log(10) / 20)
    assert made == pytest.approx([value * factor for value in values])


@given(sounds, st.floats(-90.0, 0.0))
def test_normalising_brings_the_loudest_frame_to_the_level(
    values: list[float], peak_db: float
) -> None:
    made = shape.normalised(recording(values), peak_db)
    loudest = max(abs(value) for value in values)
    if not loudest:
        assert values_of(made) == values
        assert "it is silent" in "".join(made.remarks)
        return
    wanted = 10 ** (peak_db / 20)
    assert max(abs(value) for value in values_of(made)) == pytest.approx(wanted)
    assert values_of(made) == pytest.approx([value / loudest * wanted for value in values])


def test_what_is_no_number_does_not_count_as_the_loudest() -> None:
    made = shape.normalised(recording([math.nan, math.inf, 0.25]), 0.0)
    assert values_of(made)[2] == pytest.approx(1.0)


def test_no_number_is_too_odd() -> None:
    odd = recording([math.inf, math.nan, 1e308, -math.inf, 5e-324, 0.0])
    for made in (
        shape.louder(odd, 200.0),
        shape.faded(odd, 1.0, 1.0),
        shape.normalised(odd, 0.0),
        shape.normalised(recording([5e-324, 0.0]), 0.0),
        shape.trimmed(odd, -60.0),
    ):
        words = words_of(made, bits=16, dither=True).words
        assert -(2**15) <= int(words.min()) <= int(words.max()) < 2**15


@given(st.integers(1, 30), st.integers(0, 40), st.integers(0, 40))
def test_fades_are_straight(frames: int, rise: int, fall: int) -> None:
    made = shape.faded(recording([1.0] * frames), rise / 44_100, fall / 44_100)
    rise, fall = min(rise, frames), min(fall, frames)
    for at, value in enumerate(values_of(made)):
        up = at / rise if at < rise else 1.0
        left = frames - 1 - at
        down = left / fall if left < fall else 1.0
        assert value == pytest.approx(up * down)


@pytest.mark.parametrize(("fades", "told"), [((2, 0), True), ((1, 1), False), ((0, 2), True)])
def test_a_fade_into_the_loop_is_told(fades: tuple[int, int], told: bool) -> None:
    source = recording([1.0] * 6, loop=(1, 4))
    made = shape.faded(source, *(each / 44_100 for each in fades))
    assert made.loop == source.loop
    assert ("a fade reaches into the loop" in "".join(made.remarks)) == told


# Words: noise, dither, and the ends of the range.


@pytest.mark.parametrize("dither", [False, True], ids=["rounded", "dithered"])
@pytest.mark.parametrize("bits", range(8, 29))
def test_the_noise_of_a_width_is_that_of_the_textbook(
    tmp_path: Path, bits: int, dither: bool
) -> None:
    """A full-scale sine over the noise of n bits: 6.02 n + 1.76 dB (textbook).

    Triangular dither triples the power of the noise: 10 log 3 = 4.77 dB (textbook).
    """
    top = 2 ** (bits - 1)
    sine = (1 - 3 / top) * np.sin(np.arange(1 << 14) * math.sqrt(0.02))  # no step too loud
    soundfile.write(tmp_path / "sine.wav", sine, 48_000, subtype="DOUBLE")
    options = EncodeOptions(bits=bits, dither=dither)
    made = encode(str(tmp_path / "sine.wav"), options)
    held = oracle.read_dump(file_of([made.dump], "x.syx"))
    noise = np.array(held.words) / top - sine
    found = 10 * math.log10(np.mean(sine**2) / np.mean(noise**2))
    wanted = 6.02 * bits + 1.76 - (4.77 if dither else 0.0)
    assert found == pytest.approx(wanted, abs=0.5)
    assert made.clipped == 0
    again = encode(str(tmp_path / "sine.wav"), options)
    assert again.sample.words.tolist() == held.words  # the same input, the same bytes


def test_dither_has_mean_0_and_keeps_what_lies_between_two_steps() -> None:
    """A level of 0.3 steps is lost by rounding; dithered, the words have it as their mean.

    The whole error has a variance of 1/4: 1/12 of rounding and twice as much of the noise.
    """
    source = recording([0.3 / 2**15] * (1 << 16))
    assert not words_of(source, bits=16).words.any()
    error = words_of(source, bits=16, dither=True).words - 0.3
    assert abs(float(error.mean())) < 5 * 0.5 / 2**8
    assert float(error.var()) == pytest.approx(0.25, rel=0.03)
    noise = words_of(recording([0.0] * (1 << 16)), bits=16, dither=True).words.astype(float)
    assert abs(float((noise[1:] * noise[:-1]).mean())) < 0.01  # no word tells of the next


@given(st.lists(st.floats(-0.99, 0.99), min_size=1, max_size=50), st.integers(8, 28))
def test_dither_moves_no_word_by_more_than_a_step_and_rounding(
    values: list[float], bits: int
) -> None:
    made = words_of(recording(values), bits=bits, dither=True).words
    exact = np.array(values) * 2 ** (bits - 1)
    assert float(np.abs(made - exact).max()) <= 1.5


@given(
    st.lists(st.floats(-8.0, 8.0), min_size=1, max_size=50),
    st.integers(8, 28),
    st.booleans(),
    st.floats(-20.0, 40.0),
)
def test_words_never_wrap(values: list[float], bits: int, dither: bool, gain_db: float) -> None:
    louder = shape.louder(recording(values), gain_db)
    made = words_of(louder, bits=bits, dither=dither)
    top, beyond = 2 ** (bits - 1), 0
    for word, value in zip(made.words.tolist(), values_of(louder), strict=True):
        steps = value * top
        assert -top <= word < top
        assert abs(word - min(max(steps, -top), top - 1)) <= 1.5
        if abs(steps) > top + 1:
            assert word == (top - 1 if steps > 0 else -top)
            beyond += 1
    assert made.clipped >= beyond


def test_dither_where_nothing_is_rounded_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "gulls.wav"
    path.write_bytes(wav([1, -2, 3] * 100, width=2))
    made = encode(str(path), EncodeOptions(bits=16, dither=True))
    assert made.sample.words.tolist() == [1, -2, 3] * 100
    assert "no dither is added" in "".join(made.remarks)
    narrow = encode(str(path), EncodeOptions(bits=12, dither=True))
    assert narrow.sample.words.any()
    assert not narrow.remarks
