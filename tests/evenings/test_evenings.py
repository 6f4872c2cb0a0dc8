"""Evenings of live replay with troubles: nothing is claimed that the unit refutes.

`python -m tests.evenings` has thousands of them; here are a few, and what the checker is worth.
"""

from __future__ import annotations

import json
import os
import random
from collections.abc import Callable, Sequence
from copy import deepcopy
from dataclasses import replace
from pathlib import Path

import pytest

from tests.evenings import tool
from tests.evenings.account import account
from tests.evenings.check import faults_of
from tests.evenings.disk import Disk
from tests.evenings.evening import Lived, Turn, live_through
from tests.evenings.plan import Dump, Evening, Run, Trouble, evening_of, quiet_evening
from tests.evenings.rack import Manners
from tests.foreign.habits import Habits

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="each run is forked")

DUMPS = (
    Dump(file="a.syx", index=0, number=1, filed=1, words=tuple(range(100))),
    Dump(file="b.syx", index=0, number=2, filed=2, words=tuple(range(300))),
)


@pytest.fixture(scope="module", autouse=True)
def _preloaded() -> None:
    tool.preload()


def evening(*runs: Run, habits: Habits | None = None, manners: Manners | None = None) -> Evening:
    """An evening at which all that is odd and wrong is given."""
    return replace(
        quiet_evening(),
        dumps=DUMPS,
        target="tcp",
        habits=habits or Habits(),
        manners=manners or Manners(has_battery=True),
        faulty=False,
        runs=runs or (run(),),
    )


def run(*troubles: Trouble, resume: bool = False, as_json: bool = True) -> Run:
    options = ("--resume",) if resume else ()
    return Run(options=options, as_json=as_json, troubles=troubles)


def kinds(lived: Lived) -> set[str]:
    return {fault.kind for fault in lived.faults}


# the evenings


@pytest.mark.parametrize("number", range(12))
def test_at_an_evening_without_trouble_everything_is_loaded_and_verified(number: int) -> None:
    drawn = evening_of(20_261, number)
    quiet = replace(drawn.runs[0], troubles=(), hits=(), options=())
    habits = replace(Habits(), ack_number=drawn.habits.ack_number, delay=drawn.habits.delay)
    lived = live_through(
        replace(drawn, dumps=DUMPS, habits=habits, manners=Manners(), faulty=False, runs=(quiet,))
    )
    assert [turn.ran.code for turn in lived.turns] == [0], "\n".join(account(lived))
    said = {(claim.outcome, claim.verified) for claim in lived.turns[0].said.claims}
    assert said == {("loaded", True)}
    assert not lived.faults


@pytest.mark.parametrize("number", range(40))
def test_nothing_that_is_said_at_an_evening_of_troubles_is_refuted(number: int) -> None:
    lived = live_through(evening_of(20_264, number))
    assert not lived.faults, "\n".join(account(lived))


# what the checker is worth


def lied(tell: Callable[[Turn], None], lived: Lived) -> set[str]:
    """The kinds of faults that are found when something is told otherwise."""
    turns: list[Turn] = deepcopy(lived.turns)
    tell(turns[0])
    return {fault.kind for fault in faults_of(lived.evening, turns, 0)}


@pytest.fixture(scope="module")
def well() -> Lived:
    lived = live_through(evening())
    assert not lived.faults
    return lived


@pytest.fixture(scope="module")
def killed() -> Lived:
    """Killed in the second dump, and then nothing more."""
    lived = live_through(evening(run(Trouble(kind="kill", at_s=0.5))))
    assert lived.turns[0].ran.code == 137
    return lived


def forget(turn: Turn) -> None:
    turn.ran.rack.held.clear()


def change_a_word(turn: Turn) -> None:
    turn.ran.rack.held[2].words[-1] ^= 1


def renumber(turn: Turn) -> None:
    turn.ran.rack.held[9] = turn.ran.rack.held.pop(2)


@pytest.mark.parametrize("tell", [forget, change_a_word, renumber])
def test_verified_is_a_lie_where_the_unit_does_not_hold_it(
    well: Lived, tell: Callable[[Turn], None]
) -> None:
    assert lied(tell, well) >= {"verified and not held", "exit 0 and not held"}


@pytest.mark.parametrize(
    ("outcome", "kind"),
    [
        ("refused", "refused and held"),
        ("incomplete", "incomplete and held"),
        ("loaded with changes", "changed and held"),
    ],
)
def test_bad_news_is_a_lie_where_the_unit_holds_it(well: Lived, outcome: str, kind: str) -> None:
    def tell(turn: Turn) -> None:
        turn.said.claims = [
            replace(claim, outcome=outcome, verified=False) for claim in turn.said.claims
        ]

    assert kind in lied(tell, well)


def test_loaded_before_is_a_lie_where_the_unit_is_empty(well: Lived) -> None:
    def tell(turn: Turn) -> None:
        forget(turn)
        turn.said.claims = [
            replace(claim, outcome="loaded before", verified=None) for claim in turn.said.claims
        ]

    assert "loaded before and not held" in lied(tell, well)


def test_exit_0_without_proof_is_found(well: Lived) -> None:
    def tell(turn: Turn) -> None:
        turn.said.claims = [replace(claim, verified=None) for claim in turn.said.claims]

    assert "exit 0 and not proved" in lied(tell, well)


def test_a_dump_of_which_nothing_is_said_is_found(well: Lived) -> None:
    def tell(turn: Turn) -> None:
        turn.said.claims.pop()

    assert "not named" in lied(tell, well)


def test_a_journal_that_says_something_else_is_found(well: Lived) -> None:
    def tell(turn: Turn) -> None:
        turn.journal = [replace(claim, outcome="incomplete") for claim in turn.journal]

    def drop(turn: Turn) -> None:
        turn.journal = []

    assert "journal differs" in lied(tell, well)
    assert "not in the journal" in lied(drop, well)


def test_blame_of_a_unit_that_keeps_to_the_standard_is_found(well: Lived) -> None:
    def tell(turn: Turn) -> None:
        turn.said.claims = [replace(claim, blames=("it did it",)) for claim in turn.said.claims]

    def late(turn: Turn) -> None:
        turn.ran.log.struck.add("late")
        turn.said.claims = [
            replace(claim, reason="the unit did not answer packet 1") for claim in turn.said.claims
        ]

    assert "false blame" in lied(tell, well)
    assert "false blame" in lied(late, well)


def test_a_capture_that_lacks_something_is_found() -> None:
    lived = live_through(evening(replace(run(), options=("--capture", "passed-0.jsonl"))))
    assert lived.turns[0].captured
    assert not lived.faults

    def tell(turn: Turn) -> None:
        turn.captured = (turn.captured or b"")[:-1]

    assert "capture differs" in lied(tell, lived)


def test_a_traceback_and_a_strange_exit_code_are_found(well: Lived) -> None:
    def tell(turn: Turn) -> None:
        turn.ran = replace(turn.ran, code=70, err="Traceback (most recent call last):\nOops")

    assert lied(tell, well) >= {"traceback", "exit code"}


def test_a_tool_that_always_says_loaded_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    def lie(arguments: Sequence[str]) -> int:
        transfers = [
            {
                "file": dump.file,
                "dump": 0,
                "sample_number": dump.number,
                "outcome": "loaded",
                "verified": True,
                "reason": "",
                "packets": {"sent": dump.packets},
                "findings": [],
            }
            for dump in DUMPS
        ]
        print(json.dumps({"transfers": transfers}))
        return 0

    monkeypatch.setattr(tool, "_main", lie)
    assert kinds(live_through(evening())) >= {"verified and not held", "exit 0 and not held"}


def test_the_account_says_what_was_done_said_and_held(killed: Lived) -> None:
    told = "\n".join(account(killed))
    assert "*** kill" in told
    assert "header of sample 2" in told
    assert "held   sample 1 of a.syx is in the unit" in told
    assert "held   sample 2 of b.syx is NOT in the unit" in told


def test_text_and_table_are_read_as_json_is() -> None:
    claims = live_through(evening(run(as_json=False))).turns[0].said.claims
    assert [(each.by, each.file) for each in claims] == [
        (by, file) for by in ("the text", "the table") for file in ("a.syx", "b.syx")
    ]
    assert {(each.outcome, each.verified) for each in claims} == {("loaded", True)}


def test_the_same_seed_is_the_same_evening() -> None:
    assert evening_of(7, 11) == evening_of(7, 11)
    assert evening_of(7, 11) != evening_of(8, 11)
    first, again = live_through(evening_of(7, 11)), live_through(evening_of(7, 11))
    assert [turn.ran.log for turn in first.turns] == [turn.ran.log for turn in again.turns]


# the disk


def cuts(folder: Path, write: Callable[[Disk], None]) -> set[tuple[tuple[str, bytes], ...]]:
    """All that a power cut may leave of what was written."""
    found = set()
    for seed in range(60):
        for path in folder.iterdir():
            path.unlink()
        (folder / "old").write_bytes(b"old")
        disk = Disk(folder)
        write(disk)
        disk.cut(random.Random(seed))
        found.add(tuple(sorted((path.name, path.read_bytes()) for path in folder.iterdir())))
    return found


def test_a_power_cut_may_take_what_was_never_synced_and_nothing_else(tmp_path: Path) -> None:
    def append(disk: Disk) -> None:
        with open(tmp_path / "old", "ab") as file:
            file.write(b" one")
            file.flush()
            disk.sync(file.fileno())
            file.write(b" two")

    left = cuts(tmp_path, append)
    assert {dict(each)["old"] for each in left} >= {b"old one", b"old one two", b"old one t"}
    assert all(dict(each)["old"].startswith(b"old one") for each in left)


def test_a_power_cut_may_leave_the_old_file_under_a_name_that_was_replaced(tmp_path: Path) -> None:
    def put(disk: Disk, *, syncs: bool, names: bool) -> None:
        with open(tmp_path / "new", "wb") as file:
            file.write(b"new")
            file.flush()
            if syncs:
                disk.sync(file.fileno())
        (tmp_path / "new").replace(tmp_path / "old")
        if names:
            handle = os.open(tmp_path, os.O_RDONLY)
            disk.sync(handle)
            os.close(handle)

    def left(**how: bool) -> set[bytes | None]:
        return {dict(each).get("old") for each in cuts(tmp_path, lambda disk: put(disk, **how))}

    assert left(syncs=True, names=True) == {b"new"}
    assert left(syncs=True, names=False) == {b"new", b"old"}
    assert b"" in left(syncs=False, names=False)
