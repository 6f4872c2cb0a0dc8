"""Sounds that leap by right, and those that leap because something was done to them.

Clipping, square waves and pulses are common practice and harm nobody; a word that passes full
scale starts again at the other end, as numbers of so many bits do (M1 p. 39 has the words).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from tests import oracle
from tests.diagnosis.broken_dumps import as_file
from tests.diagnosis.test_dump_files import of_dump

BITS = (8, 12, 16, 20, 24)
LONG = 390


def named(words: list[int], bits: int, length: int | None = None) -> set[str]:
    """The causes in the dump that are suspected of these words."""
    data = oracle.dump(bits=bits, words=words, sample_number=1, period_ns=22_676, loop_type=0x7F)
    if length is not None:
        told = bytes([length & 0x7F, length >> 7 & 0x7F, length >> 14 & 0x7F])
        data = data[:10] + told + data[13:]  # M1 p. 37: the length stands at bytes 10 to 12
    return {each.name for each in of_dump(as_file(data))}


def clipped(value: float, half: int) -> int:
    return max(-half, min(half - 1, round(value * half)))


def wrapped(value: float, half: int) -> int:
    return (round(value * half) + half) % (2 * half) - half


def triangle(at: int, length: int) -> float:
    phase = at % length / length
    return 4 * abs(phase - 0.5) - 1


LEGAL: dict[str, Callable[[int], float]] = {
    "clipped": lambda at: 5 * math.sin(at / 6),
    "clipped hard": lambda at: 40 * math.sin(at / 7.3),
    "soft square": lambda at: 1.2 * math.tanh(20 * math.sin(at / 9)),
    "pulse that fades": lambda at: (
        (1 if at % 37 < 9 else -1) * math.exp(-at / LONG) + 0.02 * math.sin(at / 7)
    ),
    "square": lambda at: 0.99 if at % 24 < 12 else -0.99,
    "saw with a ripple": lambda at: 1.8 * (at % 60) / 60 - 0.9 + 0.1 * math.sin(at / 4),
}


@pytest.mark.parametrize("bits", BITS)
@pytest.mark.parametrize("sound", LEGAL)
def test_edges_are_no_fault(sound: str, bits: int) -> None:
    half = 1 << bits - 1
    assert not named([clipped(LEGAL[sound](at), half) for at in range(LONG)], bits)


@pytest.mark.parametrize("loud", [1.15, 1.4])
@pytest.mark.parametrize("bits", BITS)
def test_too_loud_by_a_little(bits: int, loud: float) -> None:
    half = 1 << bits - 1
    sine = [loud * math.sin(at / 13) for at in range(LONG)]
    corners = [loud * triangle(at, 84) * (1 - at / 5000) for at in range(LONG)]
    for sound in (sine, corners):
        assert named([wrapped(each, half) for each in sound], bits) == {"overload wraps"}
        assert not named([wrapped(each * 0.95 / loud, half) for each in sound], bits)


@pytest.mark.parametrize("bits", BITS)
@pytest.mark.parametrize("length", [25, 13])
def test_twos_complement(bits: int, length: int) -> None:
    half = 1 << bits - 1
    sound = [clipped(0.8 * math.sin(at / length), half) for at in range(LONG)]
    turned = [word % (2 * half) - half for word in sound]
    assert named(turned, bits) == {"two's complement"}


def test_twos_complement_that_leaps_once() -> None:
    sound = [round(20_000 * math.sin(math.pi * at / 100)) for at in range(180)]
    assert named([(word % 65_536) - 32_768 for word in sound], 16) == {"two's complement"}
    ramp = [(300 * at) % 65_536 - 32_768 for at in range(300)]
    assert not named(ramp, 16)


@pytest.mark.parametrize("bits", [8, 14])
def test_half_the_length_is_not_twice_the_bytes(bits: int) -> None:
    """Twice as many packets as announced, and every word is right as it stands."""
    half = 1 << bits - 1
    sound = [clipped(0.8 * math.sin(at / 20), half) for at in range(480)]
    found = named(sound, bits, length=240)
    assert "length wrong" in found
    assert "wrong bytes a word" not in found
