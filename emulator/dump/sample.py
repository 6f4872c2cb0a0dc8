"""A sample as both sides of a dump know it."""

from fractions import Fraction

from msgspec import Struct

from dryload.emulator.wire.constants import LOOP_OFF
from dryload.emulator.wire.words import Words, word_dtype

_NS = 1_000_000_000


class Loop(Struct, frozen=True, kw_only=True):
    """A loop: first and last frame, both played (CA-019 p. 2), and the type byte."""

    start: int
    end: int
    loop_type: int


NO_LOOP = Loop(start=0, end=0, loop_type=LOOP_OFF)


class Sample(Struct, frozen=True, kw_only=True, eq=False):
    """Words with what a header says of them.

    `words` is interleaved, `frames * channels` long, of the type `word_dtype(bits)`; `rate` is
    exact, in Hz; `loops` maps the loop number to the loop, 0 being the sustain loop (LOP-02).
    """

    words: Words
    bits: int
    rate: Fraction
    channels: int = 1
    sustain: Loop = NO_LOOP
    loops: tuple[tuple[int, Loop], ...] = ()
    """Loops 1 and up: (number, loop)."""
    name: str = ""

    def __post_init__(self) -> None:
        """Refuse what no header can describe."""
        if self.words.ndim != 1 or self.words.dtype != word_dtype(self.bits):
            raise ValueError(f"words must be a flat array of {word_dtype(self.bits)}")
        if self.rate.numerator <= 0 or self.channels < 1 or len(self.words) % self.channels:
            raise ValueError("rate and channels must be positive and frames whole")

    @property
    def frames(self) -> int:
        """Words of one channel."""
        return len(self.words) // self.channels

    @property
    def period_ns(self) -> int:
        """The nearest sample period in ns (HDR-05)."""
        whole, rest = divmod(_NS * self.rate.denominator, self.rate.numerator)
        twice = 2 * rest - self.rate.numerator
        return whole + (twice > 0 or (not twice and whole % 2))


def same_samples(a: Sample, b: Sample) -> bool:
    """Whether two samples are the same in every word and in all that is said of them."""
    return (
        (a.bits, a.rate, a.channels, a.sustain, a.loops, a.name)
        == (b.bits, b.rate, b.channels, b.sustain, b.loops, b.name)
        and len(a.words) == len(b.words)
        and bool((a.words == b.words).all())
    )
