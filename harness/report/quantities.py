"""How amounts are written for people."""

from fractions import Fraction
from typing import Final

from harness.files.rates import meant

_SECOND: Final = 1_000_000_000


def duration(ns: int) -> str:
    """Return a time as somebody at a bench would say it: "12 ms", "0.28 s", "1 min 33.8 s"."""
    if ns < _SECOND // 10:
        return f"{ns / 1_000_000:.1f} ms" if ns < 10_000_000 else f"{ns / 1_000_000:.0f} ms"
    if ns < 10 * _SECOND:
        return f"{ns / _SECOND:.2f} s"
    tenths = round(ns * 10 / _SECOND)
    if tenths < 600:
        return f"{tenths / 10:.1f} s"
    if tenths < 36_000:
        return f"{tenths // 600} min {tenths % 600 / 10:.1f} s"
    minutes = round(tenths / 600)
    return f"{minutes // 60} h {minutes % 60} min"


def rate(hz: Fraction) -> str:
    """Return a sample rate: "44,100 Hz", "44,055.94 Hz"; where a common one is meant, that one."""
    whole = int(hz) if hz.denominator == 1 else meant(hz)
    return f"{float(hz):,.2f} Hz" if whole is None else f"{whole:,} Hz"


def count(number: int, what: str) -> str:
    """Return "1 packet" or "2 packets"."""
    return f"{number:,} {what}" if number == 1 else f"{number:,} {what}s"


def sides(channels: int) -> str:
    """Return "mono", "stereo" or "5 channels"."""
    return {1: "mono", 2: "stereo"}.get(channels, f"{channels} channels")


def share(part: int, whole: int) -> str:
    """Return a part in per cent: "87 %"."""
    return f"{100 * part / whole:.0f} %" if whole else "0 %"
