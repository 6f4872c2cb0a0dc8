"""The second injector: what it calls healthy is, what it calls a fault is in the bytes."""

from __future__ import annotations

import ast
from collections import Counter
from itertools import islice
from pathlib import Path
from random import Random

import pytest

from harness.diagnose.table import TABLE
from harness.files.recorded import TakenAt
from harness.judge.dialogue.judge import judge_capture
from harness.judge.finding import Verdict
from tests.diagnosis.injector import FAMILIES, Labelled, case_in, case_of, cases
from tests.diagnosis.injector_checks import Seen
from tests.diagnosis.injector_family import FAULTS, LEGAL, Kind
from tests.diagnosis.injector_reading import Reading
from tests.diagnosis.injector_table import CHECKS

_LONG = 100
_BY_NAME = {kind.name: kind for kind in FAMILIES}


def some(kind: Kind, many: int) -> range:
    """Seeds for a family: few where its dumps are long."""
    return range(many if kind.packets[1] < _LONG else 2)


def both_views(kind: Kind, seed: int) -> tuple[Labelled, Labelled]:
    """The same case as it arrived and as it left."""
    return (
        case_in(kind, Random(seed), view=TakenAt.LINE),
        case_in(kind, Random(seed), view=TakenAt.HOST),
    )


@pytest.mark.parametrize("name", [kind.name for kind in LEGAL])
def test_what_may_not_be_named_is_not_broken(name: str) -> None:
    for seed in some(_BY_NAME[name], 30):
        case = case_in(_BY_NAME[name], Random(seed))
        found = judge_capture(case.recorded).all_findings
        assert not case.accepted
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


def test_every_family_has_its_check() -> None:
    assert set(CHECKS) == {kind.name for kind in FAULTS}


@pytest.mark.parametrize("name", list(CHECKS))
def test_each_fault_is_in_the_bytes(name: str) -> None:
    kind = _BY_NAME[name]
    struck = 0
    for seed in some(kind, 20):
        line, host = both_views(kind, seed)
        if not line.accepted and not host.accepted:
            continue
        packet = line.packet if line.accepted else host.packet
        assert CHECKS[name](Seen(Reading(line.recorded), Reading(host.recorded), packet)), seed
        struck += 1
    assert struck


@pytest.mark.parametrize("name", ["healthy", "to everybody", "clock inside"])
def test_a_healthy_conversation_passes_hardly_any_check(name: str) -> None:
    """The checks can fail: what has no fault has none of these in its bytes."""
    line, host = both_views(_BY_NAME[name], 4)
    seen = Seen(Reading(line.recorded), Reading(host.recorded), 0)
    passed = set()
    for family, check in CHECKS.items():
        try:
            if check(seen):
                passed.add(family)
        except (IndexError, StopIteration, ValueError):
            continue  # what it looks for is not even there
    assert passed <= {"the last packet spoiled"}


def test_every_cause_it_names_is_one_of_the_register() -> None:
    known = {cause.name for cause in TABLE.causes} | {""}
    for case in cases(3, 4 * len(FAULTS)):
        assert case.accepted <= known, (case.family, sorted(case.accepted - known))


def test_the_same_seed_gives_the_same_cases() -> None:
    def told(case: Labelled) -> tuple[object, ...]:
        capture, sources = case.recorded.capture, [each.packets for each in case.source]
        view = case.recorded.taken_at
        return case.family, case.accepted, case.packet, view, capture.passages, sources

    first = [told(case) for case in cases(8, 300)]
    assert first == [told(case) for case in cases(8, 300)]
    assert first != [told(case) for case in cases(9, 300)]
    assert told(case_of(8, 250)) == first[250]


def test_a_quarter_may_not_be_named_and_every_family_comes_up() -> None:
    found = list(islice(cases(1, 1200), 1200))
    clean = sum(not case.accepted for case in found)
    assert clean >= len(found) // 4
    assert clean < len(found) // 2
    assert {kind.name for kind in FAMILIES} <= {case.family for case in found}
    assert {case.number for case in found} == set(range(1200))
    views = Counter(case.recorded.taken_at for case in found)
    assert min(views[TakenAt.LINE], views[TakenAt.HOST]) > len(found) // 4


def test_it_stands_for_at_least_forty_of_the_sixty_faults() -> None:
    assert len({number for kind in FAULTS for number in kind.faults}) >= 40


def test_it_is_written_apart_from_the_project() -> None:
    """It knows no sender, unit, line or rule; of the diagnosis only a source and the register."""
    allowed = {
        "emulator.dump.capture",
        "emulator.wire.messages",  # the header of a Source is one
        "harness.files.recorded",
        "harness.diagnose.scene",
    }
    for path in Path(__file__).parent.glob("injector*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                module = node.module or ""
                ours = module.startswith(("emulator", "harness"))
                assert not ours or module in allowed, (path.name, module)
            elif isinstance(node, ast.Import):
                assert not any(each.name.startswith(("emulator", "harness")) for each in node.names)


def test_bytes_of_one_direction_never_overlap_on_a_line() -> None:
    """One byte every 320 us at most (M1 p. 1), but where the fault is that they come faster."""
    for case in cases(5, 1500):
        if case.family == "packets faster than a line":
            continue
        free = dict.fromkeys(("to unit", "from unit"), 0)
        for passage in case.recorded.capture.passages:
            way = passage.direction.value
            assert passage.end_ns - len(passage.data) * 320_000 >= free[way], case.family
            free[way] = passage.end_ns
