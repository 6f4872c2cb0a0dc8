"""The kinds of findings: each is told somewhere, by a clause and with a worth that exist."""

from __future__ import annotations

from pathlib import Path

import pytest

import dryload.harness
from dryload.emulator.wire.clauses import clauses
from dryload.harness.judge.finding import Findings, Verdict
from dryload.harness.judge.kinds import finding_kinds

SOURCES = [
    path.read_text("utf-8")
    for room in ("judge", "jobs", "trial")
    for path in Path(dryload.harness.__path__[0], room).rglob("*.py")
]


@pytest.mark.parametrize("kind", finding_kinds())
def test_each_kind_is_told_somewhere_by_a_clause_of_the_register(kind: str) -> None:
    row = finding_kinds()[kind]
    assert any(f'"{kind}"' in text for text in SOURCES)
    assert row.clause in clauses()
    assert row.verdict is None or Verdict(row.verdict)


def test_what_nobody_wrote_down_is_not_told() -> None:
    with pytest.raises(KeyError, match="a kind of its own"):
        Findings().tell("a kind of its own")


def test_the_names_of_a_dump_are_filled_into_every_text() -> None:
    findings = Findings({"sender": "the unit", "receiver": "the other side"})
    findings.tell("went on during WAIT", after="12 ms ")
    (told,) = findings.told()
    assert told.message == "The unit went on although it had been asked to wait."
    assert told.found == "a data packet 12 ms after WAIT"
    assert told.kind == "went on during WAIT"
