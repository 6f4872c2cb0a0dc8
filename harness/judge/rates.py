"""Sample rates in common use, and what an odd one may have been meant to be."""

from fractions import Fraction
from typing import Final

COMMON: Final = (
    # Common practice; no standard lists them.
    *(6_000, 8_000, 10_000, 11_025, 12_000, 12_500, 15_000, 15_625, 16_000, 18_000, 20_000),
    *(22_050, 24_000, 25_000, 27_778, 28_000, 30_000, 31_250, 32_000, 37_500, 37_800, 40_000),
    *(44_056, 44_100, 47_952, 48_000, 50_000, 62_500, 64_000, 88_200, 96_000, 176_400, 192_000),
)
_NEAR: Final = Fraction(1, 100)  # HDR-11


def near_common(rate: Fraction | int) -> int | None:
    """Return the common rate within 1 % of `rate`, None where there is none (HDR-11)."""
    nearest = min(COMMON, key=lambda common: abs(common - rate))
    return nearest if abs(nearest - rate) <= nearest * _NEAR else None
