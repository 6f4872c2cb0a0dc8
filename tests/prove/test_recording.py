"""What a recording says of a memory: the tone by arithmetic, and the judge on recordings that plain
Fourier series make (`played.py`); long counts: `python -m tests.prove.recordings`.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest

from dryload.harness.files.problem import Problem
from dryload.harness.prove.recording import ToneHeard, judge
from dryload.harness.prove.tone import SHARE, tone
from tests.prove.played import RATE_HZ, Array, Played, any_way, recorded, tone_words, word_at
from tests.prove.recordings import AWAY, HUMS, WORDS, heard_of, one

PLAIN = Played()


def rng(seed: int = 8) -> np.random.Generator:
    return np.random.default_rng(seed)


def heard(words: Array, how: Played = PLAIN) -> ToneHeard:
    return heard_of(words, how, rng())


# The tone, by arithmetic.


def test_the_share_has_never_three_equal_digits_in_a_row() -> None:
    digits = f"{int(SHARE * 2**25):b}"  # from its first 1 on

    assert digits[0] == "1"
    assert "000" not in digits
    assert "111" not in digits


def test_words_a_power_of_two_apart_are_a_sixth_of_a_cycle_from_whole_cycles() -> None:
    for power in range(2, 21):
        cycles = SHARE * 2**power % 1
        assert Fraction(175, 1000) <= cycles <= Fraction(825, 1000)


def test_its_words_are_those_of_the_formula() -> None:
    made = tone(70_000)
    for place in (0, 1, 5, 6, 17, 69_999):
        exact = float(Fraction(44_139_188, 10**9) * place % 1)
        word = int(made.frames[place, 0]) >> 16
        assert abs(word - 26_214.4 * math.sin(2 * math.pi * exact)) <= 0.51
    assert abs(int(np.abs(made.frames).max()) / 2**31 - 0.8) < 0.001
    assert float(made.rate) == pytest.approx(RATE_HZ)


# What is found, and what is not.


@pytest.mark.parametrize("hum", HUMS)
@pytest.mark.parametrize("seed", range(4))
def test_nothing_is_wrong_in_a_recording_of_what_was_written(hum: str, seed: int) -> None:
    is_right, what = one("clean", rng(seed), **HUMS[hum])

    assert is_right, what


@pytest.mark.parametrize("power", range(3, 19))
def test_one_word_from_elsewhere_is_heard_in_its_place(power: int) -> None:
    drawn = rng(power)
    words, at = tone_words(WORDS), int(drawn.integers(AWAY, WORDS - AWAY))
    words[at] = word_at(at + 2**power)
    found = heard_of(words, any_way(drawn, hum_db=-50.0), drawn)

    (wrong,) = found.wrong
    assert abs(wrong.word - at) < 400
    assert not found.is_right


@pytest.mark.parametrize("bit", range(9, 16))
def test_one_bit_that_is_turned_over_in_one_word_is_heard(bit: int) -> None:
    words = tone_words(WORDS)
    words[9_000] = ((int(words[9_000]) + 32_768) ^ (1 << bit)) - 32_768
    (wrong,) = heard(words).wrong

    assert abs(wrong.word - 9_000) < 400


def test_a_place_is_told_in_seconds_of_the_recording() -> None:
    words = tone_words(WORDS)
    words[9_000:9_400] = 0
    found = recorded(words, PLAIN._replace(noise_db=-80.0), rng())
    silence = np.zeros(44_100)  # a second more in front of it
    both = [
        judge(each.reshape(-1, 1), Fraction(44_100), WORDS)
        for each in (found, np.concatenate([silence, found]))
    ]

    (first,), (later,) = (each.wrong for each in both)
    assert later.start_s - first.start_s == pytest.approx(1.0, abs=0.01)
    assert 400 / RATE_HZ <= first.seconds < 800 / RATE_HZ  # taking off hum spreads it a little
    assert -4 < later.level_db <= 0


@pytest.mark.parametrize(("bit", "least"), [(5, 0.5), (6, 0.95), (7, 0.95), (8, 0.95)])
def test_a_low_bit_that_is_stuck_in_a_region_is_heard_there(bit: int, least: float) -> None:
    words = tone_words(3 * 8_192)
    words[8_192 : 2 * 8_192] |= 1 << bit
    wrong = heard(words).wrong

    assert all(7_800 < each.word < each.word + each.words < 16_800 for each in wrong)
    assert sum(each.words for each in wrong) > least * 8_192


@pytest.mark.parametrize("bit", [10, 13, 14])
@pytest.mark.parametrize("half", [slice(WORDS // 2), slice(WORDS // 2, None)])
def test_a_data_line_that_is_stuck_in_one_half_is_heard_in_that_half(bit: int, half: slice) -> None:
    words = tone_words(WORDS)
    words[half] = ((words[half] + 32_768) | (1 << bit)) - 32_768
    places = range(WORDS)[half]

    (wrong,) = heard(words).wrong
    assert places.start - 400 < wrong.word < places.start + 1_500
    assert places.stop - 1_500 < wrong.word + wrong.words < places.stop + 400


@pytest.mark.parametrize("line", range(8, 14))
def test_an_address_line_that_is_stuck_is_heard(line: int) -> None:
    found = heard(word_at(np.arange(WORDS) & ~(1 << line)))

    assert found.wrong
    assert sum(each.words for each in found.wrong) > WORDS / 4


def test_a_half_that_holds_nothing_is_no_silence_at_the_end() -> None:
    for silent in (slice(WORDS // 2, None), slice(0, WORDS // 2)):
        words = tone_words(WORDS)
        words[silent] = 0
        found = heard(words)
        assert found.ended_early
        assert not found.is_right
        assert found.words < WORDS / 2 + 200


@pytest.mark.parametrize("bit", [10, 12, 14])
def test_a_data_line_that_is_stuck_everywhere_is_not_right(bit: int) -> None:
    assert heard(tone_words(WORDS) | 1 << bit).lowest_bit is None


def test_the_more_noise_the_fewer_bits_are_covered_and_those_are_heard() -> None:
    covered = []
    for noise_db in (-60.0, -50.0, -44.0):
        how = PLAIN._replace(noise_db=noise_db)
        lowest = heard(tone_words(WORDS), how).lowest_bit
        assert lowest is not None
        words = tone_words(WORDS)
        words[11_111] ^= 1 << lowest
        assert heard(words, how).wrong
        covered.append(lowest)
    assert covered[0] == 8
    assert covered == sorted(set(covered))
    assert not heard(tone_words(WORDS), PLAIN._replace(noise_db=-30.0)).is_right


def test_of_several_channels_the_loudest_is_judged() -> None:
    sound = recorded(tone_words(WORDS), PLAIN, rng())
    other = rng().normal(0, 0.01, len(sound))

    assert judge(np.stack([other, sound], axis=1), Fraction(44_100), WORDS).is_right


def test_words_of_eight_bits_are_told_from_wrong_ones() -> None:
    assert not heard(tone_words(WORDS) & ~255).wrong


# What is no recording of the tone.


def pure(hertz: float) -> Array:
    return np.asarray(0.5 * np.sin(2 * np.pi * hertz / 44_100 * np.arange(44_100)))


def clipped(top: float) -> Array:
    sound = recorded(tone_words(WORDS), PLAIN, rng())
    return np.asarray(np.clip(sound, -1, top * np.abs(sound).max()))


@pytest.mark.parametrize(
    ("sound", "what"),
    [
        (np.zeros(44_100), "not in it"),
        (np.zeros(3), "not in it"),
        (np.full(44_100, np.nan), "not in it"),
        (rng().normal(0, 0.1, 44_100), "not in it"),
        (pure(440), "440 Hz"),
        (pure(1_000), "1,000 Hz"),
        (pure(1_961.7), "1,962 Hz"),
        (clipped(0.98), "clipped"),
        (clipped(0.6), "clipped"),
        (recorded(tone_words(4_000), PLAIN, rng()), "too short"),
        (recorded(tone_words(2 * WORDS), PLAIN, rng()), "loop off"),
        (recorded(tone_words(WORDS), PLAIN._replace(speed=2 ** (1 / 12)), rng()), "1,039 Hz"),
    ],
)
def test_what_is_no_recording_of_the_tone_is_told_as_that(sound: Array, what: str) -> None:
    with pytest.raises(Problem, match=what) as caught:
        judge(sound.reshape(-1, 1), Fraction(44_100), WORDS)
    assert caught.value.code == 2
    assert caught.value.do


@pytest.mark.parametrize(("rate", "seconds"), [(8_000, 2), (1, 1), (22_050, 301)])
def test_a_recording_that_is_too_long_or_of_too_low_a_rate_is_told_as_that(
    rate: int, seconds: int
) -> None:
    with pytest.raises(Problem, match="44,100 Hz"):
        judge(np.zeros((rate * seconds, 1)), Fraction(rate), WORDS)


def test_a_recording_at_the_lowest_rate_is_judged() -> None:
    low = PLAIN._replace(rate_hz=22_050.0)
    words = tone_words(WORDS)
    assert heard(words, low).is_right
    words[9_000] ^= 1 << 9
    assert len(heard(words, low).wrong) == 1
