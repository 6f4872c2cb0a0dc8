"""The memory image: whole or not at all."""

import hashlib
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.dump.sample import Loop, Sample
from emulator.unit.board import RackUnit
from emulator.unit.image import MAGIC, ImageError, image_of, restore
from emulator.unit.memory import Holding, Memory, Region
from emulator.unit.profile import load_profile
from emulator.unit.traits import MemoryTraits

PROFILE = load_profile()


def filled() -> RackUnit:
    """Return a unit with three samples, a hole between them, a name and loops."""
    unit = RackUnit(PROFILE)
    for number, words in ((1, 100), (2, 50), (7, 31)):
        holding = unit.memory.allocate(words)
        assert isinstance(holding, Holding)
        sample = Sample(
            words=np.arange(words, dtype=np.int16) - 40,
            bits=12 + number % 4,
            rate=Fraction(44_100_000, 1_001),
            sustain=Loop(start=3, end=20, loop_type=1),
            loops=((4, Loop(start=1, end=2, loop_type=0)),),
        )
        unit.slots[number].put(sample, holding)
    unit.memory.free(unit.slots[2].clear())
    unit.slots[7].rename("Ship's bell")
    unit.panel.protect(7, True, 0)
    unit.panel.protect(9, True, 0)  # an empty one
    unit.panel.set_device_id(9, 0)
    unit.panel.set_receive_filter(False, 0)
    return unit


def contents(unit: RackUnit) -> object:
    """Return all that a battery keeps, in plain values."""
    samples = [
        (
            slot.number,
            slot.name,
            slot.protected,
            slot.holding,
            slot.sample and slot.sample.words.tolist(),
        )
        for slot in unit.slots
    ]
    return (
        samples,
        [slot.loops() for slot in unit.slots],
        [slot.sample and (slot.sample.bits, slot.sample.rate) for slot in unit.slots],
        unit.memory.stretches(),
        unit.memory.fitted,
        unit.memory.initialised,
        unit.panel.device_id,
        unit.panel.receive_exclusive,
    )


def test_a_unit_comes_up_as_it_was() -> None:
    before = filled()
    after = RackUnit(PROFILE)

    restore(after, image_of(before))

    assert contents(after) == contents(before)


def test_a_unit_that_was_not_initialised_comes_up_like_that() -> None:
    before = RackUnit(PROFILE)
    before.panel.fit_banks([1], 0)
    after = RackUnit(PROFILE)

    restore(after, image_of(before))

    assert contents(after) == contents(before)
    assert not after.memory.initialised


IMAGE = image_of(filled())


@given(place=st.integers(0, len(IMAGE) - 1), bit=st.integers(0, 7))
def test_one_flipped_bit_anywhere_is_noticed_and_changes_nothing(place: int, bit: int) -> None:
    damaged = bytearray(IMAGE)
    damaged[place] ^= 1 << bit
    unit = RackUnit(PROFILE)
    before = contents(unit)

    with pytest.raises(ImageError, match="it is"):
        restore(unit, bytes(damaged))

    assert contents(unit) == before


@given(length=st.integers(0, len(IMAGE) - 1))
def test_an_image_cut_short_anywhere_is_noticed(length: int) -> None:
    with pytest.raises(ImageError):
        restore(RackUnit(PROFILE), IMAGE[:length])


@pytest.mark.parametrize("foreign", [b"", b"\xff\xd8\xff\xe0 a picture", MAGIC])
def test_what_is_no_image_is_refused(foreign: bytes) -> None:
    with pytest.raises(ImageError):
        restore(RackUnit(PROFILE), foreign + hashlib.sha256(foreign).digest())


def test_the_image_of_another_unit_is_refused() -> None:
    with pytest.raises(ImageError, match="belongs to the unit lantern-desk"):
        restore(RackUnit(load_profile("stage-door")), IMAGE)


@pytest.mark.parametrize(
    "other",
    [
        replace(PROFILE, memory=replace(PROFILE.memory, bank_words=4_096)),
        replace(PROFILE, memory=replace(PROFILE.memory, places=1, fitted=(1,))),
        replace(PROFILE, slots=replace(PROFILE.slots, count=3)),
    ],
    ids=["bank size", "places", "slots"],
)
def test_a_unit_of_the_same_name_with_another_memory_is_refused(other: object) -> None:
    with pytest.raises(ImageError, match="other memory or other slots"):
        restore(RackUnit(other), IMAGE)  # type: ignore[arg-type]  # replace() of a Profile


@pytest.mark.parametrize(
    "regions",
    [
        [Region(0, 10), Region(9, 5)],
        [Region(90, 11)],
    ],
    ids=["overlapping", "beyond the end"],
)
def test_a_memory_refuses_what_cannot_be_and_stays_as_it_is(regions: list[Region]) -> None:
    memory = Memory(MemoryTraits(bank_words=100, places=1, fitted=(1,)))
    held = memory.allocate(7)
    before = memory.stretches()
    with pytest.raises(ValueError, match="overlap"):
        memory.restore(fitted=(1,), initialised=True, taken=[Holding(tuple(regions))])
    assert memory.stretches() == before
    assert isinstance(held, Holding)
