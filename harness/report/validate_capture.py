"""What `dryload validate` says about a capture: the conversation, dump by dump."""

from collections.abc import Iterator, Sequence
from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.prose import counted, duration
from dryload.harness.files.capture_file import CaptureFile
from dryload.harness.files.opening import shown
from dryload.harness.judge.dialogue.judge import DumpSeen, Verdicts
from dryload.harness.judge.finding import Finding, Verdict
from dryload.harness.report.document import Document
from dryload.harness.report.findings import gravest_lines
from dryload.harness.report.samples import header_kind, header_words
from dryload.harness.report.validate import MOST_DUMPS, finding_document

_WAYS: Final = {Direction.TO_UNIT: "to the unit", Direction.FROM_UNIT: "from the unit"}
_SUMMARIES: Final = {
    Verdict.BROKEN: "something is broken",
    Verdict.RIG: "neither side broke the standard, but something went wrong between them",
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
        yield "  Outside the dumps:"
        yield from _finding_lines(verdicts.findings, file.name)
    if verdicts.unknown:
        yield ""
        yield "  Not known from this capture:"
        yield from (f"    {text}" for text in verdicts.unknown)


def conversation_document(file: CaptureFile, verdicts: Verdicts) -> Document:
    """Return the file's part of the JSON document; findings carry the number of their dump."""
    recorded = file.recorded
    dumps = list(enumerate(verdicts.dumps, start=1))
    return {
        "file": file.name,
        "form": file.form,
        "bytes": sum(len(passage.data) for passage in recorded.capture.passages),
        "verdict": verdicts.worst or "right",
        "remarks": recorded.remarks,
        "dumps": [],
        "conversation": {
            "directions": recorded.directions,
            "timed": recorded.is_timed,
            "dumps": [_dump_document(dump, number) for number, dump in dumps],
            "unfinished": len(verdicts.unfinished),
            "unknown": verdicts.unknown,
        },
        "findings": [
            *(finding_document(each, number) for number, dump in dumps for each in dump.findings),
            *(finding_document(each, None) for each in verdicts.findings),
        ],
    }


def _summary(verdicts: Verdicts) -> str:
    summary = _SUMMARIES[verdicts.worst]
    unheard = [
        each for each in verdicts.dumps if each.direction is Direction.TO_UNIT and not each.replies
    ]
    buts = []
    if many := len(verdicts.unfinished):
        buts.append(f"{_which(many, verdicts)} did not reach its end here")
    if many := len(unheard):
        buts.append(f"nobody answered {_which(many, verdicts)}")
    return f"{summary}, but {' and '.join(buts)}" if buts else summary


def _which(many: int, verdicts: Verdicts) -> str:
    return "it" if len(verdicts.dumps) == 1 else f"{many:,} of them"


def _dump_lines(dump: DumpSeen, number: int) -> Iterator[str]:
    when = ""
    if dump.start_ns is not None and dump.end_ns is not None:
        lasted = duration(dump.end_ns - dump.start_ns)
        when = f", at {dump.start_ns / 1_000_000_000:.3f} s for {lasted}"
    header = dump.header
    sample = "" if header is None else f"sample {header.sample_number}, {header_words(header)}"
    yield (
        f"  Dump {number} {_WAYS[dump.direction]}{when}: "
        f"{sample or 'its header is damaged or missing'}."
    )
    planned = "" if dump.planned is None else f" of {dump.planned:,}"
    again = f", {counted(dump.resent, 'message')} sent again" if dump.resent else ""
    yield f"    {dump.packets:,}{planned} packets{again}: {dump.ended.value}."
    said = ", ".join(f"{many:,} {name}" for name, many in dump.replies.items())
    yield f"    Answers: {said or 'none'} ({dump.loop.value})."


def _finding_lines(findings: Sequence[Finding], file: str) -> Iterator[str]:
    for line in gravest_lines(findings, file, options=lambda _: "", tells_whose=True):
        yield f"    {line}"


def _dump_document(dump: DumpSeen, number: int) -> Document:
    header = dump.header
    return {
        "dump": number,
        "direction": dump.direction,
        "verdict": dump.worst or "right",
        "header": header_kind(header),
        "sample_number": None if header is None else header.sample_number,
        "device_id": None if header is None else header.device_id,
        "packets": {"planned": dump.planned, "sent": dump.packets, "sent_again": dump.resent},
        "answers": dump.replies,
        "loop": dump.loop,
        "ended": dump.ended.name.lower(),
        "start_ns": dump.start_ns,
        "end_ns": dump.end_ns,
        "findings": len(dump.findings),
    }
