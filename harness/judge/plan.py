"""What a header calls for: how many words in how many packets, and how long they sound."""

from fractions import Fraction
from functools import lru_cache
from typing import Final

from msgspec import Struct

from dryload.emulator.wire.constants import MAX_BITS, MIN_BITS
from dryload.emulator.wire.messages import DumpHeader, Header
from dryload.emulator.wire.prose import counted, duration
from dryload.emulator.wire.sevenbit import from_groups, to_groups
from dryload.emulator.wire.sizes import bytes_per_word, packets_for, words_per_packet

NS: Final = 1_000_000_000
FRACTION: Final = 1 << 28  # EXT-02, CA-019 p. 2


def rate_of(header: Header) -> Fraction | None:
    """Return the exact sample rate in Hz, None where the header says none (HDR-04, EXT-02)."""
    if isinstance(header, DumpHeader):
        return _rate_of_period(header.period_ns)
    return header.rate_hz + Fraction(header.rate_fraction, FRACTION) or None


@lru_cache(maxsize=256)
def _rate_of_period(period_ns: int) -> Fraction | None:
    return Fraction(NS, period_ns) if period_ns else None


def turned(value: int, groups: int) -> int:
    """Return the number that the same 7-bit groups are in the other order (HDR-12, EXT-03)."""
    return from_groups(to_groups(value, groups)[::-1])


class DumpPlan(Struct, frozen=True, kw_only=True):
    """What the packets of a dump ought to be; only for a header with a legal width (HDR-03)."""

    header: Header
    width: int
    """Bytes of a word."""
    per_packet: int
    """Words of a packet."""
    words: int
    """Words of all channels (EXT-06)."""
    packets: int

    @property
    def last_words(self) -> int:
        """Words in the last packet."""
        return self.words - (self.packets - 1) * self.per_packet if self.packets else 0

    def sound(self, first: int, count: int) -> str:
        """Return what `count` packets from `first` on hold, in plain words."""
        words = max(min((first + count) * self.per_packet, self.words) - first * self.per_packet, 0)
        rate = rate_of(self.header)
        if rate is None:
            return counted(words, "word")
        sound_ns = round(words * NS / max(self.header.channels, 1) / rate)
        return f"{counted(words, 'word')} ({duration(sound_ns)} of sound)"


def plan_of(header: Header | None) -> DumpPlan | None:
    """Return what a header calls for, None where it is missing or states no legal width."""
    if header is None or not MIN_BITS <= header.bits <= MAX_BITS:
        return None
    words = header.length * max(header.channels, 1)
    return DumpPlan(
        header=header,
        width=bytes_per_word(header.bits),
        per_packet=words_per_packet(header.bits),
        words=words,
        packets=packets_for(words, header.bits),
    )
