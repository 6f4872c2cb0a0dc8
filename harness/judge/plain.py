"""Numbers and places in plain words."""

from typing import Final

_MINUTE_S: Final = 60
_HOUR_S: Final = 3600


def packets(first: int, count: int) -> str:
    """Return "packet 37" or "packets 37 to 40"."""
    return f"packet {first:,}" if count == 1 else f"packets {first:,} to {first + count - 1:,}"


def lasting(seconds: float) -> str:
    """Return a duration as somebody would say it: "0.9 ms", "2.97 s", "3 min 20 s"."""
    if seconds < 1:
        return f"{seconds * 1000:.1f} ms" if seconds >= 0.0001 else f"{seconds * 1e6:.1f} µs"
    if seconds < _MINUTE_S:
        return f"{seconds:.2f} s"
    whole = round(seconds)
    if whole < _HOUR_S:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // _HOUR_S} h {whole % _HOUR_S // 60} min"


def byte(value: int) -> str:
    """Return a byte as two hexadecimal digits."""
    return f"{value:02X}"
