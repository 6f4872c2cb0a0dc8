"""What a recording of the test tone says of the memory that it was played from.

Theory of operation.  The tone is found in the recording, and its phase is followed in blocks.  A
fault leaves blocks of another phase, so the pitch is the median of what the phase moves by, over
longer and longer ways, and the straight tone is fitted to the blocks that agree with most others.
Its pitch says how many words lie in a second, so the recording is brought to one value a word,
which also takes off what a unit's converter adds above the words' own band.  The tone is
subtracted.  What is left is noise, hum (taken off below a third of the tone's pitch), and what is
wrong: words that are not as they were written.  Windows of 4 to 4,096 words are held against the
level of the rest, the short ones first; words that are told already count no more in longer ones.

Levels are energies a word, in parts of the square of the tone's amplitude.
"""

from collections.abc import Iterator
from fractions import Fraction
from typing import Any, Final, TypeAlias

import numpy as np
import soxr
from msgspec import Struct

from dryload.harness.files.problem import Problem
from dryload.harness.prove.tone import FEWEST, LEVEL, PITCH_HZ, SHARE

Signal: TypeAlias = np.ndarray[Any, np.dtype[np.float64]]
Phasors: TypeAlias = np.ndarray[Any, np.dtype[np.complex128]]
Chosen: TypeAlias = np.ndarray[Any, np.dtype[np.bool_]]

_CYCLES: Final = float(SHARE)
_LEAST_RATE: Final = 22_050
"""Frames a second that a word is heard by."""
_LONGEST_S: Final = 300
_OFF_PITCH: Final = 0.015
"""How far the pitch may be off: a quarter of a semitone."""
_BLOCK: Final = 128  # words, in which a phase is read
_AGREED: Final = 0.7  # of 1, for steps of the phase that are all the same
_LEAST_SHARE: Final = 0.25  # of the energy, that is the tone's
_END_S: Final = 0.1
"""What a fade, and the edge of the silence around it, may take of both ends together."""
_NEAR: Final = 0.02  # of the amplitude, that the tone may be off where it has set in
_CLIPPED: Final = 1.009  # quantiles of a sine are at 1.0124 here
_HUM: Final = (0.25 * _CYCLES, 0.40 * _CYCLES)  # cycles a word, all off and all there
_TOO_LOUD: Final = 1e-4 / 2
"""Energy of the rest, 40 dB below the tone's, above which it says nothing."""
_WINDOWS: Final = ((4, 20.0), (16, 7.0), (64, 3.4), (256, 2.2), (1024, 1.7), (4096, 1.5))
"""Words, and how many times the energy of the rest they may have."""
_LEAST: Final = 2e-7
"""Energy up to which no window is wrong: 64 dB below the tone."""
_ALONE: Final = 0.4  # of the energy of one wrong word, that a unit's own filter leaves
_LOWEST_BIT: Final = 8
"""The lowest bit that is ever said to be covered; the counts of the tests go no lower."""
_TOP_BIT: Final = 15
_GAP: Final = 256  # words: what is nearer together is one stretch


class WrongStretch(Struct, frozen=True, kw_only=True):
    """Words that did not sound as they were written."""

    start_s: float
    """Seconds from the beginning of the recording."""
    seconds: float
    word: int
    """About the first one, counted from where the tone sets in."""
    words: int
    level_db: float
    """Below the tone."""


class ToneHeard(Struct, frozen=True, kw_only=True):
    """What was heard in a recording."""

    pitch_hz: float
    words: int
    """Words of the tone that were judged."""
    of_words: int
    """Words that the sample has."""
    ended_early: bool
    """Whether the tone was there for fewer words than that, beyond a short fade."""
    rest_db: float
    """What is left beside the tone, below it, where nothing is wrong."""
    lowest_bit: int | None
    """Of one word this bit alone, turned over, would have been heard; 15 is the top bit.

    None where the rest is too loud to tell anything.
    """
    wrong: tuple[WrongStretch, ...]

    @property
    def is_right(self) -> bool:
        """Whether nothing was heard to be wrong, of all words."""
        return not (self.wrong or self.ended_early or self.lowest_bit is None)


def judge(frames: Signal, rate: Fraction, words: int) -> ToneHeard:
    """Return what is heard in a recording of the tone; a Problem where it is no such recording.

    `frames` has the shape (frames, channels); `words` is how many the sample has.
    """
    if rate < _LEAST_RATE or len(frames) > _LONGEST_S * rate:
        seconds = len(frames) / float(rate)
        raise Problem(
            f"it has {float(rate):,.0f} frames a second and lasts for {seconds:.0f} s.",
            do=f"Record at 44,100 Hz, and cut it to less than {_LONGEST_S} s.",
        )
    frames = np.nan_to_num(frames, posinf=1.0, neginf=-1.0)
    sound = frames[:, int(np.argmax((frames**2).sum(axis=0)))]
    per_frame, start, stop = _found(sound - float(np.median(sound)), float(rate))
    edge = (stop - start) // 20  # a fade is not looked at
    _check_clipped(sound[start + edge : stop - edge])
    lasted = (stop - start) * per_frame
    end = _END_S * float(rate) * per_frame  # in words
    if lasted < FEWEST - end:
        raise Problem(
            f"the tone lasts for {(stop - start) / float(rate):.2f} s, which is too short.",
            do="Record all of it, at its own pitch; hold the key until it ends.",
        )
    if lasted > words + end:
        raise Problem(
            f"the tone lasts for {round(lasted):,} words, and the sample has {words:,}.",
            do="Switch the loop off, play it once, or give the words that were written.",
        )
    sound = soxr.resample(sound[start:stop], 1.0, per_frame, quality="VHQ")
    sound, cut, amplitude = _without_tone(sound, int(end))
    rest = _without_hum(sound) / amplitude
    base, marked = _marked(rest**2)
    shortest, times = _WINDOWS[0]
    limit = shortest * _limit(base, times)
    bits = [b for b in range(_LOWEST_BIT, _TOP_BIT + 1) if _ALONE * _height(b) ** 2 >= limit]
    wrong = []
    for first, last in _stretches(marked):
        energy = float((rest[first:last] ** 2).mean())
        wrong.append(
            WrongStretch(
                start_s=(start + (cut + first) / per_frame) / float(rate),
                seconds=(last - first) / per_frame / float(rate),
                word=cut + first,
                words=last - first,
                level_db=_decibels(energy),
            )
        )
    return ToneHeard(
        pitch_hz=per_frame * _CYCLES * float(rate),
        words=len(rest),
        of_words=words,
        ended_early=lasted < words - end,
        rest_db=_decibels(base),
        lowest_bit=None if base > _TOO_LOUD else min(bits, default=None),
        wrong=tuple(wrong),
    )


def _height(bit: int) -> float:
    return float(2**bit / (LEVEL * 2**_TOP_BIT))


def _decibels(energy: float) -> float:
    return 10 * float(np.log10(max(2 * energy, 1e-20)))


# the tone


def _found(sound: Signal, rate: float) -> tuple[float, int, int]:
    """Return how many words a frame has, and the frames between which the tone is."""
    best = _strongest(sound, rate, 1 - _OFF_PITCH, 1 + _OFF_PITCH)
    if best is not None and abs(best[0] / PITCH_HZ - 1) <= _OFF_PITCH:
        pitch_hz, first, last = best
        return pitch_hz / rate / _CYCLES, first, last
    other = best or _strongest(sound, rate, 0.25, 4.0)
    what = "the test tone is not in it"
    if other is not None:
        what = f"its tone has {other[0]:,.0f} Hz, and the test tone {PITCH_HZ:,.0f}"
    raise Problem(
        f"{what}.",
        do="Record what --tone wrote, played alone and at its own pitch. If that is what was "
        "recorded, most words are not where they belong, or the unit changes the sound.",
    )


def _strongest(
    sound: Signal, rate: float, low: float, high: float
) -> tuple[float, int, int] | None:
    """Return the pitch of a tone, and the frames between which it is; None where there is none.

    Its pitch is looked for between two multiples of the tone's.
    """
    size, length = int(_BLOCK * _CYCLES / PITCH_HZ * rate), 1 << len(sound).bit_length()
    if len(sound) < 4 * size or not sound.any():
        return None
    spectrum = np.abs(np.fft.rfft(sound, length))
    bins = [int(PITCH_HZ * each / rate * length) for each in (low, high)]
    cycles = (bins[0] + int(np.argmax(spectrum[bins[0] : bins[1] + 1]))) / length
    blocks = _phasors(sound, cycles, size)
    strength = np.abs(blocks)
    loud = float(np.median(strength[strength > 0.3 * strength.max()]))
    there = np.flatnonzero(strength > loud / 2)
    first, last = int(there[0]), int(there[-1]) + 1
    energy = float((sound[first * size : last * size] ** 2).mean())
    if last - first < 4 or loud**2 / 2 < _LEAST_SHARE * energy:
        return None
    return (cycles + _turn(blocks[first:last]) / size) * rate, first * size, last * size


def _phasors(sound: Signal, cycles: float, size: int) -> Phasors:
    """Return amplitude and phase of a tone, given in cycles a value, in blocks of `size`."""
    count = len(sound) // size
    tone = np.exp(-2j * np.pi * cycles * np.arange(count * size)).reshape(count, size)
    window = np.hanning(size)
    found: Phasors = (sound[: count * size].reshape(count, size) * tone) @ (
        2 / window.sum() * window
    )
    return found


def _turn(blocks: Phasors) -> float:
    """Return by how many cycles the phase moves in a block, the most usual way of all."""
    turn, lag = 0.0, 1
    while lag <= max(len(blocks) // 4, 1):
        moved = np.angle(blocks[lag:] * blocks[:-lag].conj() * np.exp(-2j * np.pi * turn * lag))
        if lag > 1 and abs(np.exp(1j * moved).mean()) < _AGREED:
            break
        turn += float(np.median(moved)) / (2 * np.pi * lag)
        lag *= 2
    return turn


def _check_clipped(sound: Signal) -> None:
    """Raise a Problem where the tops of the tone are cut off."""
    middle = float(np.median(sound))
    for side in (sound - middle, middle - sound):
        # Of a sine, 1 in 200 values are above 0.9999 of its amplitude, 1 in 20 above 0.988.
        near, top = np.quantile(side, (0.95, 0.995))
        if near > 0 and top / near < _CLIPPED:
            raise Problem(
                "it is clipped: the tops of the tone are cut off.",
                do="Record it at a lower level. Where that does not help, the unit itself, or its "
                "topmost data line, cuts them off.",
            )


def _without_tone(sound: Signal, end: int) -> tuple[Signal, int, float]:
    """Return what is left of a sound of one value a word, what was cut in front, the amplitude.

    No more than `end` words are cut at both ends.
    """
    blocks = _phasors(sound, _CYCLES, _BLOCK)
    usual = _most(blocks)
    typical = complex(np.median(blocks[usual].real), np.median(blocks[usual].imag))
    off = np.abs(np.abs(blocks) - abs(typical)) > _NEAR * abs(typical)
    front, back = (_leading(each, end // 2 // _BLOCK) for each in (off, off[::-1]))
    first, last = (front + 1) * _BLOCK, (len(blocks) - back - 1) * _BLOCK
    sound, usual = sound[first:last], usual[front + 1 : len(blocks) - back - 1]
    if not usual.any():
        usual = ~usual
    place = np.linspace(-1, 1, len(sound))
    phase = 2 * np.pi * _CYCLES * (np.arange(len(sound)) + first)
    wave = np.exp(1j * phase)
    parts = np.stack([wave.real, wave.imag, place**0, place * wave.real, place * wave.imag])
    left, fit = sound, np.zeros(len(parts))
    for count in (3, 3, 5, 5):  # at last with a drift: of words at fault it would make one
        chosen = np.repeat(usual, _BLOCK)
        some = parts[:count, chosen]
        fit = np.linalg.lstsq(some @ some.T, some @ sound[chosen], rcond=None)[0]
        left = sound - fit @ parts[:count]
        energy = (left.reshape(-1, _BLOCK) ** 2).mean(axis=1)
        usual = energy <= 2 * np.quantile(energy[usual], 0.25)
    return left, first, float(np.hypot(fit[0], fit[1]))


def _most(blocks: Phasors) -> Chosen:
    """Return which blocks have the phase and the amplitude that most have."""
    phases, sizes = np.angle(blocks), np.abs(blocks)
    count, edges = np.histogram(phases, bins=90, range=(-np.pi, np.pi))
    at = int(np.argmax(count + np.roll(count, 1) + np.roll(count, -1)))
    middle = (edges[at] + edges[at + 1]) / 2
    found: Chosen = np.abs(np.angle(np.exp(1j * (phases - middle)))) < 0.15
    some = np.sort(sizes[found])
    third = len(some) // 3  # those that lie nearest together
    at = int(np.argmin(some[third:] - some[: len(some) - third]))
    usual = some[at + third // 2]
    found &= np.abs(sizes - usual) <= _NEAR * usual
    return found


def _leading(off: Chosen, most: int) -> int:
    right = np.flatnonzero(~off)
    return min(int(right[0]) if len(right) else most, most)


# what is left


def _without_hum(sound: Signal) -> Signal:
    edge = min(_WINDOWS[-1][0], len(sound) - 1)
    wide = np.pad(sound, edge, mode="reflect")  # without a step where the end meets the beginning
    spectrum = np.fft.rfft(wide)
    low, high = _HUM
    cycles = np.arange(len(spectrum)) / len(wide)
    kept = np.sin(np.pi / 2 * np.clip((cycles - low) / (high - low), 0, 1)) ** 2
    found: Signal = np.fft.irfft(spectrum * kept, len(wide))[edge : edge + len(sound)]
    return found


def _marked(energy: Signal) -> tuple[float, Chosen]:
    """Return the usual energy of a word, and which words are in windows that have too much."""
    size = 256
    whole = energy[: len(energy) // size * size].reshape(-1, size).mean(axis=1)
    base = float(np.quantile(whole, 0.25))
    energy, marked = energy.copy(), np.zeros(len(energy), np.bool_)
    for size, times in _WINDOWS:
        step = size // 4
        total = np.concatenate([[0.0], np.cumsum(energy)])
        starts = np.arange(0, len(energy) - size + 1, step)
        over = starts[total[starts + size] - total[starts] > size * _limit(base, times)]
        for start in over:
            marked[start : start + size] = True
        energy[marked] = base
    return base, marked


def _limit(base: float, times: float) -> float:
    """Return the energy a word up to which a window is right."""
    return max(base * times, _LEAST)


def _stretches(marked: Chosen) -> Iterator[tuple[int, int]]:
    """Yield the first and the last word + 1 of each stretch of marked words."""
    places = np.flatnonzero(marked)
    if not len(places):
        return
    for part in np.split(places, np.flatnonzero(np.diff(places) > _GAP) + 1):
        yield int(part[0]), int(part[-1]) + 1
