"""Slots, their numbers, names and loops (M1 pp. 37-38)."""

from fractions import Fraction

import numpy as np
import pytest

from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
from dryload.emulator.unit.memory import Holding, Region
from dryload.emulator.unit.slots import Slot, Slots
from dryload.emulator.unit.traits import SlotTraits

FORWARD = Loop(start=1, end=4, loop_type=0)
TO_AND_FRO = Loop(start=2, end=3, loop_type=1)
HELD = Holding((Region(0, 8),))


def full() -> Slot:
    slot = Slots(SlotTraits(count=3))[2]
    slot.put(Sample(words=np.zeros(8, np.int16), bits=16, rate=Fraction(44_100)), HELD)
    return slot


def test_there_are_64_slots_unless_the_profile_says_otherwise() -> None:
    assert [slot.number for slot in Slots(SlotTraits())] == list(range(1, 65))


@pytest.mark.parametrize(
    ("first", "sample_number", "slot"),
    [(0, 0, 1), (0, 9, 10), (0, 10, None), (1, 0, None), (1, 1, 1), (1, 10, 10), (100, 104, 5)],
)
def test_a_sample_number_stands_for_a_slot(
    first: int, sample_number: int, slot: int | None
) -> None:
    slots = Slots(SlotTraits(count=10, first_number=first))
    found = slots.addressed(sample_number)
    assert (found and found.number) == slot
    assert (sample_number in slots.sample_numbers) == (slot is not None)
    assert found is None or found.sample_number == sample_number


def test_slots_are_counted_from_1() -> None:
    slots = Slots(SlotTraits(count=3, protected=(2,)))
    assert [slots[number].protected for number in (1, 2, 3)] == [False, True, False]
    assert len(slots) == 3
    for number in (0, 4, -1):
        with pytest.raises(ValueError, match="the unit has 1 to 3"):
            slots[number]


def test_a_name_belongs_to_the_slot() -> None:
    slot = Slots(SlotTraits())[7]
    assert slot.title == "slot 7"
    slot.rename("gulls")
    assert slot.title == "slot 7 (gulls)"
    slot.put(Sample(words=np.zeros(1, np.int8), bits=8, rate=Fraction(8_000)), HELD)
    assert slot.sample is not None
    assert slot.sample.name == "gulls"
    slot.rename("thunder")
    assert slot.sample.name == "thunder"
    assert slot.clear() == HELD
    assert slot.name == "thunder"
    assert slot.clear() == Holding(())


def test_loop_0_is_the_sustain_loop() -> None:
    slot = full()
    assert slot.set_loop(0, FORWARD)
    assert slot.sample is not None
    assert slot.sample.sustain == FORWARD
    assert slot.loops() == ((0, FORWARD),)


def test_a_loop_replaces_the_one_of_its_number() -> None:
    slot = full()
    for number, loop in [(5, FORWARD), (2, FORWARD), (5, TO_AND_FRO)]:
        assert slot.set_loop(number, loop)
    assert slot.loops() == ((2, FORWARD), (5, TO_AND_FRO))


def test_loop_number_16383_deletes_all() -> None:
    slot = full()
    slot.set_loop(0, FORWARD)
    slot.set_loop(3, FORWARD)
    assert slot.set_loop(16_383, NO_LOOP)
    assert slot.loops() == ()
    assert slot.sample is not None
    assert slot.sample.sustain == NO_LOOP


@pytest.mark.parametrize("loop_type", [0x7E, 0x7F])
def test_a_sustain_loop_of_a_type_that_plays_once_is_none(loop_type: int) -> None:
    slot = full()
    slot.set_loop(0, Loop(start=1, end=2, loop_type=loop_type))
    assert slot.loops() == ()


def test_an_empty_slot_takes_no_loop() -> None:
    slot = Slots(SlotTraits())[1]
    assert not slot.set_loop(1, FORWARD)
    assert slot.loops() == ()


def test_wiping_empties_all_slots_and_forgets_their_names() -> None:
    slots = Slots(SlotTraits(count=3))
    slots[1].rename("bell")
    slots[2].put(Sample(words=np.zeros(1, np.int8), bits=8, rate=Fraction(8_000)), HELD)
    assert slots.used() == (slots[2],)
    slots.wipe()
    assert slots.used() == ()
    assert slots[1].name == ""
