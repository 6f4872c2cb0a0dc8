"""Every clause that a dump file can show is found where it is broken, and nowhere else."""

from __future__ import annotations

import pytest

from dryload.emulator.wire.clauses import Judged, Level, clause, clauses
from dryload.harness.judge.finding import Finding, Verdict
from dryload.harness.judge.stream import judge_stream
from tests.judge.coverage import ONLY_NOTED, PARTLY
from tests.judge.provoking import CASES, CLEAN, controls

FILE_CLAUSES = {each.id for each in clauses().values() if Judged.FILE in each.judged}


def findings(stream: bytes) -> list[Finding]:
    return [finding for verdict in judge_stream(stream) for finding in verdict.findings]


def test_there_is_a_case_for_each_clause_that_a_file_can_show_and_for_no_other() -> None:
    assert set(CASES) == FILE_CLAUSES


@pytest.mark.parametrize("clause_id", sorted(CASES))
def test_a_broken_clause_is_found(clause_id: str) -> None:
    for number, stream in enumerate(CASES[clause_id]):
        found = [finding for finding in findings(stream) if finding.clause == clause_id]
        assert found, f"stream {number} for {clause_id}"
        for finding in found:
            assert finding.message.endswith(".")
            assert finding.do
            assert finding.expected
            assert finding.found
            assert finding.at.byte is None or 0 <= finding.at.byte <= len(stream)


@pytest.mark.parametrize("clause_id", sorted(CASES))
def test_the_verdict_follows_the_level_of_the_clause(clause_id: str) -> None:
    verdicts = {
        finding.verdict
        for stream in CASES[clause_id]
        for finding in findings(stream)
        if finding.clause == clause_id
    }
    by_level = {
        Level.MUST: Verdict.BROKEN,
        Level.SHOULD: Verdict.BENT,
        Level.INFORMATION: Verdict.NOTED,
    }
    if clause_id in ONLY_NOTED:
        assert verdicts == {Verdict.NOTED}
    else:
        assert by_level[clause(clause_id).level] in verdicts


@pytest.mark.parametrize("number", range(len(list(controls()))))
def test_a_control_has_no_finding(number: int) -> None:
    assert findings(list(controls())[number]) == []


def test_the_tables_name_clauses_that_a_file_can_show() -> None:
    assert set(ONLY_NOTED) <= FILE_CLAUSES
    assert set(PARTLY) <= FILE_CLAUSES
    for reason in (*ONLY_NOTED.values(), *PARTLY.values()):
        assert reason.endswith(".")


def test_what_is_only_noted_is_never_broken_in_any_case() -> None:
    for streams in CASES.values():
        for stream in streams:
            for finding in findings(stream):
                if finding.clause in ONLY_NOTED:
                    assert finding.verdict is Verdict.NOTED


def test_the_clean_dump_of_the_cases_is_clean() -> None:
    (verdict,) = judge_stream(CLEAN)
    plan, contents = verdict.contents.plan, verdict.contents
    assert plan is not None
    assert (plan.packets, contents.found, contents.section.packets) == (3, 3, 3)
    assert verdict.worst is None
