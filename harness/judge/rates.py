"""Sample rates in common use, and what an odd one may have been meant to be."""

from bisect import bisect
from fractions import Fraction
from typing import Final

from emulator.wire.messages import DumpHeader, ExtendedHeader, Header
from harness.judge.finding import Answerable, Findings, Place, Verdict
from harness.judge.plan import FRACTION, NS, turned

COMMON: Final = (
    # Common practice; no standard lists them.
    *(6_000, 8_000, 10_000, 11_025, 12_000, 12_500, 15_000, 15_625, 16_000, 18_000, 20_000),
    *(22_050, 24_000, 25_000, 27_778, 28_000, 30_000, 31_250, 32_000, 37_500, 37_800, 40_000),
    *(44_056, 44_100, 47_952, 48_000, 50_000, 62_500, 64_000, 88_200, 96_000, 176_400, 192_000),
)
_NEAR: Final = 0.01  # HDR-11


def near_common(rate: float) -> int | None:
    """Return the common rate within 1 % of `rate` in Hz, None where there is none (HDR-11)."""
    at = bisect(COMMON, rate)
    near = [one for one in COMMON[max(at - 1, 0) : at + 1] if abs(one - rate) <= one * _NEAR]
    return min(near, key=lambda common: abs(common - rate), default=None)


def judge_odd_rate(findings: Findings, at: Place, header: Header, rate: Fraction) -> None:
    """Add a finding on a rate that nobody uses, and on what it may have been meant to be."""
    if isinstance(header, ExtendedHeader):
        if (meant := _extended_rate_meant(header)) is not None:
            how, hertz = meant
            findings.add(
                "EXT-02",
                f"The sample rate looks {how}: it reads {float(rate):,.3f} Hz.",
                at=at,
                expected=f"about {hertz:,} Hz",
                found=f"{float(rate):,.3f} Hz",
                do="Write whole hertz in four bytes and then the fraction in four, "
                "the low seven bits first.",
                verdict=Verdict.NOTED,
                who=Answerable.SENDER,
            )
            return
    else:
        meant_ns = turned(header.period_ns, 3)
        if meant_ns and (hertz_meant := near_common(NS / meant_ns)) is not None:
            findings.add(
                "HDR-12",
                f"The bytes of the sample period look reversed: it reads {header.period_ns:,} ns.",
                at=at,
                expected=f"about {meant_ns:,} ns, which is {hertz_meant:,} Hz",
                found=f"{header.period_ns:,} ns, which is {float(rate):,.1f} Hz",
                do="Write the low seven bits first.",
                verdict=Verdict.NOTED,
                who=Answerable.SENDER,
            )
            return
    findings.add(
        "HDR-11",
        f"The sample rate is an uncommon one: {float(rate):,.1f} Hz.{_unit_hint(header)}",
        at=at,
        expected="a rate in common use, to within 1 %",
        found=f"{float(rate):,.1f} Hz",
        do="Check the pitch after loading; nothing needs doing if the rate is meant.",
    )


def _unit_hint(header: Header) -> str:
    if not isinstance(header, DumpHeader):
        return ""
    if near_common(header.period_ns) is not None:
        return f" {header.period_ns:,} looks like hertz where nanoseconds belong."
    if any(round(1_000_000 / common) == header.period_ns for common in COMMON):
        return f" {header.period_ns:,} looks like microseconds where nanoseconds belong."
    return ""


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
