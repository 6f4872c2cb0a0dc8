"""The test tone: what a memory is filled with where a unit sends nothing back.

A word that comes from elsewhere must be heard as a click.  A fault of an address line takes it from
2^k words away, so no 2^k words may be nearly a whole number of cycles.  The share of the sample
rate that the tone has, written in binary, never has three equal digits in a row after its first 1,
up to 2^21: so 2^k words are at least 0.175 cycles away from a whole number, for k from 2 to 21.
"""

from fractions import Fraction
from typing import Final

import numpy as np

from dryload.emulator.wire.constants import MAX_21_BIT
from dryload.harness.files.audio import Recording

SHARE: Final = Fraction(44_139_188, 1_000_000_000)
"""Cycles a word."""
LEVEL: Final = 0.8
"""Of full level."""
RATE: Final = Fraction(1_000_000_000, 45_000)
"""Words a second: a whole sample period, and a rate that units of all kinds take."""
PITCH_HZ: Final = float(SHARE * RATE)
FEWEST: Final = 8_192
MOST: Final = MAX_21_BIT
"""Words of one sample; a standard header says no more (HDR-06)."""


def tone(words: int) -> Recording:
    """Return the tone, so many words long, in 16 bits."""
    cycles = np.arange(words) * float(SHARE)
    values = np.round(LEVEL * 2**15 * np.sin(2 * np.pi * cycles)).astype(np.int32)
    return Recording(frames=(values << 16).reshape(-1, 1), rate=RATE, source="16-bit")
