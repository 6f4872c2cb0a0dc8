"""Hypothesis strategies: samples, dumps, damaged dumps, profiles and disturbances.

    from hypothesis import given, strategies as st
    from dryload import strategies

    @given(strategies.samples(bits=st.integers(8, 14)))
    def test_an_encoder_of_ours(sample): ...

Without arguments all that is drawn makes sense; a strategy of one's own in place of a part pins it
or widens it.  Hypothesis comes with `pip install 'dryload[testing]'`.
"""

from fractions import Fraction
from functools import cache
from typing import Final

import numpy as np
from hypothesis import assume
from hypothesis import strategies as st
from hypothesis.strategies import DrawFn, SearchStrategy
from msgspec import Struct

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.outgoing import outgoing, whole_sequence
from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
from dryload.emulator.line.cable import Cable
from dryload.emulator.line.disturbance import FaultInjector
from dryload.emulator.line.effects import hold_back
from dryload.emulator.unit.possible import ProfileError
from dryload.emulator.unit.profile import DEFAULT_PROFILE, load_profile, profile_names
from dryload.emulator.wire.constants import (
    ALL_CALL,
    LOOP_BACKWARD_FORWARD,
    LOOP_FORWARD,
    MAX_BITS,
    MAX_SAMPLE_NUMBER,
    MIN_BITS,
)
from dryload.emulator.wire.words import Words, word_dtype
from dryload.harness.faults.catalogue import faults, filled, situations
from dryload.harness.faults.reading import read_all

__all__ = [
    "DamagedDump",
    "damaged_dumps",
    "disturbances",
    "dumps",
    "profiles",
    "samples",
    "words",
]

_NS: Final = 1_000_000_000
_USUAL_HZ: Final = (44_100, 8_000, 11_025, 16_000, 22_050, 32_000, 48_000, 96_000)
_PERIODS: Final = (10_000, 250_000)  # ns, 100 kHz to 4 kHz
_LONGEST_NAME: Final = 16
_CABLE: Final = "on the cable"

_WIDTHS: Final = st.integers(MIN_BITS, MAX_BITS)
_RATES: Final = (
    st.sampled_from([round(_NS / hz) for hz in _USUAL_HZ]) | st.integers(*_PERIODS)
).map(lambda period_ns: Fraction(_NS, period_ns))  # what a standard header says exactly (HDR-05)
_MONO: Final = st.just(1)
_PRINTABLE: Final = st.characters(min_codepoint=0x20, max_codepoint=0x7E)
_NAMES: Final = st.text(_PRINTABLE, max_size=_LONGEST_NAME)
_NUMBERS: Final = st.integers(0, MAX_SAMPLE_NUMBER)
_DEVICE_IDS: Final = st.integers(0, ALL_CALL)


@st.composite
def words(draw: DrawFn, bits: int, *, least: int = 1, most: int = 130) -> Words:
    """Draw a flat array of signed words, their ends, 0 and -1 more often than by chance."""
    top = 1 << (bits - 1)
    count = draw(st.integers(least, most))
    # As bytes, because a draw for each word would take most of a test's time.
    which = np.frombuffer(draw(st.binary(min_size=count, max_size=count)), np.uint8)
    anything = draw(st.binary(min_size=4 * count, max_size=4 * count))
    found = np.frombuffer(anything, ">i4") >> (32 - bits)
    for place, edge in enumerate((0, -1, top - 1, -top)):
        found[which % 32 == place] = edge
    return found.astype(word_dtype(bits))


@st.composite
def _loops(draw: DrawFn, frames: int) -> Loop:
    """Draw a loop within so many frames, or none."""
    if frames < 2 or draw(st.booleans()):
        return NO_LOOP
    start = draw(st.integers(0, frames - 2))
    return Loop(
        start=start,
        end=draw(st.integers(start + 1, frames - 1)),
        loop_type=draw(st.sampled_from([LOOP_FORWARD, LOOP_BACKWARD_FORWARD])),
    )


@st.composite
def samples(
    draw: DrawFn,
    *,
    bits: SearchStrategy[int] = _WIDTHS,
    rate: SearchStrategy[Fraction] = _RATES,
    channels: SearchStrategy[int] = _MONO,
    loop: SearchStrategy[Loop] | None = None,
    name: SearchStrategy[str] = _NAMES,
    least_frames: int = 1,
    most_frames: int = 130,
) -> Sample:
    """Draw a sample of up to 130 frames, which takes 5 packets at most if it is mono.

    Unless said otherwise: 8 to 28 bits (HDR-03), 4 to 100 kHz, mono, a loop within the sample or
    none, and a name of up to 16 printable ASCII characters or none.  A rate is a Fraction of Hz.
    """
    width, across = draw(bits), draw(channels)
    count = draw(st.integers(least_frames, most_frames))
    return Sample(
        words=draw(words(width, least=count * across, most=count * across)),
        bits=width,
        rate=draw(rate),
        channels=across,
        sustain=draw(_loops(count) if loop is None else loop),
        name=draw(name),
    )


_SAMPLES: Final = samples()


@st.composite
def dumps(
    draw: DrawFn,
    of: SearchStrategy[Sample] = _SAMPLES,
    *,
    number: SearchStrategy[int] = _NUMBERS,
    device_id: SearchStrategy[int] = _DEVICE_IDS,
) -> bytes:
    """Draw a dump in which the standard finds nothing broken.

    Whether a unit takes it hangs on its width, on its sample `number` (0 to 16383), and on the
    `device_id` (0 to 127; each unit takes what is for its own and for 127).
    """
    dump = outgoing(draw(of), number=draw(number), device_id=draw(device_id))
    return b"".join(whole_sequence(dump))


class DamagedDump(Struct, frozen=True, kw_only=True):
    """A dump as it comes out of a cable on which one thing went wrong."""

    data: bytes
    done: str
    """What was done to it, in the words of `dryload disturbances`."""
    original: bytes
    """The dump as it went in."""


@st.composite
def damaged_dumps(
    draw: DrawFn,
    of: SearchStrategy[Sample] = _SAMPLES,
    *,
    number: SearchStrategy[int] = _NUMBERS,
    device_id: SearchStrategy[int] = _DEVICE_IDS,
) -> DamagedDump:
    """Draw a dump of which the header or one packet was altered, lost, doubled or displaced.

    Not everything shows: two swapped bytes leave the checksum as it was, and a header has none.
    `dryload.validate` says what does.
    """
    dump = outgoing(draw(of), number=draw(number), device_id=draw(device_id))
    messages, packets = whole_sequence(dump), len(dump.packets)
    pattern = draw(st.sampled_from(_damage()))
    assume(packets or "{p}" not in pattern)
    done = _drawn(draw, pattern, packets)
    (fault,) = read_all([done]).placed
    # What is held back waits for what follows.
    assume(fault.effect is not hold_back or fault.where.last != packets - 1)
    cable = Cable(Direction.TO_UNIT, FaultInjector([fault]))
    for message in messages:
        cable.send(message, now_ns=0)
    data, original = b"".join(data for _, data in cable.arrivals), b"".join(messages)
    assume(data != original)
    return DamagedDump(data=data, done=done, original=original)


def _damage() -> list[str]:
    """Return what can be done to one packet, or to the header, so that other bytes arrive."""
    return [
        pattern
        for fault in faults()
        if fault.group == _CABLE and fault.name != "join"
        for pattern in fault.campaign
        if ("packet {p}" in pattern or "the header" in pattern) and "reply" not in pattern
    ]


def profiles() -> SearchStrategy[str]:
    """Return names of the units that dryload brings, as `dryload.Unit` takes them."""
    return st.sampled_from([DEFAULT_PROFILE, *sorted({*profile_names()} - {DEFAULT_PROFILE})])


@st.composite
def disturbances(draw: DrawFn, *, packets: int = 3) -> str:
    """Draw one thing that goes wrong on purpose, for `dryload.Unit(disturb=[...])`.

    `packets` is how many the dump has, so that what is to happen happens.  Any unit can have any
    of them; not all go together, because a line has one interface and a unit one habit of a kind.
    """
    everyday = [each.name for each in situations()]
    patterns = [pattern for fault in faults() for pattern in fault.campaign]
    said = _drawn(draw, draw(st.sampled_from([*patterns, *everyday])), packets)
    assume(_can_be(said))
    return said


@cache
def _can_be(said: str) -> bool:
    """Whether any unit can have it: one that knows the extended header needs a larger buffer."""
    try:
        read_all([said]).unit(load_profile())
    except ProfileError:
        return False
    return True


def _drawn(draw: DrawFn, pattern: str, packets: int) -> str:
    return filled(pattern, packets, lambda limit, _: draw(st.integers(0, limit - 1)))
