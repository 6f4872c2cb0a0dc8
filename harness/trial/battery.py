"""The probes: what an encoder is asked to make, derived from what the clauses of a file speak of.

Theory of operation.  A clause is about a value in a place: so each probe puts values where they are
told apart.  Lengths meet every remainder of a packet, and both sides of the wrap of the packet
numbers; words meet every value, both ends of the scale and the middle; each field of the header
meets values that need one, two and three of its bytes; and the same is asked again, in another
order, form and surroundings, because an encoder may hang on what no clause speaks of.  Short probes
come first, so that what is wrong everywhere is found by little.  Nothing is drawn at random but by
a fixed seed.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from enum import StrEnum
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from dryload.emulator.wire.constants import (
    LOOP_BACKWARD_FORWARD,
    LOOP_FORWARD,
    MAX_21_BIT,
    MAX_BITS,
    MIN_BITS,
)
from dryload.emulator.wire.sizes import words_per_packet
from dryload.harness.trial.task import Shape, Task

WIDTHS: Final = tuple(range(MIN_BITS, MAX_BITS + 1))
_EVERY_VALUE: Final = 16
"""Every value of a width up to this is asked for; of wider ones those around each power of two."""
_RATES: Final = (
    *(8_000.0, 11_025.0, 16_000.0, 22_050.0, 32_000.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0),
    *(
        1_000.0,
        7_418.0,
        8_363.0,
        9_999.0,
        15_625.0,
        31_250.0,
        41_667.0,
        44_056.0,
        47_619.0,
        65_535.0,
    ),
)
_BETWEEN: Final = (477.5, 11_025.5, 22_254.545_45, 44_055.944_056)
"""Rates that are no whole number of hertz; a WAV file can't say them."""
_NUMBERS: Final = (0, 1, 2, 126, 127, 128, 129, 255, 256, 1_000, 8_191, 8_192, 16_382, 16_383)
_DEVICES: Final = (0, 1, 63, 64, 126, 127)
_NAMES: Final = ("A", "Gulls", "Ship's bell", "Thunder 12 (far) ~", "N" * 127)
_UNSENDABLE: Final = ("Möwen", "N" * 128)
"""Names that no message can carry: refused, left out, replaced or cut off, all are right."""
_LONG: Final = (65_535, 65_536, 65_537, 70_001)


class Group(StrEnum):
    """What a probe looks at, as a person would say it."""

    LENGTHS = "lengths around each packet boundary"
    WRAP = "lengths around 128 packets"
    WORDS = "values of words"
    WIDTHS = "widths"
    RATES = "sample rates"
    NUMBERS = "sample numbers"
    DEVICES = "device IDs"
    LOOPS = "loops"
    NAMES = "names"
    PAIRS = "widths and rates together"
    FORMS = "forms of the array"
    REPEATS = "the same once more"
    LONG = "long samples"
    EMPTY = "no words at all"


class EncoderProbe(Struct, frozen=True, kw_only=True, eq=False):
    """One thing that is asked of an encoder."""

    group: Group
    task: Task
    about: tuple[str, ...] = ()
    """Clauses that it is there for beside those that every dump exercises."""
    may_differ: tuple[str, ...] = ()
    """Clauses that it breaks by asking: nothing is said of them."""

    @property
    def what(self) -> str:
        """What it is, in a few words."""
        return f"{self.task.size:,} words"


def noise(count: int, bits: int, seed: int = 0) -> NDArray[np.int32]:
    """Return words of all values of a width, drawn by a seed."""
    half = 1 << (bits - 1)
    drawn = np.random.default_rng([count, bits, seed]).integers(-half, half, count)
    return drawn.astype(np.int32)


def battery(
    parameters: Sequence[str], *, widths: Sequence[int], is_command: bool = False
) -> Iterator[EncoderProbe]:
    """Yield the probes for an encoder that can be told `parameters`, at `widths`.

    The first of the widths is the one at which everything is tried.  A command, which takes far
    longer a call, gets fewer that differ little.
    """
    main = widths[0]
    every = 1 if not is_command else 3
    yield from _words(main)
    yield from _lengths(main, every)
    if "rate" in parameters:
        rates = _RATES if is_command else (*_RATES, *_BETWEEN)
        yield from _fields(
            Group.RATES, main, [{"rate": rate} for rate in rates], "HDR-05", "HDR-12"
        )
    if "number" in parameters:
        numbers = [{"number": number} for number in _NUMBERS]
        yield from _fields(Group.NUMBERS, main, numbers, "HDR-02")
    if "device_id" in parameters:
        devices = [{"device_id": device} for device in _DEVICES]
        yield from _fields(Group.DEVICES, main, devices, "DEV-03", "DEV-04")
    if "loop" in parameters:
        yield from _loops(main)
    if "name" in parameters:
        yield from _fields(
            Group.NAMES,
            main,
            [{"name": name} for name in (*_NAMES, *_UNSENDABLE)],
            "NAM-01",
            "NAM-02",
        )
    for bits in widths[1:]:
        yield from _width(bits)
    if "rate" in parameters and len(widths) > 1:
        yield from _pairs(widths, every)
    if not is_command:
        yield from _forms(main)
    yield EncoderProbe(
        group=Group.EMPTY, task=Task(words=noise(0, main), bits=main), about=("HDR-15",)
    )
    yield from _wrap(main)
    yield from _long(main)


def _words(bits: int) -> Iterator[EncoderProbe]:
    half = 1 << (bits - 1)
    step = words_per_packet(bits)
    low, high = -half, half - 1
    rows = {
        "one word": [1],
        "silence": [0] * (2 * step + 3),
        "full scale": [low, high, high, low, low, 0, high] * 20,
        "the loudest only": [high] * (step + 1),
        "the lowest only": [low] * (step + 1),
        "around silence": [0, 1, -1, 2, -2, 3, -3, 0, 0, 5] * 13,
        "an impulse": [0] * step + [high] + [0] * (step + 7) + [low] + [0] * 3,
        "small steps": list(range(-70, 70)),
    }
    for words in rows.values():
        yield _of(Group.WORDS, words, bits)
    yield _of(Group.WORDS, noise(3 * step + 1, bits).tolist(), bits)
    yield _of(Group.WORDS, values(bits), bits)
    yield _of(Group.WORDS, values(bits)[::-1], bits)


def values(bits: int) -> NDArray[np.int32]:
    """Return every value of a width; of a wide one those near powers of two, and many others."""
    half = 1 << (bits - 1)
    if bits <= _EVERY_VALUE:
        return np.arange(-half, half, dtype=np.int32)
    near = {
        sign * (1 << power) + by for power in range(bits) for sign in (1, -1) for by in (-1, 0, 1)
    }
    drawn = noise(20_000, bits).tolist()
    return np.array(sorted({each for each in near if -half <= each < half} | set(drawn)), np.int32)


def _lengths(bits: int, every: int) -> Iterator[EncoderProbe]:
    step = words_per_packet(bits)
    seams = {step - 1, step, step + 1, 2 * step - 1, 2 * step, 2 * step + 1}
    for count in range(1, 2 * step + 2):
        if count % every == 1 % every or count in seams:
            yield _of(
                Group.LENGTHS, noise(count, bits), bits, "HDR-06", "HDR-07", "PKT-08", "PKT-09"
            )


def _width(bits: int) -> Iterator[EncoderProbe]:
    half, step = 1 << (bits - 1), words_per_packet(bits)
    for count in (1, 2, step - 1, step, step + 1, 2 * step, 3 * step - 1):
        yield _of(Group.WIDTHS, noise(count, bits), bits, "WRD-01", "WRD-02", "WRD-06")
    yield _of(Group.WIDTHS, [0, -half, half - 1, 1, -1, half // 2, -half // 2], bits, "WRD-07")
    yield _of(Group.WIDTHS, values(bits)[:: 1 if bits < 12 else 17], bits)


def _fields(
    group: Group, bits: int, rows: Iterable[Mapping[str, object]], *about: str
) -> Iterator[EncoderProbe]:
    words = noise(words_per_packet(bits) + 5, bits)
    for row in rows:
        task = replace(Task(words=words, bits=bits), **row)
        yield EncoderProbe(group=group, task=task, about=about)


def _loops(bits: int) -> Iterator[EncoderProbe]:
    short, long = noise(150, bits), noise(17_000, bits)
    last = len(short) - 1
    forward, both_ways = LOOP_FORWARD, LOOP_BACKWARD_FORWARD
    points = (
        *((0, last, forward), (0, last, both_ways), (last - 1, last, forward), (0, 1, forward)),
        *((10, 20, forward), (127, 128, both_ways), (1, last - 1, forward)),
    )
    about = ("HDR-08", "HDR-09", "HDR-12")
    for loop in points:
        yield EncoderProbe(
            group=Group.LOOPS, task=Task(words=short, bits=bits, loop=loop), about=about
        )
    for loop in ((128, 16_500, forward), (16_384, 16_999, both_ways), (0, 16_999, forward)):
        yield EncoderProbe(
            group=Group.LOOPS, task=Task(words=long, bits=bits, loop=loop), about=about
        )
    for place in (0, last):  # of one word: written as it is, refused or left out, all are right
        yield EncoderProbe(
            group=Group.LOOPS,
            task=Task(words=short, bits=bits, loop=(place, place, forward)),
            about=("HDR-10",),
            may_differ=("HDR-08", "HDR-09", "HDR-10"),
        )


def _pairs(widths: Sequence[int], every: int) -> Iterator[EncoderProbe]:
    place = 0
    for bits in widths:
        for rate in _RATES:
            place += 1
            if place % every == 0:
                yield EncoderProbe(
                    group=Group.PAIRS,
                    task=Task(
                        words=noise(5, bits, place), bits=bits, rate=rate, number=place % 300
                    ),
                )


def _forms(bits: int) -> Iterator[EncoderProbe]:
    words = noise(words_per_packet(bits) + 9, bits)
    for shape in Shape:
        if shape is not Shape.PLAIN:
            yield EncoderProbe(group=Group.FORMS, task=Task(words=words, bits=bits, shape=shape))


def _wrap(bits: int) -> Iterator[EncoderProbe]:
    step = words_per_packet(bits)
    for count in (
        127 * step,
        128 * step - 1,
        128 * step,
        128 * step + 1,
        129 * step,
        257 * step + 3,
    ):
        yield _of(Group.WRAP, noise(count, bits), bits, "PKT-03", "PKT-07", "PKT-10")
    yield _of(Group.WRAP, np.full(130 * step, 3, np.int32), bits, "PKT-10")  # equal packets


def _long(bits: int) -> Iterator[EncoderProbe]:
    for count in _LONG:
        yield _of(Group.LONG, noise(count, bits), bits, "HDR-12", "HDR-13")
    yield _of(Group.LONG, noise(MAX_21_BIT, bits), bits, "HDR-13", "HDR-14")


def _of(group: Group, words: object, bits: int, *about: str) -> EncoderProbe:
    return EncoderProbe(
        group=group, task=Task(words=np.array(words, np.int32), bits=bits), about=about
    )
