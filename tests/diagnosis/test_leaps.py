"""Sounds that leap: too loud ones, ones in two's complement, and all that must not be called so.

That an overload wraps round and that two's complement turns the top bit over is arithmetic; that
words are offset binary is M1 p. 39.
"""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dryload.harness.diagnose.diagnose import diagnose
from dryload.harness.jobs.campaign_case import sound
from tests import oracle
from tests.judge.talking import Tape, say

BITS = (8, 10, 12, 16, 20)


def wave(bits: int, percent: int, turn: int = 61, words: int = 240) -> list[int]:
    """A sine of so many words a turn, at so much of full scale, not yet cut to a word."""
    half = 1 << (bits - 1)
    steps = np.arange(words)
    return [round(float(each)) for each in np.sin(2 * np.pi * steps / turn) * half * percent / 100]


def wrapped(values: list[int], bits: int) -> list[int]:
    half = 1 << (bits - 1)
    return [(each + half) % (2 * half) - half for each in values]


def turned(values: list[int], bits: int) -> list[int]:
    """What a receiver makes of two's complement: the top bit of each word turned over."""
    half = 1 << (bits - 1)
    return [each - half if each >= 0 else each + half for each in values]


def named(words: list[int], bits: int) -> set[str]:
    packets = oracle.packets(device_id=0, bits=bits, words=words)
    tape = Tape().to(oracle.header(sample_number=1, bits=bits, period_ns=22_676, length=len(words)))
    tape.back(say("ACK"))
    for place, packet in enumerate(packets):
        tape.to(packet, after_ms=2).back(say("ACK", place))
    return {each.name for each in diagnose(tape.recorded()).causes}


@pytest.mark.parametrize("bits", BITS)
@pytest.mark.parametrize("percent", [108, 125, 160])
def test_an_overload(bits: int, percent: int) -> None:
    assert "overload wraps" in named(wrapped(wave(bits, percent), bits), bits)


@pytest.mark.parametrize("bits", BITS)
def test_twos_complement(bits: int) -> None:
    assert "two's complement" in named(turned(wave(bits, 80), bits), bits)


@pytest.mark.parametrize("bits", BITS)
@pytest.mark.parametrize("percent", [40, 80, 99])
def test_a_wave_that_stays_within_full_scale(bits: int, percent: int) -> None:
    found = named(wrapped(wave(bits, percent), bits), bits)
    assert not found & {"overload wraps", "two's complement"}


@settings(max_examples=150, deadline=None)
@given(
    content=st.sampled_from(["noise", "ramp", "silence", "extremes"]),
    bits=st.sampled_from(BITS),
    words=st.integers(33, 300),
    seed=st.integers(0, 10**6),
)
@example(content="noise", bits=20, words=33, seed=11186)
def test_what_is_no_smooth_sound_says_nothing(
    content: str, bits: int, words: int, seed: int
) -> None:
    made = sound(content, words, bits, seed).tolist()  # type: ignore[arg-type]  # one of its names
    assert not named(made, bits) & {"overload wraps", "two's complement"}
