"""A look of a few minutes at a memory: what shows, and when.

When the first sign shows in 512 K words: `python -m tests.prove.test_quick 100`.
"""

from __future__ import annotations

import sys
from typing import cast

import pytest

from dryload.emulator.unit.profile import load_profile
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.prove.passes import QUICK
from dryload.harness.prove.proof import ProofRequest, Proven, Verdict
from dryload.harness.prove.quick import QuickProof
from dryload.harness.prove.tested import TestedUnit
from tests.prove.plain_memory import LISTED, PlainMemory
from tests.prove.plain_unit import PlainUnit

MINUTE_NS = 60_000_000_000
SHOWING = ("data_line_stuck", "data_lines_joined", "data_line_loose", "missing", "chip")
LATER = ("address_line", "half_the_size", "together")


def looked(memory: PlainMemory, minutes: float) -> Proven:
    asked = ProofRequest(passes=QUICK, minutes_ns=round(minutes * MINUTE_NS))
    return QuickProof(cast(TestedUnit, PlainUnit(memory)), asked).run()


def memory_of(seed: int, *, size: int) -> PlainMemory:
    return PlainMemory("in a row", banks=2, size=size, start=0, seed=seed)


@pytest.mark.parametrize("minutes", [0.2, 1.0, 3.0])
def test_a_memory_that_works_is_never_proved_by_a_look_and_it_takes_no_longer(
    minutes: float,
) -> None:
    got = looked(memory_of(1, size=1 << 15), minutes)

    assert (got.verdict, got.faults) == (Verdict.NOT_PROVED, ())
    assert got.is_look
    assert "all of these were right" in got.why
    assert got.total_ns <= 1.02 * minutes * MINUTE_NS


@pytest.mark.parametrize("name", [*SHOWING, *LATER])
def test_what_fitting_does_wrong_shows_in_the_time_of_one_filling(name: str) -> None:
    for seed in range(2):
        memory = memory_of(seed, size=1 << 15)
        made = LISTED[name](memory)
        got = looked(memory, 1.2)
        assert got.faults, seed
        assert got.faults[0].kind in made.answers, (seed, got.faults)


def test_one_address_line_is_not_surely_told_from_two_that_are_joined() -> None:
    for seed in (0, 3):
        memory = memory_of(seed, size=1 << 18)
        made = LISTED["address_lines_joined"](memory)
        got = looked(memory, 7)  # too short for more than the beginning of most samples
        assert got.faults, seed
        assert got.faults[0].kind in made.answers or not got.faults[0].sure, seed


def test_the_place_is_told_though_only_the_beginning_of_each_sample_is_known() -> None:
    memory = memory_of(1, size=1 << 15)
    memory.carry = lambda bank, at, value, writing: value | (bank == 1)  # the lowest line
    (fault,) = looked(memory, 1.2).faults

    assert (fault.kind, fault.lines, fault.level) == ("data line stuck", (0,), 1)
    assert (fault.first >= 1 << 15, fault.last) == (True, (1 << 16) - 1)


def test_nothing_is_written_twice_where_there_are_only_minutes() -> None:
    profile = load_profile("slow-pulley")  # it does not say what it has room for
    rehearsal = Rehearsal(profile)
    unit = TestedUnit(rehearsal, rehearsal.line, device_id=profile.unit.device_id)
    got = QuickProof(unit, ProofRequest(passes=QUICK, minutes_ns=3 * MINUTE_NS)).run()

    assert got.is_look
    assert got.total_ns <= 1.02 * 3 * MINUTE_NS


def main(runs: int) -> None:
    """Say when the first sign shows, at the speed of the cable."""
    for name in (*SHOWING, *LATER, "address_lines_joined", "block", "row", "column", "cells"):
        found, named = [], 0
        for seed in range(runs):
            memory = memory_of(seed, size=1 << 18)
            made = LISTED[name](memory)
            got = looked(memory, 7)
            found.append(got.sign.after_ns / MINUTE_NS if got.sign else 99)
            named += bool(got.faults) and got.faults[0].kind in made.answers
        by = [sum(each <= minute for each in found) * 100 // runs for minute in (1, 3, 4, 7)]
        print(f"{name:22} found by minute 1, 3, 4, 7: {by} %, named {named * 100 // runs} %")


if __name__ == "__main__":
    main(int(sys.argv[1]))
