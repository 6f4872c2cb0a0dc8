"""Links of every kind, for the property tests."""

from __future__ import annotations

from hypothesis import strategies as st

from emulator.dump.capture import Direction
from emulator.line.link import Habit, Link
from tests.line.players import FROM, TO

NUMBERED = (Habit.AT_MOST, Habit.EVERY, Habit.SPLITS)
ONE_WAY = (Habit.JOINS, Habit.ECHO)


@st.composite
def links(draw: st.DrawFn) -> Link:
    """Return any link, with any number and any directions that it can have."""
    habit = draw(st.sampled_from(Habit))
    number = draw(st.integers(2, 200)) if habit in NUMBERED else 0
    ways: list[tuple[Direction, ...]] = [()]
    if habit not in ONE_WAY:
        ways += [(TO,), (FROM,), (TO, FROM)]
    return Link(habit=habit, number=number, directions=draw(st.sampled_from(ways)))
