"""How links are named, and what is said of them."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings

from dryload.emulator.line.link import Habit, Link, link_lines, link_named
from tests.line.any_link import USUAL, links, name_of
from tests.line.players import TO


@given(link=links())
@settings(max_examples=200, deadline=None, derandomize=True)
def test_a_link_is_found_by_its_name(link: Link) -> None:
    assert link_named(name_of(link)) == link


def test_the_names_there_are() -> None:
    assert [link_named(name).habit for name in USUAL] == list(Habit)
    at_most = Link(habit=Habit.AT_MOST, number=64)
    assert link_named(" At-Most-64 ") == link_named("at-most") == at_most
    assert link_named("splits").number == 32
    assert link_named("splits-to-unit") == Link(habit=Habit.SPLITS, number=32, directions=(TO,))
    assert link_named("every-256th-to-unit") == link_named("every-256th") == link_named("every")


@pytest.mark.parametrize(
    ("number", "name"),
    [(2, "2nd"), (3, "3rd"), (11, "11th"), (21, "21st"), (112, "112th"), (256, "256th")],
)
def test_numbers_end_as_they_are_spoken(number: int, name: str) -> None:
    assert link_named(f"every-{name}") == Link(habit=Habit.EVERY, number=number)
    assert link_named(f"every-{number}th").number == number


@pytest.mark.parametrize(
    "text",
    ["", "usb-", "at-most-", "at-most-x", "every-256", "echoes", "usb-64", "splits--1", "N"],
)
def test_an_unknown_name_is_refused_with_the_names_there_are(text: str) -> None:
    with pytest.raises(ValueError, match="there are usb, usb-lost-ends, at-most-N, every-Nth"):
        link_named(text)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("at-most-0", "N must be 1 or more, not 0"),
        ("every-1st", "N must be 2 or more, not 1"),
        ("splits-0", "N must be 1 or more, not 0"),
        ("joins-to-unit", "joins is never at work to unit"),
        ("echo-both-ways", "echo is never at work from unit"),
    ],
)
def test_what_no_interface_can_do_is_refused(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        link_named(text)


def test_a_habit_without_a_number_takes_none() -> None:
    with pytest.raises(ValueError, match="has no number"):
        Link(habit=Habit.USB, number=3)


def test_every_link_has_its_sentences() -> None:
    listed = dict(link_lines())
    assert len(listed) == len(Habit)
    for name, (form, sentence) in zip(USUAL, listed.items(), strict=True):
        assert sentence.endswith(".")
        numbered = link_named(name).number != 0
        assert ("N" in form) is numbered
        assert bool(re.search(r"\bN(th)?\b", sentence)) is numbered
        assert numbered or form == name
