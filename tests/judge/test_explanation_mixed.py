"""Explanations of several kinds of damage at once, done to sounds of every kind.

Nothing particular is expected of what is said but that it is true: `rebuild` applies it.
"""

from __future__ import annotations

import random
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from dryload.harness.judge.explanation import explain
from tests.judge import rebuild
from tests.oracle import words_per_packet

Array = NDArray[np.int64]
Signal = Callable[[random.Random, int, int], Array]
Damage = Callable[[random.Random, Array, int, int], Array]


def _noise(rng: random.Random, words: int, half: int) -> Array:
    return np.random.default_rng(rng.randrange(1 << 30)).integers(-half, half, words)


def _sine(rng: random.Random, words: int, half: int) -> Array:
    period = rng.choice([10, 30, 33.3, 40, 60, 100.7])
    wave: Array = (0.9 * half * np.sin(2 * np.pi * np.arange(words) / period)).astype(np.int64)
    return wave


def _square(rng: random.Random, words: int, half: int) -> Array:
    return np.where(np.arange(words) // rng.choice([3, 20, 30, 50]) % 2, half // 2, -half // 2)


def _clicks(rng: random.Random, words: int, half: int) -> Array:
    clicks = np.zeros(words, np.int64)
    for _ in range(min(3, words)):
        clicks[rng.randrange(words)] = half // 3
    return clicks


def _bursts(rng: random.Random, words: int, half: int) -> Array:
    return _noise(rng, words, half) * (np.arange(words) // 77 % 2)


def _decay(rng: random.Random, words: int, half: int) -> Array:
    at = np.arange(words)
    wave: Array = (0.9 * half * np.sin(at / 5) * np.exp(-at / 200)).astype(np.int64)
    return wave


def _constant(rng: random.Random, words: int, half: int) -> Array:
    return np.full(words, rng.choice([0, -half, half - 1, 1]))


def _whisper(rng: random.Random, words: int, half: int) -> Array:
    return _noise(rng, words, 2) // 2


SIGNALS: list[Signal] = [
    _noise,
    _sine,
    _square,
    _clicks,
    _bursts,
    _decay,
    _constant,
    _whisper,
]


def _packet(rng: random.Random, words: Array, step: int) -> int:
    return rng.randrange(max(len(words) // step, 1)) * step


def _lose(rng: random.Random, b: Array, half: int, step: int) -> Array:
    at = _packet(rng, b, step)
    return np.concatenate((b[:at], b[at + rng.randrange(1, 4) * step :]))


def _double(rng: random.Random, b: Array, half: int, step: int) -> Array:
    at = _packet(rng, b, step)
    twice = np.concatenate((b[: at + step], b[at:]))
    return twice[: len(b)] if rng.random() < 0.5 else twice


def _swap(rng: random.Random, b: Array, half: int, step: int) -> Array:
    at = _packet(rng, b, step)
    middle, end = at + step, at + 2 * step
    return np.concatenate((b[:at], b[middle:end], b[at:middle], b[end:]))


def _move(rng: random.Random, b: Array, half: int, step: int) -> Array:
    at, to = _packet(rng, b, step), _packet(rng, b, step)
    rest = np.concatenate((b[:at], b[at + step :]))
    return np.concatenate((rest[:to], b[at : at + step], rest[to:]))


def _flip(rng: random.Random, b: Array, half: int, step: int) -> Array:
    for _ in range(rng.choice([1, 3, 20]) if len(b) else 0):
        at = rng.randrange(len(b))
        b[at] = ((b[at] + half) ^ (1 << rng.randrange(half.bit_length()))) - half
    return b


def _spoil(rng: random.Random, b: Array, half: int, step: int) -> Array:
    if len(b):
        b[-rng.randrange(1, len(b) + 1) :] = rng.choice([0, -half, 5])
    return b


def _blank(rng: random.Random, b: Array, half: int, step: int) -> Array:
    at = _packet(rng, b, step)
    b[at : at + step] = rng.choice([0, -half])
    return b


def _delay(rng: random.Random, b: Array, half: int, step: int) -> Array:
    late = np.concatenate((np.zeros(rng.randrange(1, 50), np.int64), b))
    return late[: len(b)] if rng.random() < 0.5 else late


def _insert(rng: random.Random, b: Array, half: int, step: int) -> Array:
    at = rng.randrange(len(b) + 1)
    return np.concatenate((b[:at], _noise(rng, rng.randrange(1, 80), half), b[at:]))


def _trim(rng: random.Random, b: Array, half: int, step: int) -> Array:
    return b[rng.randrange(1, 50) :]


def _pad(rng: random.Random, b: Array, half: int, step: int) -> Array:
    return np.concatenate((b, np.full(rng.randrange(1, 100), rng.choice([0, -half]))))


def _negate(rng: random.Random, b: Array, half: int, step: int) -> Array:
    return np.clip(-b, -half, half - 1)


def _stick(rng: random.Random, b: Array, half: int, step: int) -> Array:
    mask = 1 << rng.randrange(half.bit_length())
    return ((b + half | mask) if rng.random() < 0.5 else (b + half & ~mask)) - half


def _cut(rng: random.Random, b: Array, half: int, step: int) -> Array:
    drop = rng.randrange(1, half.bit_length() - 2)
    return b >> drop << drop


def _round(rng: random.Random, b: Array, half: int, step: int) -> Array:
    drop = rng.randrange(1, half.bit_length() - 2)
    rounded: Array = np.minimum((b + (1 << (drop - 1))) >> drop, (half >> drop) - 1) << drop
    return rounded


def _soften(rng: random.Random, b: Array, half: int, step: int) -> Array:
    return b >> rng.randrange(1, half.bit_length() - 1)


def _justify(rng: random.Random, b: Array, half: int, step: int) -> Array:
    return (b + half >> rng.randrange(1, half.bit_length() - 1)) - half


def _invert(rng: random.Random, b: Array, half: int, step: int) -> Array:
    return (b + half ^ rng.randrange(1, 2 * half)) - half


DAMAGES: list[Damage] = [
    _lose,
    _double,
    _swap,
    _move,
    _flip,
    _spoil,
    _blank,
    _delay,
    _insert,
    _trim,
    _pad,
    _negate,
    _stick,
    _cut,
    _round,
    _soften,
    _justify,
    _invert,
]


@pytest.mark.parametrize("first", range(0, 600, 60))
def test_what_is_said_of_mixed_damage_is_true(first: int) -> None:
    for seed in range(first, first + 60):
        rng = random.Random(seed)
        bits = rng.choice([8, 9, 12, 14, 15, 16, 20, 21, 24, 28])
        half, step = 1 << (bits - 1), words_per_packet(bits)
        words = rng.choice([0, 1, 2, 5, 39, 40, 41, 100, 400, 1_007, 2_000])
        a = rng.choice(SIGNALS)(rng, words, half)
        b = a.copy()
        for damage in rng.choices(DAMAGES, k=rng.choice([1, 1, 2, 3])):
            b = damage(rng, b.copy(), half, step)
        account = explain(a.astype(np.int32), b.astype(np.int32), bits=(bits, bits))
        assert (account == ()) == np.array_equal(a, b), seed
        rebuild.check(account, a.tolist(), b.tolist(), bits, step)
