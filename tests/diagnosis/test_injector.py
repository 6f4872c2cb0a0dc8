"""The injector: what it calls healthy is, and what it calls a fault is in the bytes."""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path

import pytest

from dryload.harness.diagnose.cause import Where
from dryload.harness.diagnose.table import TABLE
from dryload.harness.judge.dialogue.judge import judge_capture
from dryload.harness.judge.finding import Verdict
from tests.diagnosis.injector import KINDS, OFTEN, case_of, cases, double_of, healthy_of
from tests.diagnosis.injector_kinds import (
    FAULTS,
    LEGAL,
    NOTHING,
    TWINS,
    Case,
    Kind,
    Script,
    View,
    case_in,
    played,
    rivals_of,
)
from tests.diagnosis.injector_play import Play
from tests.diagnosis.injector_reading import Reading

_LONG = 100
_BY_NAME = {kind.name: kind for kind in (*KINDS, *LEGAL)}
MOST_ACCEPTED = 1.5
"""Causes that are accepted in a case, on average."""


def some(kind: Kind, many: int) -> range:
    """Seeds for a kind: few where its dumps are long."""
    return range(many if kind.packets[1] < _LONG else 2)


def both_views(kind: Kind, seed: int) -> tuple[Case, Case]:
    """The same case as it arrived and as it left."""
    return (
        case_in(kind, str(seed), view=View.LINE),
        case_in(kind, str(seed), view=View.HOST),
    )


@pytest.mark.parametrize("name", [kind.name for kind in LEGAL])
def test_what_may_not_be_named_is_not_broken(name: str) -> None:
    for seed in some(_BY_NAME[name], 30):
        case = case_in(_BY_NAME[name], str(seed))
        found = judge_capture(case.recorded).all_findings
        assert case.is_clean
        assert case.packet is None
        assert all(each.verdict is not Verdict.BROKEN for each in found), (seed, found)


@pytest.mark.parametrize("name", [kind.name for kind in LEGAL])
def test_what_may_not_be_named_is_whole_in_its_bytes(name: str) -> None:
    for seed in some(_BY_NAME[name], 10):
        for case in both_views(_BY_NAME[name], seed):
            seen = Reading(case.recorded)
            assert not seen.damaged, seed
            assert not seen.unanswered, seed
            assert not seen.those("NAK", "CANCEL", to_unit=False), seed


# Where the fault is, by the place where the cause lies.  The tape has what left the host and what
# arrived, and the same conversation without the fault stands beside it.

IN_TIME = ("faulty pauses", "line too fast", "line speed off")
"""Causes on the way that change no byte."""
ANYWHERE = (
    "reset on the cable",  # it leaves the host
    "exclusive messages filtered out",  # both ways
    "unit takes damaged packets",  # so there is damage, too
    "sender passes over an answer",
)
"""Causes whose fault is as well, or only, in another place than where they are said to lie."""


def left_and_came(kind: Kind, seed: str, script: Script) -> tuple[bytes, bytes]:
    """What left the host in a conversation, and what of it arrived."""
    tape = played(kind, seed, script)[0].tape
    left, came = (b"".join(each.data for each in way) for way in (tape.sent, tape.arrived))
    return left, came


@pytest.mark.parametrize("kind", FAULTS, ids=lambda kind: kind.name)
def test_a_fault_lies_where_its_cause_does(kind: Kind) -> None:
    where = TABLE.named(kind.cause).where
    seeds = [str(seed) for seed in some(kind, 8)]
    shown = [seed for seed in seeds if not case_in(kind, seed).is_clean]
    assert shown
    for seed in shown:
        left, came = left_and_came(kind, seed, kind.script)
        if where is Where.FILE:
            assert left == came
            assert left != left_and_came(kind, seed, Play.whole)[0]
        elif kind.cause not in ANYWHERE:
            is_there = where is Where.WAY_THERE and kind.cause not in IN_TIME
            assert (left != came) is is_there, seed


# What looks alike


@pytest.mark.parametrize(
    "twin", [each for each in TWINS if ", here" not in each.name], ids=lambda twin: twin.name
)
def test_a_twin_leaves_the_very_capture_of_another_fault(twin: Kind) -> None:
    """It would accept nothing else, so one that is alike in no case would be of no use."""
    mates = [kind for kind in KINDS if kind.group == twin.group]
    found = (
        case_in(mate, str(seed), view=view).accepted
        for mate in mates
        for view in dict.fromkeys(mate.views)
        for seed in range(12)
    )
    assert any(twin.cause in accepted for accepted in found)


def test_a_capture_without_its_fault_shows_none() -> None:
    """The filler cannot be kept where there is none; then nothing may be named."""
    kind = _BY_NAME["the filler is kept"]
    found = [case_in(kind, str(seed)) for seed in range(40)]
    assert {case.is_clean for case in found} == {True, False}
    for case in found:
        assert case.is_clean is (NOTHING in case.accepted)


def test_what_differs_in_one_view_is_alike_in_another() -> None:
    """A byte altered and a byte lost: the line shows which, and the host only a NAK."""
    kind = _BY_NAME["a data byte altered"]
    line, host = both_views(kind, 7)
    assert line.accepted == {"bytes altered on the way"}
    assert {"bytes altered on the way", "bytes lost on the way"} < host.accepted


def test_few_causes_are_accepted() -> None:
    found = [case for case in cases(3, range(2_000)) if not (case.is_clean or case.is_open)]
    assert sum(len(case.accepted) for case in found) <= MOST_ACCEPTED * len(found)


def test_what_is_alike_is_so_for_both() -> None:
    """Where a kind accepts the cause of another of its group, that one accepts its cause."""
    for kind in (each for each in FAULTS if each.group):
        for view in dict.fromkeys(kind.views):
            case = case_in(kind, "5", view=view)
            assert case.is_clean or kind.cause in case.accepted
            assert case.accepted - {kind.cause, *kind.also} <= {
                cause for rival in rivals_of(kind) for cause in (rival.cause, *rival.also)
            } | {NOTHING, *case.accepted & _of_scripts(kind)}


def _of_scripts(kind: Kind) -> set[str]:
    """Causes that a script adds by itself, whatever its group."""
    alone = {each for seed in range(4) for each in case_in(kind, str(seed)).accepted}
    return alone


# The whole


def test_every_cause_it_names_is_one_of_the_table_and_none_is_harmless() -> None:
    known = {cause.name for cause in TABLE.causes if not cause.is_harmless} | {NOTHING}
    named = {cause for kind in (*FAULTS, *TWINS) for cause in (kind.cause, *kind.also)}
    assert named <= known
    for case in cases(3, range(4 * len(KINDS))):
        assert case.accepted <= known, (case.kind, sorted(case.accepted - known))


def test_the_same_seed_gives_the_same_cases() -> None:
    def told(case: Case) -> tuple[object, ...]:
        sources = [each.packets for each in case.sources]
        passages = case.recorded.capture.passages
        return case.kind, case.accepted, case.packet, case.view, passages, sources

    first = [told(case) for case in cases(8, range(300))]
    assert first == [told(case) for case in cases(8, range(300))]
    assert first != [told(case) for case in cases(9, range(300))]
    assert told(case_of(8, 250)) == first[250]


def test_a_quarter_may_not_be_named_and_every_kind_comes_up() -> None:
    found = list(cases(1, range(1_200)))
    clean = sum(case.is_clean for case in found)
    assert len(found) // 4 <= clean < len(found) // 2
    assert {kind.name for kind in (*KINDS, *LEGAL)} <= {case.kind for case in found}
    views = Counter(case.view for case in found)
    assert min(views[view] for view in View) > 20
    assert all(healthy_of(1, number).is_clean for number in range(60))


def test_what_strikes_here_and_there_strikes_more_than_once() -> None:
    kind = next(each for each in OFTEN if each.name.startswith("a data byte altered"))
    naks = [
        len(Reading(case_in(kind, str(seed)).recorded).those("NAK", to_unit=False))
        for seed in range(20)
    ]
    assert max(naks) >= 2


def test_a_capture_with_two_faults_has_both() -> None:
    """Each of the two causes is right, and most draws of what can follow each other are found."""
    found = [double for number in range(300) if (double := double_of(4, number)) is not None]
    assert len(found) > 40
    assert all(len(each.accepted) == 2 and all(each.accepted) for each in found)
    again = [double for number in range(300) if (double := double_of(4, number)) is not None]
    assert [each.recorded.capture for each in found] == [each.recorded.capture for each in again]


def test_it_stands_for_at_least_forty_of_the_sixty_faults() -> None:
    assert len({number for kind in FAULTS for number in kind.faults}) >= 40


def test_it_is_written_apart_from_the_project() -> None:
    """It knows no sender, unit, line or rule; of the diagnosis only what a source is."""
    allowed = {
        "dryload.emulator.dump.capture",
        "dryload.emulator.wire.messages",  # the header of a Source is one
        "dryload.harness.files.recorded",
        "dryload.harness.diagnose.scene",
    }
    for path in Path(__file__).parent.glob("injector*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                module = node.module or ""
                ours = module.startswith("dryload")
                assert not ours or module in allowed, (path.name, module)
            elif isinstance(node, ast.Import):
                assert not any(each.name.startswith("dryload") for each in node.names)


def test_bytes_of_one_direction_never_overlap_on_a_line() -> None:
    """One byte every 320 us at most (M1 p. 1), but where the fault is that they come faster."""
    for case in cases(5, range(1_500)):
        if case.kind in ("packets faster than a line", "a line four per cent too fast"):
            continue
        free = dict.fromkeys(("to unit", "from unit"), 0)
        for passage in case.recorded.capture.passages:
            way = passage.direction.value
            assert passage.end_ns - len(passage.data) * 320_000 >= free[way], case.kind
            free[way] = passage.end_ns
