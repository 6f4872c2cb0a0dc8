"""A unit that plays the test tone, and somebody who records it: for the judge of recordings.

Plain Fourier series and nothing of the judge: the words are a row of impulses, whose spectrum
repeats at their rate; holding a word multiplies it by sinc, drawing straight lines to the next one
by its square (the interpolation kernels in any textbook on sampling), and a low-pass of the second
to fourth order (Butterworth's squared magnitude, 1930: 1 / (1 + (f / fc)^2n)) follows.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

# Typed here from the description of the tone.
CYCLES = 0.044139188
AMPLITUDE = 0.8 * 32_768
RATE_HZ = 1e9 / 45_000

Array = np.ndarray[Any, Any]


class Played(NamedTuple):
    """How a unit plays and how it is recorded."""

    speed: float = 1.0
    order: int = 2
    low_pass_hz: float = 8_000.0
    holds: bool = True
    level_db: float = -6.0
    noise_db: float = -60.0
    hum_db: float | None = None
    hum_hz: float = 50.0
    fade: int = 0
    rate_hz: float = 44_100.0
    bits: int = 16


def any_way(rng: np.random.Generator, **given: Any) -> Played:
    """Draw a way to play and record."""
    drawn: dict[str, Any] = {
        "speed": 1 + rng.uniform(-0.005, 0.005),
        "order": int(rng.integers(2, 5)),
        "low_pass_hz": rng.uniform(7_000, 9_500),
        "holds": bool(rng.integers(2)),
        "level_db": rng.uniform(-31, -1),
        "hum_hz": (50.0, 60.0)[int(rng.integers(2))],
        "fade": int(rng.integers(0, 400)),
        "rate_hz": (44_100.0, 48_000.0)[int(rng.integers(2))],
    }
    return Played(**drawn | given)


def tone_words(count: int) -> Array:
    """Return the tone as words of 16 bits."""
    return word_at(np.arange(count))


def word_at(place: Any) -> Array:
    """Return what the tone has at a place, or at many, also before its beginning."""
    return np.asarray(np.round(AMPLITUDE * np.sin(2 * np.pi * CYCLES * place)), np.int64)


def recorded(words: Array, how: Played, rng: np.random.Generator) -> Array:
    """Return the frames of a recording, one channel, 1.0 being full scale."""
    sound = words / 32_768
    if how.fade:
        ramp = np.linspace(0, 1, how.fade)
        sound[: how.fade] *= ramp
        sound[-how.fade :] *= ramp[::-1]
    quiet = [np.zeros(int(rng.integers(400, 3_000))) for _ in range(2)]
    sound = np.concatenate([quiet[0], sound, quiet[1]])
    word_hz = RATE_HZ * how.speed
    frames = round(len(sound) * how.rate_hz / word_hz)
    spectrum = np.fft.fft(sound)
    bins = np.arange(frames // 2 + 1)
    hertz = bins * word_hz / len(sound)
    kernel = np.sinc(hertz / word_hz) ** (1 if how.holds else 2)
    kernel = kernel / np.sqrt(1 + (hertz / how.low_pass_hz) ** (2 * how.order))
    made = np.fft.irfft(spectrum[bins % len(sound)] * kernel * (frames / len(sound)), frames)
    gain = 10 ** (how.level_db / 20)
    made *= gain / 0.8  # the tone's own amplitude is `level_db`
    rms = gain / np.sqrt(2)
    made += rng.normal(0, rms * 10 ** (how.noise_db / 20), frames)
    if how.hum_db is not None:
        seconds = np.arange(frames) / how.rate_hz
        hum = sum(
            share * np.sin(2 * np.pi * (how.hum_hz * n * seconds + rng.uniform()))
            for n, share in ((1, 1.0), (2, 0.3), (3, 0.3), (5, 0.1))
        )
        made += gain * 10 ** (how.hum_db / 20) * hum
    steps = 2 ** (how.bits - 1)
    frames_kept: Array = np.clip(np.round(made * steps), -steps, steps - 1) / steps
    return frames_kept
