"""Sample rates in common use, and what an odd one may have been meant to be."""

from bisect import bisect
from fractions import Fraction
from functools import lru_cache
from typing import Final

from dryload.emulator.wire.messages import ExtendedHeader, Header
from dryload.harness.judge.finding import Findings, Place
from dryload.harness.judge.plan import FRACTION, NS, turned

COMMON: Final = (
    # Common practice; no standard lists them.
    *(6_000, 8_000, 10_000, 11_025, 12_000, 12_500, 15_000, 15_625, 16_000, 18_000, 20_000),
    *(22_050, 24_000, 25_000, 27_778, 28_000, 30_000, 31_250, 32_000, 37_500, 37_800, 40_000),
    *(44_056, 44_100, 47_952, 48_000, 50_000, 62_500, 64_000, 88_200, 96_000, 176_400, 192_000),
)
_NEAR: Final = 0.01  # HDR-11
_LEAST_NS: Final = 2_000  # a period of 500 kHz, twice what any sound has (our choice)


@lru_cache(maxsize=256)
def near_common(rate: float) -> int | None:
    """Return the common rate within 1 % of `rate` in Hz, None where there is none (HDR-11)."""
    at = bisect(COMMON, rate)
    near = [one for one in COMMON[max(at - 1, 0) : at + 1] if abs(one - rate) <= one * _NEAR]
    return min(near, key=lambda common: abs(common - rate), default=None)


def judge_odd_rate(findings: Findings, at: Place, header: Header, rate: Fraction) -> None:
    """Add a finding on a rate that nobody uses, and on what it may have been meant to be."""
    hertz = float(rate)
    if isinstance(header, ExtendedHeader):
        if (turned_rate := _extended_rate_meant(header)) is not None:
            how, meant = turned_rate
            findings.tell("rate turned round", at, how=how, rate=hertz, meant=meant)
        else:
            findings.tell("uncommon rate", at, rate=hertz, hint="")
        return
    period, meant_ns = header.period_ns, turned(header.period_ns, 3)
    period_meant = near_common(NS / meant_ns) if meant_ns else None
    if period_meant is not None:
        names = {"period": period, "meant_ns": meant_ns, "meant": period_meant, "rate": hertz}
        findings.tell("period reversed", at, names=names)
    elif period in COMMON:  # to the unit: near one of them lies every tenth number by chance
        hint = f" {period:,} looks like hertz where nanoseconds belong."
        findings.tell("rate in another unit", at, rate=hertz, hint=hint)
    elif period < _LEAST_NS:
        hint = f" {period:,} looks like microseconds where nanoseconds belong."
        findings.tell("rate in another unit", at, rate=hertz, hint=hint)
    else:
        findings.tell("uncommon rate", at, rate=hertz, hint="")


def _extended_rate_meant(header: ExtendedHeader) -> tuple[str, int] | None:
    whole, part = turned(header.rate_hz, 4), turned(header.rate_fraction, 4)
    for how, hertz, fraction in (
        ("reversed in its bytes", whole, part),
        ("exchanged in its halves", header.rate_fraction, header.rate_hz),
        ("exchanged in its halves and reversed in its bytes", part, whole),
    ):
        meant = near_common(hertz + fraction / FRACTION)
        if meant is not None:
            return how, meant
    return None
