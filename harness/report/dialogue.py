"""What `dryload validate` says of a capture: the conversation, dump by dump."""

import json
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any, Final

from emulator.dump.capture import Direction
from emulator.wire.messages import ExtendedHeader
from emulator.wire.prose import counted, duration
from harness.files.capture_file import CaptureFile
from harness.files.opening import shown
from harness.judge.dialogue.judge import DumpSeen, Verdicts
from harness.judge.finding import Finding, Verdict
from harness.report.findings import finding_document, finding_lines

MOST_DUMPS: Final = 100
"""Dumps that are shown to people."""
MOST_FINDINGS: Final = 12
"""Findings of a dump that are shown to people."""
_GRAVITY: Final = {Verdict.BROKEN: 0, Verdict.RIG: 1, Verdict.BENT: 2, Verdict.NOTED: 3}
_WAYS: Final = {Direction.TO_UNIT: "to the unit", Direction.FROM_UNIT: "from the unit"}
_SUMMARIES: Final = {
    Verdict.BROKEN: "something is broken",
    Verdict.RIG: "nothing is broken by the two sides, and something went wrong between them",
    Verdict.BENT: "nothing is broken, something is bent",
    Verdict.NOTED: "nothing is broken",
    None: "nobody broke the standard",
}


def conversation_lines(file: CaptureFile, verdicts: Verdicts) -> Iterator[str]:
    """Yield the text for people: the verdict in one line first."""
    dumps = counted(len(verdicts.dumps), "dump") if verdicts.dumps else "no dump"
    yield f"{shown(file.name)}: a conversation with {dumps}, {_summary(verdicts)}."
    for number, dump in enumerate(verdicts.dumps[:MOST_DUMPS], start=1):
        yield ""
        yield from _dump_lines(dump, number)
        yield from _finding_lines(dump.findings, file.name)
    if (more := len(verdicts.dumps) - MOST_DUMPS) > 0:
        yield ""
        yield f"  And {counted(more, 'more dump')}: --json lists them all."
    if verdicts.findings:
        yield ""
        yield "  Beside the dumps:"
        yield from _finding_lines(verdicts.findings, file.name)
    if verdicts.unknown:
        yield ""
        yield "  Not known from this capture:"
        for text in verdicts.unknown:
            yield f"    {text}"


def _summary(verdicts: Verdicts) -> str:
    summary = _SUMMARIES[verdicts.worst]
    unheard = [
        each for each in verdicts.dumps if each.direction is Direction.TO_UNIT and not each.replies
    ]
    buts = []
    if many := len(verdicts.unfinished):
        buts.append(f"{_which(many, verdicts)} did not come to an end here")
    if many := len(unheard):
        buts.append(f"nobody answered {_which(many, verdicts)}")
    return f"{summary}, but {' and '.join(buts)}" if buts else summary


def _which(many: int, verdicts: Verdicts) -> str:
    return "it" if len(verdicts.dumps) == 1 else f"{many:,} of them"


def conversation_document(file: CaptureFile, verdicts: Verdicts) -> str:
    """Return the file's part of the JSON document; findings carry the number of their dump."""
    findings: list[dict[str, Any]] = [
        {"dump": number, **finding_document(finding)}
        for number, dump in enumerate(verdicts.dumps, start=1)
        for finding in dump.findings
    ]
    findings += [{"dump": None, **finding_document(each)} for each in verdicts.findings]
    recorded = file.recorded
    return json.dumps(
        {
            "file": file.name,
            "form": file.form.value,
            "bytes": sum(len(passage.data) for passage in recorded.capture.passages),
            "verdict": "right" if verdicts.worst is None else str(verdicts.worst),
            "remarks": list(recorded.remarks),
            "dumps": [],
            "conversation": {
                "directions": [direction.value for direction in recorded.directions],
                "timed": recorded.is_timed,
                "dumps": [
                    _dump_document(dump, number)
                    for number, dump in enumerate(verdicts.dumps, start=1)
                ],
                "unfinished": len(verdicts.unfinished),
                "unknown": list(verdicts.unknown),
            },
            "findings": findings,
        }
    )


def _dump_lines(dump: DumpSeen, number: int) -> Iterator[str]:
    when = ""
    if dump.start_ns is not None and dump.end_ns is not None:
        when = f", at {dump.start_ns / 1_000_000_000:.3f} s for " + duration(
            dump.end_ns - dump.start_ns
        )
    yield f"  Dump {number} {_WAYS[dump.direction]}{when}{_sample(dump)}"
    planned = "" if dump.planned is None else f" of {dump.planned:,}"
    again = f", {counted(dump.resent, 'message')} sent again" if dump.resent else ""
    yield f"    {dump.packets:,}{planned} packets{again}: {dump.ended.value}."
    said = ", ".join(f"{many:,} {name}" for name, many in dump.replies.items())
    yield f"    Answers: {said or 'none'} ({dump.loop.value})."


def _sample(dump: DumpSeen) -> str:
    header = dump.header
    if header is None:
        return ": its header is damaged or missing."
    kind = ", extended header" if isinstance(header, ExtendedHeader) else ""
    words = counted(header.length * max(header.channels, 1), "word")
    return f": sample {header.sample_number}, {header.bits} bits, {words}{kind}."


def _finding_lines(findings: Sequence[Finding], file: str) -> Iterator[str]:
    ranked = sorted(findings, key=lambda finding: _GRAVITY[finding.verdict])
    for finding in ranked[:MOST_FINDINGS]:
        for at, line in enumerate(finding_lines(finding, file, options="")):
            blame = f" [{finding.answerable}]" if not at else ""
            yield f"    {line}{blame}"
    hidden = ranked[MOST_FINDINGS:]
    for verdict, group in groupby(hidden, key=lambda finding: finding.verdict):
        yield f"    ... and {len(list(group)):,} more that are {verdict}: --json lists them."


def _dump_document(dump: DumpSeen, number: int) -> dict[str, Any]:
    header = dump.header
    return {
        "dump": number,
        "direction": dump.direction.value,
        "verdict": "right" if dump.worst is None else str(dump.worst),
        "header": None
        if header is None
        else "extended"
        if isinstance(header, ExtendedHeader)
        else "standard",
        "sample_number": None if header is None else header.sample_number,
        "device_id": None if header is None else header.device_id,
        "packets": {"planned": dump.planned, "sent": dump.packets, "sent_again": dump.resent},
        "answers": dump.replies,
        "loop": dump.loop.value,
        "ended": dump.ended.name.lower(),
        "start_ns": dump.start_ns,
        "end_ns": dump.end_ns,
        "findings": len(dump.findings),
    }
