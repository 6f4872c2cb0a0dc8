"""Sample rates as stated in a header, and as intended."""

from fractions import Fraction
from typing import Final

from dryload.emulator.wire.prose import hertz

COMMON_RATES: Final = (
    *(8_000, 11_025, 16_000, 22_050, 32_000, 44_100),
    *(48_000, 88_200, 96_000, 176_400, 192_000),
)
"""Sample rates of the trade in Hz (common practice)."""
_ASSUMED_RATE: Final = 44_100
"""In Hz, for a dump that states none (common practice)."""


def meant(rate: Fraction) -> int | None:
    """Return the common rate, in Hz, that a rate is meant to be; None if it is not one of them.

    The period in a header is a whole number of ns, which most common rates do not have (HDR-05): a
    fractional rate within 0.01 % of a common one is taken for that one.
    """
    if rate.denominator == 1:
        return None
    return next((common for common in COMMON_RATES if abs(rate - common) * 10_000 <= common), None)


def whole_rate(rate: Fraction | None) -> tuple[int, str]:
    """Return the whole Hz that an audio file gets for `rate`, and a remark where they differ.

    None stands for a dump that states no rate.
    """
    if rate is None:
        return _ASSUMED_RATE, f"the header states no rate: {_ASSUMED_RATE:,} Hz is assumed"
    if rate.denominator == 1:
        return int(rate), ""
    common = meant(rate)
    if common is not None:
        return common, f"the dump's rate, {float(rate):,.2f} Hz, is taken as {common:,} Hz"
    whole = max(round(rate), 1)
    return whole, f"the dump's rate, {float(rate):,.2f} Hz, is rounded to {whole:,} Hz"


def meant_hertz(rate: Fraction) -> str:
    """Return a sample rate in words; if a common one is meant, that one."""
    return hertz(Fraction(meant(rate) or rate))
