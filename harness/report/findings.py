"""How a finding is put: a failure line for people, a document for programs (one home for both)."""

import shlex
from dataclasses import asdict
from typing import Any

from emulator.wire.prose import capitalised, instant
from harness.files.opening import shown
from harness.judge.finding import Finding, Place


def finding_lines(finding: Finding, file: str, *, options: str | None = None) -> list[str]:
    """Return what was found, expected, where, which clause, what to do and how to see it again.

    `options` are those with which `dryload explain` shows the place; by default the packet's.
    """
    lines = [f"{finding.verdict}: {finding.message}"]
    if finding.expected or finding.found:
        found = f"found {finding.found}" if finding.found else ""
        expected = f"expected {finding.expected}" if finding.expected else ""
        lines.append("  " + "; ".join(part for part in (found, expected) if part))
    where = [shown(file), *_where(finding.at), finding.clause]
    lines.append("  " + ", ".join(where))
    if finding.do:
        lines.append(f"  {finding.do}")
    if (again := _again(finding.at, file, options)) is not None:
        lines.append(f"  See it again: {again}")
    return lines


def told_line(finding: Finding) -> str:
    """Return where, which clause and what to do, for a finding that was told already."""
    where = ", ".join([*_where(finding.at), finding.clause])
    return f"{capitalised(where)}. {finding.do}".rstrip()


def finding_document(finding: Finding) -> dict[str, Any]:
    """Return a finding for programs; places that are not known are null."""
    return {
        **asdict(finding),
        "verdict": str(finding.verdict),
        "answerable": str(finding.answerable),
    }


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
    if file == "-":
        return None
    if options is None and at.packet is not None and at.byte is not None:
        options = f"--packet {at.packet}"
    if not options:
        return None
    return f"dryload explain {shlex.quote(shown(file))} {options}"
