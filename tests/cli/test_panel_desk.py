"""What keys do at the live panel: nothing is wiped unasked, and numbers stay in their range."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from dryload.harness.cli.keys import BACKSPACE, ENTER, ESCAPE
from dryload.harness.cli.panel_desk import PanelDesk
from dryload.harness.jobs.front_panel import View
from dryload.harness.report.panel import Shows
from tests.cli.test_panel import DESK, EMPTY, RECEIVING, slot


class Bench:
    def __init__(self, view: View = DESK, *, has_battery: bool = True) -> None:
        self.posted: list[str] = []
        self.view = view
        protected = {slot.number for slot in view.slots if slot.protected}
        self.desk = PanelDesk(
            self.posted.append, has_battery=has_battery, is_protected=lambda slot: slot in protected
        )

    def press(self, *keys: str) -> list[str]:
        for key in keys:
            self.desk.press(key, self.view)
        return self.posted

    @property
    def shows(self) -> Shows:
        return self.desk.shows(left_ns=None, still_ns=0, ascii_only=False)


def test_initialise_is_asked_for_and_y_does_it() -> None:
    bench = Bench()
    assert bench.press("i") == []
    assert bench.shows.question.startswith("Initialise wipes all 3 samples: press y")
    assert bench.press("y") == ["initialise"]
    assert bench.shows.question == ""


@given(st.sampled_from(["n", "i", "q", ENTER, ESCAPE, BACKSPACE, " ", "x"]))
def test_any_other_key_leaves_the_memory_alone(key: str) -> None:
    bench = Bench()
    assert bench.press("i", key) == []
    assert bench.shows.question == ""
    assert bench.press("y") == []  # too late


@given(st.lists(st.sampled_from(["c", "d", "f", "p", "o", "?", "5", ENTER, ESCAPE, "n", "x", "i"])))
def test_nothing_wipes_memory_without_y(keys: list[str]) -> None:
    bench = Bench(has_battery=False)
    bench.press(*keys)
    assert not {"initialise", "power off"} & set(bench.posted)
    assert not any(words.startswith("delete") for words in bench.posted)


@given(st.integers(0, 99_999))
def test_a_device_id_is_0_to_126(number: int) -> None:
    bench = Bench()
    posted = bench.press("d", *str(number), ENTER)
    if number <= 126:  # 127 is the all call (M1 p. 35)
        assert posted == [f"device-id {number}"]
        assert bench.shows.question == ""
    else:
        assert posted == []
        assert "out of range" in bench.shows.question
        assert bench.press("7", ENTER) == ["device-id 7"]


def test_a_number_can_be_mended_and_left() -> None:
    assert Bench().press("d", "1", "9", BACKSPACE, "2", "z", ENTER) == ["device-id 12"]
    assert Bench().press("d", "1", ESCAPE, ENTER) == []
    assert Bench().press("d", ENTER) == []


def test_protect_goes_both_ways() -> None:
    assert Bench().press("p", "2", ENTER) == ["protect 2"]
    view = replace(DESK, slots=(slot(2, is_protected=True),))
    assert Bench(view).press("p", "2", ENTER) == ["unprotect 2"]
    assert Bench().press("p", "6", "5", ENTER) == []


def test_delete_names_the_sample_and_asks() -> None:
    bench = Bench()
    assert bench.press("x", "2", ENTER) == []
    assert "slot 2 (Thunder)" in bench.shows.question
    assert bench.press("y") == ["delete 2"]
    assert Bench().press("x", "9", ENTER, "y") == []


def test_the_switch_asks_only_where_something_would_be_lost() -> None:
    assert Bench().press("o") == ["power off"]
    assert Bench(has_battery=False).press("o") == []
    assert Bench(has_battery=False).press("o", "y") == ["power off"]
    assert Bench(RECEIVING).press("o") == []
    assert Bench(replace(EMPTY, powered=False), has_battery=False).press("o") == ["power on"]


def test_filter_confirm_and_quit() -> None:
    assert Bench().press("f") == ["filter off"]
    assert Bench(replace(EMPTY, receives_exclusive=False)).press("F") == ["filter on"]
    assert Bench().press("c") == []
    assert Bench(replace(EMPTY, awaiting_confirm=2)).press("c") == ["confirm"]
    assert Bench().press("q") == ["quit"]


def test_bytes_come_and_go_and_nothing_is_done_to_the_unit() -> None:
    bench = Bench()
    assert not bench.shows.bytes
    assert bench.press("b") == []
    assert bench.shows.bytes
    assert bench.press("b") == []
    assert not bench.shows.bytes


def test_a_key_without_a_meaning_says_so() -> None:
    bench = Bench()
    assert bench.press("z") == []
    assert "press ?" in bench.shows.notice
