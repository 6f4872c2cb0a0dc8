"""The four sounds of the Lantern Street puppet theatre, computed in whole numbers only.

Theory of operation.  A dump must be the same file on every machine, and floating-point sines are
not: their last bit depends on the processor.  So nothing here is ever a float.

- A frequency is an integer of millihertz; a phase is 32 bits and wraps; a sine is a table of 4,096
  entries (one turn) read with linear interpolation.  The table is a Taylor series in integers.
- A signal on its way is int64 with `ONE` (2**24) as full scale, a gain is in thousandths.
- A decay is the recurrence level -= level // tau, which falls by a factor e in tau words.
- Noise is the 32-bit xorshift generator with an explicit seed.
- `finished` makes the words: silent ends, no DC, peak 3 dB below the full scale of 24 bits.

The scores at the top of each sound are invented; change them, not the code.
"""

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt
from msgspec import Struct

Signal = npt.NDArray[np.int64]
Words = npt.NDArray[np.int32]

ONE: Final = 1 << 24
PEAK: Final = 5_938_680  # 2**23 less 3 dB: 8,388,608 * 10**(-3/20)
_TURN_MASK: Final = (1 << 32) - 1
_TABLE_BITS: Final = 12
_FRACTION_BITS: Final = 32 - _TABLE_BITS
_TOP: Final = 480  # no partial above this many thousandths of the sample rate; 500 would fold back
_TWO_PI_Q16: Final = 411_775  # 2 * pi * 65,536


def _quarter_sine() -> list[int]:
    """Return sin(0 ... pi/2) in 1,025 steps, `ONE` for 1, nearest integer."""
    quarter = 1 << (_TABLE_BITS - 2)
    half_pi = (3_141_592_653_589_793_238 << 60) // (2 * 10**18)
    values = []
    for step in range(quarter + 1):
        x = half_pi * step // quarter
        term, total, n = x, 0, 1
        while term:
            total += term
            term = -(((term * x) >> 60) * x >> 60) // ((n + 1) * (n + 2))
            if term == -1:  # a floor never reaches 0 from below
                break
            n += 2
        values.append((total + (1 << 35)) >> 36)
    return values


def _whole_sine() -> Signal:
    up = _quarter_sine()
    half = up + up[-2:0:-1]
    return np.array([*half, *(-value for value in half), 0], dtype=np.int64)


SINE: Final = _whole_sine()  # one entry more than a turn, so that interpolation may look ahead


def sine(phase: Signal) -> Signal:
    """Return the sine of phases in 2**-32 turns (any integer), `ONE` for 1."""
    turn = phase & _TURN_MASK
    index = turn >> _FRACTION_BITS
    fraction = turn & ((1 << _FRACTION_BITS) - 1)
    left = SINE[index]
    value: Signal = left + (((SINE[index + 1] - left) * fraction) >> _FRACTION_BITS)
    return value


def phase_of(millihertz: Signal, rate: int) -> Signal:
    """Return the running phase of a changing frequency; the first word has phase 0."""
    phase: Signal = np.cumsum((millihertz << 32) // (1000 * rate), dtype=np.int64)
    return phase - phase[:1]


def decay(count: int, tau_ms: int, rate: int) -> Signal:
    """Return `count` words of an exponential decay from `ONE`, a factor e every `tau_ms`."""
    tau = max(2, tau_ms * rate // 1000)
    level, levels = ONE << 16, []
    for _ in range(count):
        levels.append(level >> 16)
        level -= level // tau
    return np.array(levels, dtype=np.int64)


def ramp(points: Sequence[tuple[int, int]], rate: int) -> Signal:
    """Return straight lines through (millisecond, value) points, without the last point's word."""
    pieces = []
    for (start_ms, start), (end_ms, end) in pairwise(points):
        count = end_ms * rate // 1000 - start_ms * rate // 1000
        steps = np.arange(count, dtype=np.int64)
        pieces.append(start + (end - start) * steps // max(1, count))
    return np.concatenate(pieces)


def xorshift32(count: int, seed: int) -> list[int]:
    """Return `count` numbers 1 ... 2**32-1 (G. Marsaglia, Xorshift RNGs, 2003: 13, 17, 5)."""
    state, numbers = seed, []
    for _ in range(count):
        state ^= (state << 13) & 0xFFFF_FFFF
        state ^= state >> 17
        state ^= (state << 5) & 0xFFFF_FFFF
        numbers.append(state)
    return numbers


def noise(count: int, seed: int) -> Signal:
    """Return white noise, even over the full scale."""
    return (np.array(xorshift32(count, seed), dtype=np.int64) >> 7) - ONE


def low_pass(signal: Signal, hertz: int, rate: int) -> Signal:
    """Return the signal through one pole (6 dB an octave) at `hertz`."""
    share = min(1 << 16, _TWO_PI_Q16 * hertz // rate)
    state, out = 0, []
    for value in signal.tolist():
        state += (((value << 16) - state) * share) >> 16
        out.append(state >> 16)
    return np.array(out, dtype=np.int64)


def high_pass(signal: Signal, hertz: int, rate: int) -> Signal:
    """Return what `low_pass` takes away."""
    return signal - low_pass(signal, hertz, rate)


def times(signal: Signal, gain: Signal) -> Signal:
    """Return the product of two signals, `ONE` being 1."""
    return (signal * gain) >> 24


def raised_to(signal: Signal, peak: int) -> Signal:
    """Return the signal scaled (nearest integer) so that its largest value is `peak`."""
    largest = max(1, int(np.abs(signal).max()))
    return (2 * signal * peak + largest) // (2 * largest)


def add(mix: Signal, at_ms: int, rate: int, thousandths: int, signal: Signal) -> None:
    """Add a signal at a time and a gain to `mix` in place; what overhangs is cut."""
    start = at_ms * rate // 1000
    room = mix[start : start + signal.size]
    room += signal[: room.size] * thousandths // 1000


def finished(mix: Signal, rate: int, fade_ms: int) -> Words:
    """Return the words of a mix: 1 ms in, `fade_ms` out, first and last word 0, no DC."""
    fade = np.full(mix.size, 1 << 12, dtype=np.int64)
    for edge, ms in ((fade, 1), (fade[::-1], fade_ms)):
        count = ms * rate // 1000
        edge[:count] = (np.arange(count, dtype=np.int64) << 12) // count
    faded = (mix * fade * fade) >> 24
    # What DC is left goes out under a parabola that is 0 at both ends, so the ends stay silent.
    place = np.arange(mix.size, dtype=np.int64)
    hill = place * (mix.size - 1 - place)
    share = (hill << 28) // int(hill.sum())
    level = raised_to(faded, PEAK)
    return raised_to(level - ((int(level.sum()) * share + (1 << 27)) >> 28), PEAK).astype(np.int32)


def _blank(duration_ms: int, rate: int) -> Signal:
    if not 8_000 <= rate <= 96_000:
        raise ValueError(f"sample rate {rate} is outside 8000 ... 96000 Hz")
    return np.zeros(duration_ms * rate // 1000, dtype=np.int64)


class Partial(Struct, frozen=True, kw_only=True):
    """One decaying sine of a struck thing."""

    millihertz: int
    thousandths: int
    tau_ms: int


def _struck(partials: Sequence[Partial], count: int, rate: int) -> Signal:
    """Return all partials together, leaving out those too near half the sample rate."""
    total = np.zeros(count, dtype=np.int64)
    for partial in partials:
        if partial.millihertz < _TOP * rate:
            steady = np.full(count, partial.millihertz, dtype=np.int64)
            wave = times(sine(phase_of(steady, rate)), decay(count, partial.tau_ms, rate))
            total += wave * partial.thousandths // 1000
    return total


def _tick(tau_ms: int, hertz: int, rate: int, seed: int) -> Signal:
    """Return the short bright noise of metal being touched."""
    count = 12 * tau_ms * rate // 1000
    burst = times(noise(count, seed), decay(count, tau_ms, rate))
    return high_pass(burst, hertz, rate)


# Equal temperament on A4 = 440 Hz, in millihertz.
D5, G5, A5 = 587_330, 783_991, 880_000
D6, E6, F6_SHARP, G6, A6, B6 = 1_174_659, 1_318_510, 1_479_978, 1_567_982, 1_760_000, 1_975_533

MUSIC_BOX_MS: Final = 1_500
MUSIC_BOX_SCORE: Final = (  # millisecond, tine, loudness in thousandths
    (10, F6_SHARP, 1000),
    (10, D5, 550),
    (175, A6, 850),
    (335, E6, 950),
    (500, B6, 900),
    (500, G5, 550),
    (675, G6, 950),
    (860, E6, 900),
    (860, A5, 500),
    (1_065, D6, 1000),
    (1_065, D5, 500),
)


def _tine(millihertz: int) -> tuple[Partial, ...]:
    """Return a plucked tine: a bar clamped at one end has its second mode at 6.267 times."""
    ring_ms = 190 + 90_000_000 // millihertz
    return (
        Partial(millihertz=millihertz, thousandths=1000, tau_ms=ring_ms),
        Partial(millihertz=millihertz * 2005 // 1000, thousandths=90, tau_ms=ring_ms * 2 // 5),
        Partial(millihertz=millihertz * 6267 // 1000, thousandths=260, tau_ms=38),
        Partial(millihertz=310_000, thousandths=160, tau_ms=9),  # the wooden box
    )


def music_box(rate: int) -> Words:
    """Return a phrase of seven plucked tines over four low ones, 1.5 s."""
    mix = _blank(MUSIC_BOX_MS, rate)
    for seed, (at_ms, tine, loudness) in enumerate(MUSIC_BOX_SCORE, start=71):
        ringing = mix.size - at_ms * rate // 1000
        add(mix, at_ms, rate, loudness, _struck(_tine(tine), ringing, rate))
        add(mix, at_ms, rate, loudness // 5, _tick(2, 2_500, rate, seed))
    return finished(mix, rate, fade_ms=120)


THUNDER_MS: Final = 2_500
THUNDER_CRACKS: Final = (  # millisecond, loudness in thousandths, decay in ms
    (8, 640, 14),
    (41, 400, 22),
    (78, 760, 40),
    (160, 330, 65),
    (265, 260, 90),
)


def _swells(rate: int, seed: int) -> Signal:
    """Return a random slow up and down between a sixth and the whole of `ONE`."""
    draws = xorshift32(80, seed)
    points, now_ms = [(0, 0)], 60
    while now_ms < THUNDER_MS:
        height = ONE // 6 + draws.pop() % (ONE * 5 // 6)
        points.append((now_ms, height))
        now_ms += 70 + draws.pop() % 150
    points.append((THUNDER_MS, ONE // 6))
    return ramp(points, rate)


def thunder(rate: int) -> Words:
    """Return a near crack and the rumble that rolls away after it, 2.5 s."""
    mix = _blank(THUNDER_MS, rate)
    for seed, (at_ms, loudness, tau_ms) in enumerate(THUNDER_CRACKS, start=311):
        count = 10 * tau_ms * rate // 1000
        burst = times(noise(count, seed), decay(count, tau_ms, rate))
        add(mix, at_ms, rate, loudness, high_pass(burst, 120, rate))
    rolling = times(_swells(rate, seed=1931), decay(mix.size, 1_000, rate))
    for hertz, loudness, seed in ((95, 2400, 4057), (420, 600, 8123)):
        dull = low_pass(low_pass(noise(mix.size, seed), hertz, rate), hertz, rate)
        body = raised_to(high_pass(dull, 28, rate), ONE)
        add(mix, 5, rate, loudness, times(body, rolling))
    return finished(mix, rate, fade_ms=500)


GULLS_MS: Final = 1_500
GULL_CALLS: Final = (  # millisecond, loudness in thousandths, (millisecond, millihertz) of pitch
    (10, 1000, ((0, 760_000), (30, 1_080_000), (70, 1_240_000), (150, 1_180_000), (420, 640_000))),
    (520, 900, ((0, 790_000), (25, 1_040_000), (60, 1_180_000), (130, 1_130_000), (360, 650_000))),
    (970, 820, ((0, 720_000), (30, 1_000_000), (70, 1_120_000), (160, 1_060_000), (450, 590_000))),
)
GULL_HARMONICS: Final = (520, 1000, 820, 560, 420, 230, 150, 90)  # thousandths


def _cry(pitch: Sequence[tuple[int, int]], rate: int, seed: int) -> Signal:
    """Return one call: a gliding, slightly hoarse tone with eight harmonics."""
    last_ms = pitch[-1][0]
    glide = ramp(pitch, rate)
    tremble = raised_to(low_pass(noise(glide.size, seed), 45, rate), 22_000)
    phase = phase_of(glide + tremble, rate)
    cry = np.zeros(glide.size, dtype=np.int64)
    for number, loudness in enumerate(GULL_HARMONICS, start=1):
        if number * int(glide.max()) < _TOP * rate:
            cry += sine(phase * number) * loudness // 2000
    breath = high_pass(low_pass(noise(glide.size, seed + 1), 3_000, rate), 1_200, rate)
    hoarse = ONE + raised_to(low_pass(noise(glide.size, seed + 2), 70, rate), ONE // 2)
    swell = [(0, 0), (12, ONE // 4), (40, ONE * 9 // 10), (last_ms // 3, ONE)]
    swell += [(last_ms * 3 // 4, ONE * 3 // 5), (last_ms * 9 // 10, ONE // 5), (last_ms, 0)]
    return times(times(cry + breath // 9, hoarse), ramp(swell, rate))


def gulls(rate: int) -> Words:
    """Return three falling cries of a gull, 1.5 s."""
    mix = _blank(GULLS_MS, rate)
    for seed, (at_ms, loudness, pitch) in enumerate(GULL_CALLS):
        add(mix, at_ms, rate, loudness, _cry(pitch, rate, 5003 + 10 * seed))
    return finished(mix, rate, fade_ms=40)


SHIPS_BELL_MS: Final = 2_000
SHIPS_BELL_STROKES: Final = ((6, 1000), (470, 880))  # millisecond, loudness in thousandths
SHIPS_BELL_PARTIALS: Final = (
    Partial(millihertz=611_000, thousandths=300, tau_ms=2_200),
    Partial(millihertz=1_174_000, thousandths=560, tau_ms=1_400),  # these two beat,
    Partial(millihertz=1_178_000, thousandths=430, tau_ms=1_400),  # four times a second
    Partial(millihertz=1_437_000, thousandths=330, tau_ms=800),
    Partial(millihertz=1_893_000, thousandths=230, tau_ms=480),
    Partial(millihertz=2_391_000, thousandths=420, tau_ms=420),
    Partial(millihertz=3_187_000, thousandths=300, tau_ms=260),
    Partial(millihertz=3_629_000, thousandths=300, tau_ms=210),
    Partial(millihertz=4_871_000, thousandths=260, tau_ms=130),
    Partial(millihertz=6_283_000, thousandths=210, tau_ms=80),
    Partial(millihertz=7_919_000, thousandths=140, tau_ms=45),
)


def ships_bell(rate: int) -> Words:
    """Return a pair of strokes on a small bronze bell, 2 s."""
    mix = _blank(SHIPS_BELL_MS, rate)
    for seed, (at_ms, loudness) in enumerate(SHIPS_BELL_STROKES, start=83):
        ringing = mix.size - at_ms * rate // 1000
        add(mix, at_ms, rate, loudness, _struck(SHIPS_BELL_PARTIALS, ringing, rate))
        add(mix, at_ms, rate, loudness // 2, _tick(2, 1_500, rate, seed))
    return finished(mix, rate, fade_ms=350)


def ships_bell_loop(rate: int) -> tuple[int, int]:
    """Return a sustain loop (first word, last word, both played) in the ring of `ships_bell`."""
    return loop_points(
        ships_bell(rate), earliest=rate * 11 // 10, shortest=rate // 5, longest=rate * 2 // 5
    )


class DemoSound(Struct, frozen=True, kw_only=True):
    """A sound and the sample rate the demo wants it at."""

    name: str
    rate: int
    make: Callable[[int], Words]


DEMO_SOUNDS: Final = (
    DemoSound(name="music box", rate=22_050, make=music_box),
    DemoSound(name="thunder", rate=11_025, make=thunder),
    DemoSound(name="gulls", rate=16_000, make=gulls),
    DemoSound(name="ship's bell", rate=22_050, make=ships_bell),
)


def loop_points(words: Words, *, earliest: int, shortest: int, longest: int) -> tuple[int, int]:
    """Return the smoothest loop (first word, last word, both played: CA-019 p. 2).

    The first word and the word after the last are both rising zero crossings; of all such pairs
    with a loop of `shortest` ... `longest` words, starting within `shortest` words of `earliest`,
    it is the one whose surroundings differ least.  ValueError if there is none.
    """
    reach = 48
    wide = words.astype(np.int64)
    rising = (np.flatnonzero((wide[:-1] < 0) & (wide[1:] >= 0)) + 1).tolist()
    rising = [at for at in rising if at >= max(earliest, reach) and at + reach <= wide.size]
    best: tuple[int, int, int] | None = None
    for start in (at for at in rising if at < earliest + shortest):
        before = wide[start - reach : start + reach]
        for after in (at for at in rising if shortest <= at - start <= longest):
            gap = int(np.abs(wide[after - reach : after + reach] - before).sum())
            if best is None or gap < best[0]:
                best = (gap, start, after - 1)
    if best is None:
        raise ValueError(f"no two rising zero crossings {shortest} ... {longest} words apart")
    return best[1], best[2]


def to_bits(words24: Words, bits: int) -> Words:
    """Return 24-bit words as words of 8 ... 28 bits: nearest value, halves up, saturated."""
    if not 8 <= bits <= 28:  # the significant bits a dump header can say, M1 p. 37
        raise ValueError(f"{bits} significant bits are outside 8 ... 28")
    wide = words24.astype(np.int64)
    if bits >= 24:
        return (wide << (bits - 24)).astype(np.int32)
    drop, limit = 24 - bits, 1 << (bits - 1)
    nearest: Signal = (wide + (1 << (drop - 1))) >> drop
    return nearest.clip(-limit, limit - 1).astype(np.int32)
