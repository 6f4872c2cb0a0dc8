"""Chance without randomness: numbers that look thrown and follow from a seed alone.

The mixing function is the finaliser of the published splitmix64 generator (2014;
constants from memory); a text becomes a number by 64-bit FNV-1a.  Nothing is remembered
between two throws, so no throw depends on how many came before it.
"""

from fractions import Fraction
from functools import lru_cache
from typing import Final

_MASK: Final = (1 << 64) - 1
_STEP: Final = 0x9E37_79B9_7F4A_7C15
_ONE: Final = 0xBF58_476D_1CE4_E5B9
_TWO: Final = 0x94D0_49BB_1331_11EB
_FNV_START: Final = 0xCBF2_9CE4_8422_2325
_FNV_PRIME: Final = 0x0000_0100_0000_01B3


def thrown(*numbers: int, after: int = 0) -> int:
    """Return 64 bits that follow from these numbers, in this order.

    `after` is what was thrown of others that stand before them.
    """
    state = after
    for number in numbers:
        state = (state + (number & _MASK) + _STEP) & _MASK
        state = ((state ^ state >> 30) * _ONE) & _MASK
        state = ((state ^ state >> 27) * _TWO) & _MASK
        state ^= state >> 31
    return state


def below(limit: int, *numbers: int) -> int:
    """Return a number from 0 to `limit` - 1; ValueError where there is none."""
    if limit < 1:
        raise ValueError(f"there is no number below {limit}")
    return thrown(*numbers) * limit >> 64


def happens(chance: Fraction, *numbers: int) -> bool:
    """Return whether something of this chance, 0 to 1, happens this time."""
    return thrown(*numbers) * chance.denominator < chance.numerator << 64


@lru_cache(maxsize=1024)
def salt_of(text: str) -> int:
    """Return a number for a text, the same at all times."""
    salt = _FNV_START
    for byte in text.encode():
        salt = ((salt ^ byte) * _FNV_PRIME) & _MASK
    return salt
