"""A diagnosis takes no more steps for each message of a long capture than of a short one."""

from __future__ import annotations

import pytest

from dryload.harness.diagnose.diagnose import diagnose
from tests.judge.talking import TO
from tests.judge.test_growth import MOST, TAPES, TIMES, steps


@pytest.mark.parametrize("name", TAPES)
@pytest.mark.parametrize("one_way", [False, True])
@pytest.mark.parametrize("timed", [False, True])
def test_a_long_capture_takes_no_more_steps_a_message(
    name: str, one_way: bool, timed: bool
) -> None:
    few, many = (_steps(name, size, one_way, timed) for size in (200, 200 * TIMES))
    assert many <= MOST * TIMES * few


def _steps(name: str, size: int, one_way: bool, timed: bool) -> int:
    directions = (TO,) if one_way else ()
    recorded = TAPES[name](size).recorded(*directions, is_timed=timed)
    return steps(lambda: diagnose(recorded))
