"""Amounts, times and lists as people write them; every room takes them from here."""

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from fractions import Fraction

_SECOND: Final = 1_000_000_000


def counted(count: int, thing: str) -> str:
    """Return how many there are of a thing: "1 word", "1,234 words"."""
    return f"{count:,} {thing if count == 1 else thing + 's'}"


def ranged(thing: str, first: int, count: int) -> str:
    """Return which things of a row: "packet 37", "packets 37 and 38", "packets 37 to 40"."""
    if count == 1:
        return f"{thing} {first:,}"
    return f"{thing}s {first:,} {'and' if count == 2 else 'to'} {first + count - 1:,}"


def runs(numbers: Sequence[int]) -> str:
    """Return ascending numbers, at least one, as people list them: "1 to 19, 21, 22"."""
    ends = [at for at, each in enumerate(numbers[1:], start=1) if each != numbers[at - 1] + 1]
    pieces = [numbers[at:end] for at, end in pairwise([0, *ends, len(numbers)])]
    return ", ".join(
        ", ".join(map(str, each)) if len(each) < 3 else f"{each[0]} to {each[-1]}"
        for each in pieces
    )


def listed(values: Sequence[object], last: str = "or") -> str:
    """Return values as people list them: "8, 12 or 16"."""
    texts = [str(value) for value in values]
    return f" {last} ".join([", ".join(texts[:-1]), texts[-1]] if len(texts) > 1 else texts)


def capitalised(text: str) -> str:
    """Return a sentence with a capital letter at its beginning and nothing else changed."""
    return text[:1].upper() + text[1:]


def duration(ns: int) -> str:
    """Return a time as people say it: "96 µs", "20.4 ms", "0.28 s", "1 min 33.8 s"; 0 if below."""
    ns = max(ns, 0)
    if ns < _SECOND // 10:
        amount, unit = (ns / 1_000, "µs") if 0 < ns < 100_000 else (ns / 1_000_000, "ms")
        return f"{f'{amount:.1f}'.removesuffix('.0')} {unit}"
    if ns < 10 * _SECOND:
        return f"{ns / _SECOND:.2f} s"
    tenths = round(ns * 10 / _SECOND)
    if tenths < 600:
        return f"{tenths / 10:.1f} s"
    if tenths < 36_000:
        return f"{tenths // 600} min {tenths % 600 / 10:.1f} s"
    minutes = round(tenths / 600)
    return f"{minutes // 60} h {minutes % 60} min"


def small_time(ns: int) -> str:
    """Return a time however small: "320 ns", "1.5 µs", "3.02 ms"; from 0.1 s on a duration."""
    if abs(ns) >= _SECOND // 10:
        return duration(ns) if ns > 0 else f"-{duration(-ns)}"
    for unit, name in ((1_000_000, "ms"), (1_000, "µs")):
        if abs(ns) >= unit:
            return f"{ns / unit:.4g} {name}"
    return f"{ns} ns"


def instant(ns: int) -> str:
    """Return a place in time, to the microsecond: "12.345678 s"."""
    return f"{ns / _SECOND:.6f} s"


def hertz(rate: "Fraction") -> str:
    """Return a sample rate: "44,100 Hz", "44,055.94 Hz"."""
    return f"{int(rate):,} Hz" if rate.denominator == 1 else f"{float(rate):,.2f} Hz"


def sides(channels: int) -> str:
    """Return "mono", "stereo" or "5 channels"."""
    return {1: "mono", 2: "stereo"}.get(channels, f"{channels} channels")


def share(part: int, whole: int) -> str:
    """Return a part in per cent: "87 %"."""
    return f"{100 * part / whole:.0f} %" if whole else "0 %"


def spelled(data: bytes) -> str:
    """Return the first eight bytes in hexadecimal: "F0 7E 00 01 00 10 00 10 ..."."""
    return data[:8].hex(" ").upper() + (" ..." if len(data) > 8 else "")
