"""How links are named, and what is said of them."""

from __future__ import annotations

import pytest
from hypothesis import given, settings

from emulator.line.link import LINKS, Habit, Link, link_lines, link_named
from tests.line.any_link import links
from tests.line.players import TO


@given(link=links())
@settings(max_examples=200, deadline=None, derandomize=True)
def test_a_link_is_found_by_its_name(link: Link) -> None:
    assert link_named(link.name) == link


def test_the_names_there_are() -> None:
    assert list(LINKS) == [
        *("usb", "usb-lost-ends", "at-most-64", "every-256th"),
        *("splits-32", "joins", "echo", "no-exclusive"),
    ]
    assert all(link_named(name) == link for name, link in LINKS.items())
    assert link_named(" At-Most-64 ") == link_named("at-most") == LINKS["at-most-64"]
    assert link_named("splits").number == 32
    assert link_named("splits-to-unit") == Link(habit=Habit.SPLITS, number=32, directions=(TO,))
    assert link_named("every-256th-to-unit") == LINKS["every-256th"]


@pytest.mark.parametrize(
    ("number", "name"),
    [(2, "2nd"), (3, "3rd"), (11, "11th"), (21, "21st"), (112, "112th"), (256, "256th")],
)
def test_numbers_end_as_they_are_spoken(number: int, name: str) -> None:
    assert Link(habit=Habit.EVERY, number=number).name == f"every-{name}"
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
    assert len(listed) == len(LINKS) == len(Habit)
    for link, (form, sentence) in zip(LINKS.values(), listed.items(), strict=True):
        assert sentence.endswith(".")
        if link.number:
            assert "N" in form
            assert str(link.number) in link.sentence
        else:
            assert (form, sentence) == (link.name, link.sentence)
    assert "first 64 bytes" in LINKS["at-most-64"].sentence
    assert "every 256th byte" in LINKS["every-256th"].sentence
