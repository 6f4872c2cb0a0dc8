"""Where the parts of the judge put their findings."""

from typing import Final

from emulator.wire.clauses import Level, clause
from harness.judge.finding import Answerable, Finding, Place, Verdict

MOST: Final = 200
"""Findings of one clause in one dump that are kept; the rest is counted."""

VERDICTS: Final = {
    Level.MUST: Verdict.BROKEN,
    Level.SHOULD: Verdict.BENT,
    Level.INFORMATION: Verdict.NOTED,
}


class Notes:
    """The findings of one dump, bounded in number."""

    def __init__(self) -> None:
        self._kept: list[Finding] = []
        self._counts: dict[str, int] = {}
        self._last: dict[str, Finding] = {}

    def add(
        self,
        clause_id: str,
        message: str,
        *,
        at: Place = Place(),  # noqa: B008 - a frozen value
        expected: str = "",
        found: str = "",
        do: str = "",
        verdict: Verdict | None = None,
        answerable: Answerable = Answerable.FILE,
    ) -> None:
        """Add a finding; its verdict follows from the clause's level unless one is given."""
        finding = Finding(
            clause=clause_id,
            verdict=verdict or VERDICTS[clause(clause_id).level],
            message=message,
            answerable=answerable,
            at=at,
            expected=expected,
            found=found,
            do=do,
        )
        count = self._counts[clause_id] = self._counts.get(clause_id, 0) + 1
        if count <= MOST:
            self._kept.append(finding)
        else:
            self._last[clause_id] = finding

    def findings(self) -> tuple[Finding, ...]:
        """Return all findings in the order of the stream, and for what was cut off a count."""
        more = [
            Finding(
                clause=clause_id,
                verdict=last.verdict,
                message=f"The same again {self._counts[clause_id] - MOST:,} times, "
                f"the last time: {last.message}",
                answerable=last.answerable,
                at=Place(byte=last.at.byte),
                expected=last.expected,
                found=last.found,
                do=last.do,
            )
            for clause_id, last in self._last.items()
        ]
        found = [*self._kept, *more]
        found.sort(key=lambda finding: -1 if finding.at.byte is None else finding.at.byte)
        return tuple(found)
