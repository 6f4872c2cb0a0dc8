"""What is done to a recording before it becomes words, beside plain arithmetic."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.dump.sample import Loop
from dryload.harness.files import audio
from dryload.harness.files.audio import Recording
from dryload.harness.files.problem import Problem
from dryload.harness.jobs import shape


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
