"""What passed in one live transfer, judged by the judge of a conversation, as `validate` would.

Theory of operation.  Our own sender's events tell what was answered and when, and what was sent
again: they know how late this computer was, and what the sender has learnt of the unit.  All else
that passed is the judge's: who answered as another device, what came that was not asked for, and
what is wrong with the dump that came back.  Nothing is told twice: what is wrong with our own
messages stands in the file's findings, and of a sample that had to be read again the last try
counts.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from emulator.dump.capture import Capture, Direction, Passage
from harness.files.recorded import Recorded, TakenAt
from harness.jobs.dumps import Dump
from harness.judge.dialogue.judge import follow_capture, judge_followed
from harness.judge.finding import Answerable, Finding, Verdict

_BY_EVENTS: Final = frozenset(
    {"HSK-02", "HSK-06", "HSK-07", "HSK-08", "HSK-09", "HSK-12", "HSK-14", "HSK-15", "HSK-17"}
    | {"HSK-21", "EXT-09", "PKT-11", "REQ-03"}
)
"""Clauses of which the events of sender and requester tell, and the outcome."""
_TIMES: Final = "TIM-"


def recorded_of(passages: Sequence[Passage], start_ns: int, late_ns: int = 0) -> Recorded:
    """Return what passed at a port whose clock stood at `start_ns` when it was opened.

    `late_ns` is how late this computer was at worst in looking.
    """
    return Recorded(
        capture=Capture(list(passages)),
        late_ns=late_ns,
        start_ns=start_ns,
        taken_at=TakenAt.HOST,
    )


def judged(recorded: Recorded, dump: Dump) -> tuple[Finding, ...]:
    """Return what the events of a transfer do not tell of what passed in it."""
    followed = follow_capture(recorded)
    verdicts = judge_followed(followed)
    ends = [each.end_ns for each in recorded.capture.passages if each.data]
    zero_ns = max(ends, default=0) - followed.sight.last_ns
    in_file = {finding.clause for finding in dump.findings}
    back = [each for each in verdicts.dumps if each.direction is Direction.FROM_UNIT]
    found = [
        finding
        for each in verdicts.dumps
        if each.direction is Direction.TO_UNIT or each is back[-1]
        for finding in each.findings
    ]
    return tuple(
        _by_the_clock(finding, zero_ns)
        for finding in _untold([*found, *verdicts.findings])
        if not (finding.answerable is Answerable.SENDER and finding.clause in in_file)
    )


def _untold(findings: Sequence[Finding]) -> Iterator[Finding]:
    for finding in findings:
        by_events = finding.clause in _BY_EVENTS or finding.clause.startswith(_TIMES)
        ours = finding.answerable is Answerable.SENDER and finding.verdict is not Verdict.BROKEN
        if not (by_events or ours):
            yield finding


def _by_the_clock(finding: Finding, zero_ns: int) -> Finding:
    """Return a finding with its time by the clock of the port; its bytes are no file's."""
    at_ns = finding.at.time_ns
    at = replace(finding.at, byte=None, time_ns=None if at_ns is None else at_ns + zero_ns)
    return replace(finding, at=at)
