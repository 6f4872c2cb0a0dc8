"""How far a list is played: what a unit refused at its header twice is not forced on it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.live import LiveReplay
from dryload.harness.jobs.playlist import LeftOut, PlayRow, Why, play_through, select
from tests.foreign.habits import Habits
from tests.foreign.unit import Gear
from tests.jobs.bench import dump, rehearsal, unit, words
from tests.jobs.gear_port import GearPort
from tests.ports.clockwork import FakeClock

NEVER_INITIALISED = Habits(memory=0, refuses=True)


def long(*lengths: int) -> list[Dump]:
    """Dumps of so many words, numbered from 1 on."""
    return [dump(words(length), number=at) for at, length in enumerate(lengths, start=1)]


def played(
    dumps: list[Dump],
    habits: Habits = NEVER_INITIALISED,
    goes_on: Callable[[Dump], bool] = lambda dump: False,
) -> tuple[list[PlayRow], Gear]:
    gear = Gear(habits)
    live = LiveReplay(GearPort(gear, FakeClock()), paced=False)
    rows = play_through(select(dumps), live.play, hindrance=lambda: None, goes_on=goes_on)
    return list(rows), gear


def told(rows: list[PlayRow]) -> list[str]:
    return [str(row.why) if isinstance(row, LeftOut) else str(row.outcome) for row in rows]


def test_after_an_equal_refusal_nothing_larger_is_sent() -> None:
    rows, gear = played(long(50, 60, 70, 80, 90))
    assert told(rows) == ["refused", "refused", *["refused alike"] * 3]
    assert gear.saw["headers"] == 2


def test_what_is_smaller_may_still_fit_and_is_tried() -> None:
    rows, _ = played(long(500, 400, 450, 90), Habits(memory=100, refuses=True))
    assert told(rows) == ["refused", "refused", "refused", "loaded"]
    rows, _ = played(long(400, 450, 500, 90), Habits(memory=100, refuses=True))
    assert told(rows) == ["refused", "refused", "refused alike", "loaded"]


def test_what_is_taken_in_between_says_that_the_unit_is_well() -> None:
    rows, _ = played(long(400, 90, 410, 420, 430), Habits(memory=100, refuses=True))
    assert told(rows) == ["refused", "loaded", "refused", "refused", "refused alike"]


@pytest.mark.parametrize("wants", [True, False])
def test_the_user_is_asked_once(wants: bool) -> None:
    asked: list[int] = []

    def goes_on(dump: Dump) -> bool:
        asked.append(dump.header.sample_number)
        return wants

    rows, gear = played(long(50, 60, 70, 80, 90), goes_on=goes_on)
    assert asked == [3]
    assert told(rows) == ["refused", "refused", *["refused" if wants else "refused alike"] * 3]
    assert gear.saw["headers"] == (5 if wants else 2)


def test_a_rehearsal_ends_as_the_live_run_does() -> None:
    dumps = long(50, 60, 70, 40)
    live, _ = played(dumps)
    rehearsed = rehearsal(unit(memory={"initialised": False}))
    rows = play_through(
        select(dumps),
        rehearsed.play,
        hindrance=lambda: None,
    )
    assert told(list(rows)) == told(live)


def test_what_was_refused_is_not_what_is_left_out_for_another_reason() -> None:
    rows, _ = played(long(50, 60, 70))
    left = [row for row in rows if isinstance(row, LeftOut)]
    assert [each.why for each in left] == [Why.REFUSED_ALIKE]
    assert not any(row.is_well for row in rows)
