"""Findings as text for people; documents contain findings unchanged."""

from collections.abc import Callable, Iterator, Sequence
from itertools import groupby
from typing import Final

from dryload.emulator.wire.prose import capitalised, counted, instant
from dryload.harness.files.opening import Held, quoted, shown
from dryload.harness.judge.finding import GRAVITY, Finding, Place

MOST_FINDINGS: Final = 12
"""Findings of a dump that are shown to people."""
MOST_ALIKE: Final = 3
"""Of these, findings of one clause."""


def finding_lines(finding: Finding, file: str, *, options: str | None = None) -> list[str]:
    """Return what was found, expected, where, which clause, what to do and how to see it again.

    `options` are those with which `dryload explain` shows the place; by default the packet's.
    """
    lines = [f"{finding.verdict}: {finding.message}"]
    if finding.expected or finding.found:
        found = f"found {finding.found}" if finding.found else ""
        expected = f"expected {finding.expected}" if finding.expected else ""
        lines.append("  " + "; ".join(part for part in (found, expected) if part))
    lines.append("  " + ", ".join([shown(file), *_where(finding.at), finding.clause]))
    if finding.do:
        lines.append(f"  {finding.do}")
    if (again := _again(finding.at, file, options)) is not None:
        lines.append(f"  See it again: {again}")
    return lines


def gravest_lines(
    findings: Sequence[Finding],
    file: str,
    *,
    options: Callable[[Finding], str],
    tells_whose: bool = False,
) -> Iterator[str]:
    """Yield the gravest findings, a few for each clause, and the number of the others.

    `options` returns the options of `dryload explain` for a finding; `tells_whose` adds who has to
    fix it.
    """
    left = MOST_FINDINGS
    more = 0
    ranked = sorted(findings, key=lambda finding: (GRAVITY[finding.verdict], finding.clause))
    for _, group in groupby(ranked, key=lambda finding: (finding.verdict, finding.clause)):
        alike = list(group)
        told = alike[: min(MOST_ALIKE, left)]
        left -= len(told)
        for finding in told:
            first, *lines = finding_lines(finding, file, options=options(finding))
            yield f"{first} [{finding.answerable}]" if tells_whose else first
            yield from lines
        if hidden := alike[len(told) :]:
            more += len(hidden)
            if told:
                yield f"... and {len(hidden):,} more of {told[0].clause}."
    if more and not left:
        yield f"In all {counted(len(findings), 'finding')}: --json lists them."


def told_line(finding: Finding) -> str:
    """Return place, clause and remedy of a finding whose message was already shown."""
    where = ", ".join([*_where(finding.at), finding.clause])
    return f"{capitalised(where)}. {finding.do}".rstrip()


def _where(at: Place) -> list[str]:
    where = []
    if at.byte is not None:
        where.append(f"byte {at.byte:,}")
    if at.packet is not None:
        number = "" if at.packet_number is None else f" (number {at.packet_number})"
        where.append(f"packet {at.packet:,}{number}")
    if at.time_ns is not None:
        where.append(f"at {instant(at.time_ns)}")
    return where


def _again(at: Place, file: str, options: str | None) -> str | None:
    if file == "-" or isinstance(file, Held):  # nobody can ask for that once more
        return None
    if options is None and at.packet is not None and at.byte is not None:
        options = f"--packet {at.packet}"
    return f"dryload explain {quoted(file)} {options}" if options else None
