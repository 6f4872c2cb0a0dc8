"""Proofs of faulty memories at real ports say what rehearsals say.

Three of them; all, in all four ways: `python -m tests.prove.live`.
"""

from __future__ import annotations

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from tests.foreign.process import ROOT
from tests.foreign.test_gear import OURS
from tests.prove.live import LiveAndNot, LiveCase, compared, rehearsed

SIZE = 256
AT_JACK = LiveCase("data_line_stuck", "serve", "jack", SIZE)
OVER_TCP = (
    LiveCase("together", "gear", "tcp", SIZE),
    LiveCase("leaky_cells", "serve", "tcp", SIZE),
)


def told(said: LiveAndNot) -> tuple[str, list[str]]:
    return said.live["faults"][0]["kind"], said.differs


@pytest.mark.port
def test_a_line_that_is_stuck_in_a_served_unit_is_told_over_jack(
    jack_name: str, tmp_path: Path
) -> None:
    assert told(compared(AT_JACK, tmp_path, jack_name)) == ("data line stuck", [])


def test_what_gear_and_a_served_unit_have_is_told_over_tcp(tmp_path: Path) -> None:
    with ThreadPoolExecutor() as pool:
        done = pool.map(lambda case: compared(case, tmp_path, None), OVER_TCP)
        assert [told(each) for each in done] == [("modules together", []), ("fades", [])]


def test_two_different_faults_are_not_the_same(tmp_path: Path) -> None:
    one, other = (
        rehearsed(LiveCase(name, "gear", "tcp", 64), tmp_path) for name in ("chip", "missing")
    )
    assert LiveAndNot(one, other).differs == ["faults"]
    assert LiveAndNot(one, one).differs == []


def test_the_gear_with_a_plain_memory_has_nothing_of_ours() -> None:
    code = "import sys, tests.prove.faulty_gear; print(*{n.partition('.')[0] for n in sys.modules})"
    said = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert "tests" in said.stdout.split()
    assert not {*OURS} & {*said.stdout.split()}
