"""Links of every kind, for the property tests."""

from __future__ import annotations

from hypothesis import strategies as st

from dryload.emulator.dump.capture import Direction
from dryload.emulator.line.link import Habit, Link
from tests.line.players import FROM, TO

NUMBERED = (Habit.AT_MOST, Habit.EVERY, Habit.SPLITS)
ONE_WAY = (Habit.JOINS, Habit.ECHO)


FORMS = {
    Habit.USB: "usb",
    Habit.USB_LOST_ENDS: "usb-lost-ends",
    Habit.AT_MOST: "at-most-{}",
    Habit.EVERY: "every-{}th",
    Habit.SPLITS: "splits-{}",
    Habit.JOINS: "joins",
    Habit.ECHO: "echo",
    Habit.NO_EXCLUSIVE: "no-exclusive",
}
USUAL = (
    "usb",
    "usb-lost-ends",
    "at-most-64",
    "every-256th",
    "splits-32",
    "joins",
    "echo",
    "no-exclusive",
)
"""One of each habit by its name."""
WAYS = {(TO,): "-to-unit", (FROM,): "-from-unit", (TO, FROM): "-both-ways"}


def name_of(link: Link) -> str:
    """Return a name under which a link is to be found."""
    one_way = link.habit in ONE_WAY  # the only one that it can have
    return FORMS[link.habit].format(link.number) + ("" if one_way else WAYS[link.directions])


@st.composite
def links(draw: st.DrawFn) -> Link:
    """Return any link, with any number and any directions that it can have."""
    habit = draw(st.sampled_from(Habit))
    number = draw(st.integers(2, 200)) if habit in NUMBERED else 0
    ways: list[tuple[Direction, ...]] = [()]
    if habit not in ONE_WAY:
        ways += [(TO,), (FROM,), (TO, FROM)]
    return Link(habit=habit, number=number, directions=draw(st.sampled_from(ways)))
