"""The front panel: what a person can do, and what is gone afterwards."""

import pytest

from dryload.emulator.dump.storage import Accept, Refuse
from dryload.emulator.unit.memory import Region
from dryload.emulator.unit.panel import FrontPanel, MapLine
from tests.unit.rack import NOW, SMALL, Rack, header, rack

LATER = 5_000
CONFIRMING = SMALL + '[panel]\nconfirm = "each dump"\n'


def filled(text: str = SMALL) -> Rack:
    unit = rack(text)
    assert unit.send(range(10), number=0) == Accept()
    assert unit.send(range(20), number=2) == Accept()
    return unit


def test_the_unit_arrives_switched_on_and_set_up_as_its_profile_says() -> None:
    unit = rack(SMALL + "[input]\nreceive_exclusive = false")
    panel = unit.panel
    assert (panel.powered, panel.device_id, panel.receive_exclusive) == (True, 0, False)
    assert panel.line == "100 of 100 words free"


def test_the_map_shows_samples_and_holes() -> None:
    assert filled().panel.memory_map() == (
        MapLine(Region(0, 10), "sample", 1),
        MapLine(Region(10, 20), "sample", 3),
        MapLine(Region(30, 70), "free"),
    )


def test_the_map_shows_words_that_are_being_filled_without_a_slot() -> None:
    unit = rack()
    unit.keeper.begin(header(length=40), NOW)
    assert unit.panel.memory_map() == (
        MapLine(Region(0, 40), "arriving"),
        MapLine(Region(40, 60), "free"),
    )
    assert unit.panel.line == "receiving sample 0"


def test_initialising_wipes_samples_and_names() -> None:
    unit = filled(SMALL.replace("count = 4", "count = 4\nprotected = [4]"))
    unit.slots[2].rename("bell")
    unit.panel.initialise(LATER)
    assert unit.slots.used() == ()
    assert unit.slots[2].name == ""
    assert unit.memory.total_free == 100
    assert (unit.panel.line, unit.panel.line_since_ns) == ("100 of 100 words free", LATER)


def test_after_a_change_of_banks_dumps_are_refused_until_the_memory_is_initialised() -> None:
    unit = filled()
    unit.panel.fit_banks([1, 2], LATER)
    assert unit.panel.line == "memory not initialised"
    assert unit.slots.used() == ()
    decision = unit.send(range(5))
    assert isinstance(decision, Refuse)
    assert "initialise it at the front panel" in decision.reason
    unit.panel.initialise(LATER)
    assert unit.send(range(150)) == Accept()


def test_a_second_bank_is_useless_without_the_first() -> None:
    unit = filled()
    unit.panel.fit_banks([2], LATER)
    unit.panel.initialise(LATER)
    assert unit.panel.line == "no memory: bank 2 is of no use without bank 1"
    decision = unit.send(range(5))
    assert isinstance(decision, Refuse)
    assert "there is no memory, bank 2 is of no use without bank 1: fit bank 1" in decision.reason


def test_fitting_the_same_banks_changes_nothing() -> None:
    unit = filled()
    unit.panel.fit_banks([1, 1], LATER)
    assert len(unit.slots.used()) == 2


def test_a_place_that_isnt_there_is_a_callers_mistake_and_changes_nothing() -> None:
    unit = filled()
    with pytest.raises(ValueError, match="the unit has 1 to 3"):
        unit.panel.fit_banks([1, 4], LATER)
    assert len(unit.slots.used()) == 2


def test_taking_the_memory_away_ends_a_running_dump() -> None:
    for act in ("initialise", "power_off"):
        unit = rack()
        unit.send(range(80), packets=1)
        getattr(unit.panel, act)(LATER)
        assert not unit.keeper.is_busy
        assert unit.memory.used == 0
        assert not unit.keeper.has_room()
    unit = rack()
    unit.send(range(80), packets=1)
    unit.panel.fit_banks([1, 2], LATER)
    assert not unit.keeper.is_busy


def test_a_panel_without_anything_running_behind_it_works_too() -> None:
    parts = rack()
    panel = FrontPanel(parts.profile, parts.memory, parts.slots)
    panel.initialise(LATER)
    assert panel.line_since_ns == LATER


def test_the_receive_filter_and_the_device_id_are_set_at_the_panel() -> None:
    panel = rack().panel
    panel.set_receive_filter(False, LATER)
    assert (panel.receive_exclusive, panel.line) == (False, "System Exclusive off")
    panel.set_receive_filter(True, LATER)
    assert (panel.receive_exclusive, panel.line) == (True, "System Exclusive on")
    panel.set_device_id(126, LATER)
    assert (panel.device_id, panel.line) == (126, "device ID 126")
    for wrong in (127, -1):
        with pytest.raises(ValueError, match="0 to 126"):
            panel.set_device_id(wrong, LATER)
    assert panel.device_id == 126


def test_a_slot_can_be_protected_and_freed_again() -> None:
    unit = filled()
    unit.panel.protect(1, True, LATER)
    assert unit.panel.line == "slot 1 protected"
    assert isinstance(unit.send(range(5), number=0), Refuse)
    assert not unit.panel.delete(1, LATER)
    assert unit.words_in(1) == list(range(10))
    unit.panel.protect(1, False, LATER)
    assert unit.panel.line == "slot 1 no longer protected"
    assert unit.send(range(5), number=0) == Accept()


def test_deleting_gives_the_words_back() -> None:
    unit = filled()
    unit.slots[1].rename("gulls")
    assert unit.panel.delete(1, LATER)
    assert (unit.words_in(1), unit.slots[1].name) == (None, "")
    assert unit.words_in(3) == list(range(20))
    assert unit.memory.used == 20
    assert not unit.panel.delete(1, LATER)
    assert unit.panel.line == "slot 1 deleted"


def test_confirming_needs_something_to_confirm_and_power() -> None:
    unit = rack(CONFIRMING)
    assert not unit.panel.confirm(LATER)
    unit.send(range(5), number=1)
    assert unit.panel.awaiting_confirm == 2
    unit.panel.powered = False
    assert not unit.panel.confirm(LATER)
    unit.panel.powered = True
    assert unit.panel.confirm(LATER)
    assert unit.panel.line == "slot 2 confirmed"
    assert not unit.panel.confirm(LATER)


def test_deleting_the_unconfirmed_sample_settles_it_and_no_other_does() -> None:
    unit = rack(CONFIRMING)
    unit.send(range(5), number=0)
    unit.panel.confirm(LATER)
    unit.send(range(5), number=1)
    unit.panel.delete(1, LATER)
    assert unit.panel.awaiting_confirm == 2
    unit.panel.delete(2, LATER)
    assert unit.panel.awaiting_confirm is None


@pytest.mark.parametrize(("battery", "kept"), [("true", 2), ("false", 0)])
def test_without_a_battery_samples_are_gone_when_the_power_is(battery: str, kept: int) -> None:
    unit = filled(SMALL.replace("bank_words", f"battery = {battery}\nbank_words"))
    unit.panel.set_device_id(9, LATER)
    unit.panel.power_off(LATER)
    assert (unit.panel.powered, unit.panel.line) == (False, "")
    unit.panel.power_on(LATER)
    assert unit.panel.powered
    assert len(unit.slots.used()) == kept
    assert unit.memory.used == (30 if kept else 0)
    assert unit.panel.device_id == 9
    assert unit.send(range(5), number=3) == Accept()


def test_a_power_cut_does_not_initialise_the_memory() -> None:
    unit = rack(SMALL.replace("bank_words", "battery = false\nbank_words"))
    unit.panel.fit_banks([1, 2], LATER)
    unit.panel.power_off(LATER)
    unit.panel.power_on(LATER)
    assert unit.panel.line == "memory not initialised"
