"""What can be done to a sound that a unit does not take as it is, and the price of it.

Theory of operation.  Some changes have to be made: a width or a number of channels that a unit does
not keep.  The width becomes the narrowest that loses nothing, or else the widest that there is;
several channels become one.

Others make a sound smaller.  A word takes a word of memory whatever its width, so fewer bits gain
time and no memory: words of 8 to 14 bits go in two bytes each, up to 21 in three, up to 28 in four
(WRD-01).  What gains memory is ordered by how much is lost, counted in octaves (our choice): half
the rate or half the loop is one, half the length is two, a mix of the channels half a one.  What is
never heard costs nothing: silence at the end, and what lies behind a loop that is played until the
end.  More than two octaves make another sound of it.
"""

from collections.abc import Iterator
from fractions import Fraction
from itertools import product
from math import ceil, log2
from typing import Any, Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from dryload.emulator.dump.sample import Loop
from dryload.emulator.unit.traits import WordTraits
from dryload.emulator.wire.prose import counted, hertz
from dryload.emulator.wire.sizes import bytes_per_word, packets_for
from dryload.harness.files.audio import Channel, Recording
from dryload.harness.files.rates import COMMON_RATES, meant_hertz

MOST_LOSS: Final = 2.0
"""In octaves."""
_MIX_LOSS: Final = 0.5
_LENGTH_LOSS: Final = 2.0
_SILENCE_DB: Final = -60.0
"""No louder than this, against the loudest word, is silence (our choice)."""
_LOOP_PARTS: Final = (Fraction(2, 3), Fraction(1, 2), Fraction(1, 3))
_SHORTEST_LOOP_S: Final = 0.05
_SEAM: Final = 16  # frames on either side that are compared where a loop is closed anew
_PLAYED_ON: Final = (0x00, 0x01)  # forward loops that are played until the end (EXT-04)
_ONE_WAY: Final = 0x00


class SampleSize(Struct, frozen=True, kw_only=True):
    """How large a sample is."""

    bits: int
    rate: Fraction
    """In Hz."""
    channels: int
    frames: int

    @property
    def words(self) -> int:
        """Words of all channels."""
        return self.frames * self.channels

    @property
    def packets(self) -> int:
        """Packets that it goes in."""
        return packets_for(self.words, self.bits)

    @property
    def bandwidth_hz(self) -> Fraction:
        """Up to where it can sound: half its rate."""
        return self.rate / 2

    @property
    def noise_db(self) -> float:
        """How far the rounding of its words lies below a full-scale sine (textbook formula)."""
        return 6.02 * self.bits + 1.76


class Change(Struct, frozen=True, kw_only=True):
    """What is done to a sound before it is sent; None where it is left as it is."""

    bits: int | None = None
    rate: Fraction | None = None
    """In Hz."""
    channel: Channel | None = None
    start: int = 0
    """The first frame of the source that is kept."""
    length: int | None = None
    """Frames of the source that are kept from there on."""
    loop: Loop | None = None
    """In frames of the dump."""
    why: tuple[str, ...] = ()
    """What is done, in plain words."""


class Offer(Struct, frozen=True, kw_only=True):
    """A change, and what comes of it."""

    change: Change
    shape: SampleSize
    loss: float = 0.0
    """In octaves."""
    words: int = 0
    """Words of memory that are gained."""
    time_ns: int = 0
    """Time that is gained: sending, and reading back where that is done."""


def needed(sound: Recording, traits: WordTraits) -> Offer:
    """Return what has to be done to a sound so that a unit keeps its words."""
    bits, kept = sound.bits, traits.width_for(sound.bits)
    change, loss, channels = Change(), 0.0, sound.channels
    if kept != bits:
        change = Change(bits=kept, why=(f"{bits} to {kept} bits",))
    if channels not in traits.channels and 1 in traits.channels:
        why = f"{counted(channels, 'channel')} mixed to one"
        change = replace(change, channel="mix", why=(*change.why, why))
        channels, loss = 1, _MIX_LOSS
    shape = SampleSize(bits=kept, rate=sound.rate, channels=channels, frames=len(sound.frames))
    return Offer(change=change, shape=shape, loss=loss)


def smaller(sound: Recording, least: Offer, room: int, traits: WordTraits) -> list[Offer]:
    """Return the ways to make a sound smaller than `least`, what it needs; the least loss first.

    `room` are the words that are to be had: a sound without a loop may be cut to them.
    """
    end, ended = _end(sound)
    mixes = (False, True) if least.shape.channels > 1 and 1 in traits.channels else (False,)
    found = []
    for is_mixed, rate, loop in product(mixes, (None, *_rates(sound)), (None, *_loops(sound))):
        made, change = least.shape, least.change
        kept, whys, loss = end, [*change.why, *ended], least.loss
        if loop is not None and sound.loop is not None:
            kept, before, after = loop.end + 1, _length(sound.loop), _length(loop)
            whys.append(f"loop of {after:,} frames instead of {before:,}")
            loss += log2(before / after)
        if is_mixed:
            made, change = replace(made, channels=1), replace(change, channel="mix")
            whys.append(f"{counted(sound.channels, 'channel')} mixed to one")
            loss += _MIX_LOSS
        if rate is not None:
            made, change = replace(made, rate=rate), replace(change, rate=rate)
            whys.append(f"{meant_hertz(sound.rate)} to {hertz(rate)}")
            loss += log2(sound.rate / rate)
        ratio = made.rate / sound.rate
        most = int((room // made.channels - 1) / ratio) if rate else room // made.channels
        if sound.loop is None and kept > most > 0:
            seconds = [f"{float(each / sound.rate):.2f} s" for each in (most, kept)]
            whys.append(f"cut after {seconds[0]} of {seconds[1]}")
            loss += _LENGTH_LOSS * log2(kept / most)
            kept = most
        frames = kept if rate is None else ceil(kept * ratio) + 1
        change = replace(
            change,
            length=None if kept == len(sound.frames) else kept,
            loop=None if loop is None else _scaled(loop, ratio),
            why=tuple(whys),
        )
        made = replace(made, frames=frames)
        gained = least.shape.words - made.words
        if gained > 0 and loss <= MOST_LOSS:
            found.append(Offer(change=change, shape=made, loss=loss, words=gained))
    return sorted(found, key=lambda each: (each.loss, -each.words))


def narrower(least: Offer, traits: WordTraits) -> list[Offer]:
    """Return the widths that go in fewer packets, the widest first; no memory is gained."""
    shape, found = least.shape, list[Offer]()
    size = bytes_per_word(shape.bits)
    for bits in sorted(traits.accepts, reverse=True):
        if bytes_per_word(bits) < size:
            size = bytes_per_word(bits)
            others = least.change.why if least.change.bits is None else least.change.why[1:]
            change = replace(least.change, bits=bits, why=(f"to {bits} bits", *others))
            found.append(replace(least, change=change, shape=replace(shape, bits=bits)))
    return found


def unheard(sound: Recording) -> int:
    """Return how many frames at its end are never heard."""
    return len(sound.frames) - _end(sound)[0]


def _end(sound: Recording) -> tuple[int, tuple[str, ...]]:
    """Return how many frames are ever heard, and what is said where that is not all."""
    frames, loop = sound.frames, sound.loop
    if loop is not None:
        is_left = loop.loop_type not in _PLAYED_ON or loop.end + 1 >= len(frames)
        if is_left:
            return len(frames), ()
        return loop.end + 1, (f"{len(frames) - loop.end - 1:,} frames behind the loop cut",)
    peak = max(float(frames.max(initial=0)), -float(frames.min(initial=0)))
    level = peak * 10 ** (_SILENCE_DB / 20)
    level = int(level) if frames.dtype == np.int32 else level
    loud = np.flatnonzero(((frames > level) | (frames < -level)).any(axis=1))
    end = int(loud[-1]) + 1 if len(loud) else len(frames)
    silent_s = float((len(frames) - end) / sound.rate)
    return end, (f"{silent_s:.2f} s of silence at the end cut",) if end < len(frames) else ()


def _rates(sound: Recording) -> Iterator[Fraction]:
    """Yield the common rates that are lower, highest first."""
    for rate in reversed(COMMON_RATES):
        if rate * Fraction(100, 99) < sound.rate:
            yield Fraction(rate)


def _loops(sound: Recording) -> Iterator[Loop]:
    """Yield loops of some parts of the length, closed where it is heard least."""
    loop = sound.loop
    if loop is None or loop.loop_type != _ONE_WAY or not 0 <= loop.start < loop.end:
        return
    for part in _LOOP_PARTS:
        length = int(_length(loop) * part)
        if loop.end < len(sound.frames) and length >= _SHORTEST_LOOP_S * sound.rate:
            yield replace(loop, end=_seam(sound.frames[:, 0], loop.start, length))


def _seam(frames: NDArray[Any], start: int, length: int) -> int:
    """Return the last frame of a loop from `start` of about this length, by its neighbours."""
    about = length // 20
    side = min(_SEAM, start, length - about)
    if side < 1:
        return start + length - 1
    first = start + length - about
    wanted = frames[start - side : start + side].astype(np.float64)
    there = sliding_window_view(
        frames[first - side : first + 2 * about + side].astype(np.float64), 2 * side
    )
    return first + int(np.abs(there - wanted).sum(axis=1).argmin()) - 1


def _length(loop: Loop) -> int:
    return loop.end - loop.start + 1


def _scaled(loop: Loop, ratio: Fraction) -> Loop:
    """Return a loop at another rate."""
    return replace(loop, start=round(loop.start * ratio), end=round((loop.end + 1) * ratio) - 1)
