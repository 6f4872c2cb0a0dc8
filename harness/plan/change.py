"""What can be done to a sample that a unit does not take as it is, and the price of it."""

from fractions import Fraction

from msgspec import Struct

from dryload.emulator.dump.sample import Loop
from dryload.harness.files.audio import Channel


class Price(Struct, frozen=True, kw_only=True):
    """What a sample is after a change, and what is gained by it."""

    bandwidth_hz: Fraction
    """Up to where it can sound: half its rate."""
    noise_db: float
    """How far below a full-scale sine the rounding of its words lies: 6.02 n + 1.76 for n bits
    (textbook)."""
    words: int
    """Words of memory that are gained."""
    time_ns: int
    """Time of sending that is gained, and of reading back where that is done."""


class Change(Struct, frozen=True, kw_only=True):
    """What is done to a sample before it is sent; None where it is left as it is."""

    bits: int | None = None
    rate: Fraction | None = None
    """In Hz."""
    channel: Channel | None = None
    length: int | None = None
    """Frames of the source that are kept, from its first one on."""
    loop: Loop | None = None
    """In frames of the dump."""
    price: Price
    why: str
    """In plain words, without a full stop."""
