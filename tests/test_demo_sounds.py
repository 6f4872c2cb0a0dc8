"""The demo's sounds are what their score says, and the same on every machine.

What is checked against something outside the project: pitches (equal temperament on A4 = 440 Hz,
ISO 16), the second mode of a bar clamped at one end (Euler-Bernoulli beam theory, solved here), the
sine (the C library's), the noise generator (G. Marsaglia, Xorshift RNGs, 2003; its first numbers
from memory), the range of significant bits (MIDI 1.0 Detailed Specification 4.2.1, p. 37) and the
inclusive loop end (CA-019 p. 2).  Frequencies of the bell and the gulls are typed again from the
score and found with a Fourier transform.  The SHA-256 sums are our own output: they only notice
change.
"""

import ast
import hashlib
import math
import re
from collections.abc import Iterator
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from captures_demo import sounds

Floats = npt.NDArray[np.float64]

MADE = {sound.name: sound.make(sound.rate) for sound in sounds.DEMO_SOUNDS}
RATES = {sound.name: sound.rate for sound in sounds.DEMO_SOUNDS}
every_sound = pytest.mark.parametrize("name", MADE)


def stretch(name: str, start_ms: int, end_ms: int) -> Floats:
    rate = RATES[name]
    words = MADE[name][start_ms * rate // 1000 : end_ms * rate // 1000]
    return words.astype(np.float64) / 2**23


def spectrum(signal: Floats, rate: int) -> tuple[Floats, Floats]:
    """Return frequencies and magnitudes, at 0.5 Hz or finer."""
    size = 2 * rate
    frequency = np.fft.rfftfreq(size, 1 / rate).astype(np.float64)
    return frequency, np.abs(np.fft.rfft(signal * np.hanning(signal.size), size)).astype(np.float64)


def peaks(signal: Floats, rate: int, count: int, apart_hz: float) -> list[float]:
    """Return the frequencies of the strongest peaks, strongest first, none near a stronger one."""
    frequency, magnitude = spectrum(signal, rate)
    left = magnitude.copy()
    found = []
    for _ in range(count):
        top = float(frequency[int(left.argmax())])
        found.append(top)
        left[np.abs(frequency - top) < apart_hz] = 0
    return found


def energies(name: str, start_ms: int, end_ms: int, step_ms: int) -> list[float]:
    return [
        float((stretch(name, at, at + step_ms) ** 2).mean())
        for at in range(start_ms, end_ms - step_ms + 1, step_ms)
    ]


@every_sound
def test_a_sound_made_twice_is_the_same_bytes(name: str) -> None:
    (sound,) = (sound for sound in sounds.DEMO_SOUNDS if sound.name == name)
    assert sound.make(sound.rate).tobytes() == MADE[name].tobytes()


SUMS = {
    "music box": "78cf83281747f2e5a8770eb5870a2e7c16a7580febe3ef5b3635bc99dc131c52",
    "thunder": "42887b840b278c7c296f84594114921da742025d392f186f4c1c692b632e38f0",
    "gulls": "5617e0a9cec3e3e576462b0fdc016cf7cb2e7a66b41eb83ae56b47d49a5c69f5",
    "ship's bell": "6f44638c6e1d2d223e7e60a8ee6941e26501ccf14f3ebee29dd061933221f525",
}


@every_sound
def test_a_sound_has_not_changed_since_the_demo_was_last_written(name: str) -> None:
    """Our own sums: a regression check, no outside one; renew them with the demo's files."""
    assert hashlib.sha256(MADE[name].astype("<i4").tobytes()).hexdigest() == SUMS[name]


WHOLE_NUMBER_TOOLS = {"abs", "arange", "array", "concatenate", "cumsum", "flatnonzero", "full"}
WHOLE_NUMBER_TOOLS |= {"int32", "int64", "zeros"}


def float_risks(source: str) -> Iterator[str]:
    """Yield whatever could bring a float in: `/`, a float literal, float(), a tool not listed."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Div):
            yield "a true division"
        elif isinstance(node, ast.Constant) and isinstance(node.value, float):
            yield f"the literal {node.value}"
        elif isinstance(node, ast.Name) and node.id in {"float", "math", "round", "pow"}:
            yield node.id
        elif isinstance(node, ast.Attribute) and node.attr in {"mean", "std", "var", "round"}:
            yield f".{node.attr}()"
    for tool in re.findall(r"\bnp\.(\w+)", source):
        if tool not in WHOLE_NUMBER_TOOLS:
            yield f"np.{tool}"


def test_no_float_can_come_into_the_signal_path() -> None:
    assert list(float_risks(Path(sounds.__file__).read_text(encoding="utf-8"))) == []


@pytest.mark.parametrize(
    "line", ["x = 1 / 2", "x = 0.5", "x = np.sin(3)", "x = float(3)", "x = y.mean()"]
)
def test_the_check_for_floats_can_fail(line: str) -> None:
    assert list(float_risks(line))


def test_the_sine_is_the_c_librarys_sine() -> None:
    table = [round(math.sin(2 * math.pi * step / 4096) * sounds.ONE) for step in range(4097)]
    assert np.abs(sounds.SINE - np.array(table)).max() <= 1
    phase = np.arange(0, 1 << 33, 104_729 * 1000, dtype=np.int64)  # two turns
    ideal = np.sin(phase.astype(np.float64) * (2 * math.pi / 2**32)) * sounds.ONE
    assert np.abs(sounds.sine(phase) - ideal).max() < 7  # (2 pi / 4096)**2 / 8 * 2**24 = 4.9


def test_the_noise_is_the_published_generator() -> None:
    """The first numbers after the paper's seed, from memory."""
    assert sounds.xorshift32(3, 2_463_534_242) == [723_471_715, 2_497_366_906, 2_064_144_800]


@pytest.mark.parametrize("tau_ms", [5, 100, 900])
def test_a_decay_falls_by_e_in_its_time(tau_ms: int) -> None:
    levels = sounds.decay(20_000, tau_ms, 16_000)
    assert levels[0] == sounds.ONE
    assert levels[tau_ms * 16] / sounds.ONE == pytest.approx(math.exp(-1), rel=0.01)
    assert (np.diff(levels) <= 0).all()


@every_sound
def test_words_are_24_bit_and_the_peak_is_3_db_below_full_scale(name: str) -> None:
    words = MADE[name]
    assert words.dtype == np.int32
    peak = int(np.abs(words.astype(np.int64)).max())
    assert 20 * math.log10(peak / 2**23) == pytest.approx(-3, abs=0.001)
    assert np.count_nonzero(np.abs(words) == peak) == 1  # nothing is cut flat


@every_sound
def test_a_sound_begins_and_ends_in_silence(name: str) -> None:
    words, rate = MADE[name], RATES[name]
    assert (words[0], words[-1]) == (0, 0)
    for edge in (words[: rate // 1000], words[-rate // 1000 :]):
        assert np.abs(edge).max() < 2**23 // 1000  # 60 dB below full scale for 1 ms


@every_sound
def test_a_sound_has_no_dc(name: str) -> None:
    assert abs(int(MADE[name].sum(dtype=np.int64))) < MADE[name].size // 2  # half a step of 24 bits


def test_the_whole_demo_is_short() -> None:
    lengths_ms = {name: round(MADE[name].size * 1000 / RATES[name]) for name in MADE}
    assert lengths_ms == {"music box": 1500, "thunder": 2500, "gulls": 1500, "ship's bell": 2000}


@pytest.mark.parametrize("rate", [0, -8000, 7999, 96_001])
def test_a_rate_no_sound_can_have_is_refused(rate: int) -> None:
    with pytest.raises(ValueError, match="sample rate"):
        sounds.gulls(rate)


@pytest.mark.parametrize("rate", [8_000, 44_100])
def test_the_bell_rings_at_the_same_pitch_at_any_rate(rate: int) -> None:
    words = sounds.ships_bell(rate).astype(np.float64)
    assert peaks(words[rate:], rate, 1, 20)[0] == pytest.approx(1176, abs=4)


def equal_temperament(note: str) -> float:
    """Return the frequency of a note such as F#6: ISO 16 and twelve equal steps an octave."""
    names = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"]
    steps = names.index(note[:-1]) - 9 + 12 * (int(note[-1]) - 4)
    return float(440 * 2 ** (steps / 12))


def clamped_bar_ratio() -> float:
    """Return second mode over first of a clamped-free bar: cos(x) cosh(x) = -1, squares of x."""

    def bend(x: float) -> float:
        return math.cos(x) * math.cosh(x) + 1

    def root(low: float, high: float) -> float:
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if bend(low) * bend(middle) > 0 else (low, middle)
        return low

    return (root(4, 5) / root(1, 3)) ** 2


MELODY = [(10, "F#6"), (175, "A6"), (335, "E6"), (500, "B6"), (675, "G6"), (860, "E6")]
MELODY += [(1065, "D6")]


@pytest.mark.parametrize(("at_ms", "note"), MELODY)
def test_the_music_box_plays_the_melody(at_ms: int, note: str) -> None:
    heard = peaks(stretch("music box", at_ms + 10, at_ms + 150), 22_050, 1, 50)
    assert heard == [pytest.approx(equal_temperament(note), rel=0.003)]


@pytest.mark.parametrize(("at_ms", "note"), [(10, "D5"), (500, "G5"), (860, "A5"), (1065, "D5")])
def test_low_tines_sound_under_the_melody(at_ms: int, note: str) -> None:
    frequency, magnitude = spectrum(stretch("music box", at_ms + 20, at_ms + 160), 22_050)
    low = (frequency > 400) & (frequency < 1000)
    loudest = frequency[low][int(magnitude[low].argmax())]
    assert loudest == pytest.approx(equal_temperament(note), rel=0.006)


def test_a_tine_rings_like_a_bar_clamped_at_one_end_and_the_overtone_dies_first() -> None:
    ratio = clamped_bar_ratio()
    assert ratio == pytest.approx(6.267, abs=0.001)
    overtone = ratio * equal_temperament("D6")

    def share(start_ms: int) -> float:
        frequency, magnitude = spectrum(stretch("music box", start_ms, start_ms + 60), 22_050)
        high = (frequency > 6500) & (frequency < 8000)
        assert frequency[high][int(magnitude[high].argmax())] == pytest.approx(overtone, rel=0.003)
        return float(magnitude[high].max() / magnitude.max())

    assert 0.05 < share(1075) < 0.5
    assert share(1175) < share(1075) / 4


def test_the_last_note_of_the_music_box_only_fades() -> None:
    fading = energies("music box", 1080, 1500, 70)
    assert all(later < earlier for earlier, later in pairwise(fading))


def centroid_hz(signal: Floats, rate: int) -> float:
    frequency, magnitude = spectrum(signal, rate)
    return float((frequency * magnitude**2).sum() / (magnitude**2).sum())


def test_thunder_cracks_bright_and_rolls_dark() -> None:
    frequency, magnitude = spectrum(stretch("thunder", 800, 2200), 11_025)
    rumble = magnitude**2
    assert rumble[frequency < 250].sum() > 0.8 * rumble.sum()
    assert rumble[frequency < 20].sum() < 0.05 * rumble.sum()  # a cone that only flaps
    crack, roll = stretch("thunder", 5, 120), stretch("thunder", 800, 2200)
    assert centroid_hz(crack, 11_025) > 5 * centroid_hz(roll, 11_025)


def test_thunder_dies_away_but_swells_on_the_way() -> None:
    halves = energies("thunder", 0, 2500, 500)
    assert all(later < earlier for earlier, later in pairwise(halves))
    assert halves[-1] < halves[0] / 100
    rolling = energies("thunder", 400, 2300, 100)
    assert sum(later > 1.5 * earlier for earlier, later in pairwise(rolling)) >= 3


def pitch_hz(signal: Floats, rate: int) -> float:
    """Return the fundamental: where one to five times a frequency hold the most together."""
    frequency, magnitude = spectrum(signal, rate)
    candidates = np.arange(500, 1500, 2.0)
    harmonics = np.rint(np.outer(candidates, np.arange(1, 6)) / frequency[1]).astype(np.int64)
    strength = np.sqrt(magnitude[harmonics]).sum(axis=1)
    return float(candidates[int(strength.argmax())])


def test_there_are_three_calls_with_silence_between() -> None:
    loud = [energy > 1e-5 for energy in energies("gulls", 0, 1500, 10)]
    starts = [at * 10 for at in range(1, len(loud)) if loud[at] and not loud[at - 1]]
    assert starts == [pytest.approx(at, abs=10) for at in (10, 520, 970)]
    assert not loud[-1]


@pytest.mark.parametrize(
    ("at_ms", "hertz"),
    [(80, 1240), (160, 1180), (340, 820), (580, 1180), (1040, 1120), (1130, 1060), (1330, 733)],
)
def test_a_call_rises_then_falls_along_its_score(at_ms: int, hertz: int) -> None:
    heard = pitch_hz(stretch("gulls", at_ms - 20, at_ms + 20), 16_000)
    assert heard == pytest.approx(hertz, rel=0.04)


def test_a_call_is_rich_in_harmonics_and_the_second_is_the_strongest() -> None:
    frequency, magnitude = spectrum(stretch("gulls", 75, 115), 16_000)
    heights = []
    for number in range(1, 7):
        near = np.abs(frequency - number * 1225) < 100
        between = np.abs(frequency - (number + 0.5) * 1225) < 100
        assert magnitude[near].max() > 4 * magnitude[between].max()
        heights.append(float(magnitude[near].max()))
    assert heights.index(max(heights)) == 1
    assert min(heights) > max(heights) / 30


def test_the_bells_partials_are_where_the_score_puts_them_and_not_harmonic() -> None:
    heard = sorted(peaks(stretch("ship's bell", 480, 780), 22_050, 6, 60))
    score = [1176, 1437, 1893, 2391, 3187, 3629]
    assert heard == [pytest.approx(hertz, rel=0.006) for hertz in score]
    ratios = [hertz / heard[0] for hertz in heard[1:]]
    assert sum(abs(ratio - round(ratio)) > 0.05 for ratio in ratios) >= 4


def test_two_partials_beat_four_times_a_second() -> None:
    ring = stretch("ship's bell", 500, 1650)
    turns = np.exp(-2j * np.pi * 1176 / 22_050 * np.arange(ring.size))
    width = 22_050 // 25  # 40 ms: the next partial, 261 Hz away, averages out
    level = np.abs(np.convolve(ring * turns, np.ones(width) / width, mode="valid"))
    inside = range(1000, level.size - 1000)
    dips = [at for at in inside if level[at] == level[at - 1000 : at + 1001].min()]
    gaps = np.diff(np.array(dips)) / 22_050
    assert len(gaps) >= 2
    assert gaps.tolist() == [pytest.approx(1 / (1178 - 1174), rel=0.08)] * len(gaps)


def test_the_bell_is_struck_twice() -> None:
    """A stroke is bright: it is seen in the words' second difference."""
    bright = np.diff(MADE["ship's bell"].astype(np.float64), 2)
    steps = [float((part**2).sum()) for part in np.array_split(bright, 200)]  # 10 ms each
    jumps = [at * 10 for at in range(1, 200) if steps[at] > 3 * steps[at - 1]]
    assert set(jumps) in ({460}, {470}, {460, 470})  # 470 ms is the edge between two steps
    assert steps[0] > 20 * steps[40]  # the first stroke is in the first 10 ms


def test_the_bell_rings_long_and_only_fades_over_whole_beats() -> None:
    fading = energies("ship's bell", 480, 2000, 250)
    assert all(later < earlier for earlier, later in pairwise(fading))
    assert fading[-2] > fading[0] / 30  # a second later it still rings


def test_the_bells_loop_joins_on_rising_zero_crossings_without_a_step() -> None:
    first, last = sounds.ships_bell_loop(22_050)
    words = MADE["ship's bell"].astype(np.int64)
    assert 1100 <= first * 1000 // 22_050 < last * 1000 // 22_050 < 1650  # rings, before the fade
    assert words[first - 1] < 0 <= words[first]
    assert words[last] < 0 <= words[last + 1]
    ring = words[first - 500 : last + 500]
    assert words[first] - words[last] <= np.abs(np.diff(ring)).max()


def test_a_loop_in_a_repeating_wave_is_a_whole_number_of_repeats() -> None:
    turn = np.array([0, 5, 9, 2, 8, -1, -7, 3, 6, -9, -9, -4], dtype=np.int32)  # crosses twice
    first, last = sounds.loop_points(np.tile(turn, 40), earliest=100, shortest=20, longest=70)
    assert (last + 1 - first) % turn.size == 0
    assert 20 <= last + 1 - first <= 70


def test_no_loop_in_what_never_crosses_zero() -> None:
    with pytest.raises(ValueError, match="zero crossings"):
        sounds.loop_points(np.full(999, 3, dtype=np.int32), earliest=9, shortest=9, longest=99)


WORD = st.integers(-(2**23), 2**23 - 1)


@given(words=st.lists(WORD, min_size=1, max_size=20), bits=st.integers(8, 28))
def test_to_bits_gives_the_nearest_word_there_is(words: list[int], bits: int) -> None:
    given_words = np.array(words, dtype=np.int32)
    for word, got in zip(words, sounds.to_bits(given_words, bits).tolist(), strict=True):
        exact = Fraction(word) * Fraction(2) ** (bits - 24)
        nearest = math.floor(exact + Fraction(1, 2))
        assert got == min(nearest, 2 ** (bits - 1) - 1)


@pytest.mark.parametrize(
    ("word", "bits", "expected"),
    [
        (2**23 - 1, 16, 32_767),  # would round to 32,768
        (-(2**23), 16, -32_768),
        (127, 16, 0),
        (128, 16, 1),  # a half goes up
        (-128, 16, 0),
        (-129, 16, -1),
        (2**23 - 1, 8, 127),
        (5, 24, 5),
        (-5, 28, -80),
    ],
)
def test_to_bits_by_hand(word: int, bits: int, expected: int) -> None:
    made = sounds.to_bits(np.array([word], dtype=np.int32), bits)
    assert made.tolist() == [expected]
    assert made.dtype == np.int32


@pytest.mark.parametrize("bits", [7, 29, 0, -16])
def test_to_bits_refuses_widths_a_header_cannot_say(bits: int) -> None:
    with pytest.raises(ValueError, match="significant bits"):
        sounds.to_bits(MADE["gulls"], bits)
