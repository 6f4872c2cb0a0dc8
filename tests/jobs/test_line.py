"""What our own side did wrong is said as that, and only what happened between two looks."""

from __future__ import annotations

from msgspec.structs import replace

from dryload.emulator.ports.lateness import Lateness
from dryload.harness.jobs.fetch import Fetched, torn_findings
from dryload.harness.jobs.line import late_findings
from dryload.harness.judge.finding import Answerable, Verdict

MS = 1_000_000
BEFORE = Lateness(met=500, missed=3, worst_ns=9 * MS, worst_at_ns=77, doubtful=5, lost_bytes=6)


def fetched(torn: int) -> Fetched:
    return Fetched(header=None, packets=0, sample=None, unread="", torn=torn)


def test_what_was_in_time_is_no_finding() -> None:
    assert late_findings(BEFORE, replace(BEFORE, met=900, total_ns=10**12)) == ()
    late = Lateness()
    late.note(0, 2 * MS)  # a tenth of the reply limit of 20 ms (M1 p. 39) is in time
    assert late_findings(Lateness(), late) == ()


def test_lateness_is_the_rigs_and_says_how_often_and_how_much() -> None:
    late = Lateness()
    before = replace(late)
    late.note(1_000, 1_000 + 3 * MS)
    late.note(2_000, 2_000 + 7 * MS)
    (finding,) = late_findings(before, late)

    assert finding.verdict is Verdict.RIG
    assert finding.answerable is Answerable.RIG
    assert finding.clause == "TIM-03"
    assert "late 2 times, by up to 7.0 ms" in finding.message
    assert finding.at.time_ns == 2_000


def test_only_what_came_since_the_last_look_is_told() -> None:
    (finding,) = late_findings(BEFORE, replace(BEFORE, doubtful=7))
    assert finding.message.startswith("2 bytes may have come before or after a limit")
    (finding,) = late_findings(BEFORE, replace(BEFORE, lost_bytes=7))
    assert finding.message.startswith("1 byte ")
    assert "thrown away" in finding.message
    (finding,) = late_findings(BEFORE, replace(BEFORE, missed=4))
    assert "late 1 time" in finding.message


def test_the_worst_of_an_earlier_dump_is_not_told_of_a_later_one() -> None:
    late = replace(BEFORE)
    late.note(10**9, 10**9 + 4 * MS)  # late, but less than the worst so far
    (finding,) = late_findings(BEFORE, late)

    assert "late 1 time, by at most 9.0 ms" in finding.message
    assert finding.at.time_ns is None


def test_everything_at_once_is_three_findings() -> None:
    after = replace(BEFORE, missed=9, worst_ns=20 * MS, doubtful=9, lost_bytes=9)
    findings = late_findings(BEFORE, after)
    assert len(findings) == 3
    assert {finding.verdict for finding in findings} == {Verdict.RIG}


def test_reading_back_more_than_once_is_told() -> None:
    assert torn_findings(fetched(0)) == ()
    (finding,) = torn_findings(fetched(2))
    assert finding.verdict is Verdict.RIG
    assert finding.clause == "PKT-03"
    assert "again 2 times" in finding.message


def test_many_answers_sooner_than_a_line_allows_are_noted_with_what_to_do() -> None:
    assert late_findings(BEFORE, replace(BEFORE, early=2)) == ()  # a stray one is no sign
    (finding,) = late_findings(BEFORE, replace(BEFORE, early=3))
    assert (finding.clause, finding.verdict) == ("TIM-06", Verdict.NOTED)
    assert "--no-pace" in finding.do
