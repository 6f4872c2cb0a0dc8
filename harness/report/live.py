"""What `dryload replay` says of dumps that went to a port, where nothing is known of the unit."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any, Final

from emulator.ports.port import PortError
from harness.files.opening import shown
from harness.jobs.live import Sorted
from harness.jobs.playlist import Dump, LeftOut
from harness.judge.finding import Verdict
from harness.report import replay
from harness.report.findings import finding_document
from harness.report.quantities import count
from harness.report.replay import (
    SCHEMA,
    Played,
    is_well,
    table_of,
    total_sentence,
    transfer_document,
)

_NO_CAUSE: Final = "What passed on the line does not tell why."
__all__ = ["before", "document", "is_well", "left_out", "lines_of", "summary"]


def lines_of(played: Played) -> list[str]:
    """Return what is said of one dump when it has been played, and why it did not go well."""
    lines = replay.lines_of(played)
    if played.diagnosis is None:
        return lines
    if played.diagnosis.first is None:
        return [*lines, f"  {_NO_CAUSE}"]
    from harness.report.diagnose import answer_lines

    told = [f"    {line}".rstrip() for line in answer_lines(played.diagnosis)]
    return [*lines, "", "  Diagnosis", *told]


def left_out(sorted_out: Sorted) -> list[str]:
    """Return what is said of the dumps that are not sent."""
    lines = [f"{_what(dump)} was loaded before: not sent again." for dump in sorted_out.loaded]
    for dump in sorted_out.broken:
        worst = next(each for each in dump.findings if each.verdict is Verdict.BROKEN)
        lines.append(
            f"{_what(dump)} is broken and not sent: {worst.message} "
            f"dryload validate {shown(dump.file)} says more; --anyway sends it all the same."
        )
    return lines


def before(sorted_out: Sorted, target: str) -> list[str]:
    """Return what is said before anything is sent."""
    numbers = ", ".join(str(dump.header.sample_number) for dump in sorted_out.to_send)
    several = "s" if len(sorted_out.to_send) > 1 else ""
    return [
        f"sending to {shown(target)}; what the unit has as sample{several} {numbers} is replaced, "
        "if it takes it."
    ]


def _what(dump: Dump) -> str:
    which = f", dump {dump.index + 1}" if dump.index else ""
    return f"{shown(dump.file)}{which} (sample {dump.header.sample_number})"


def summary(plays: Sequence[Played], sorted_out: Sorted, *, width: int | None) -> list[str]:
    """Return the table at the end, and the time of everything together."""
    lines = []
    if plays:
        transfers = [played.transfer for played in plays]
        lines = [*table_of(transfers, width, with_slots=False), "", total_sentence(transfers)]
    if left := len(sorted_out.to_send) - len(plays):
        lines.append(f"{count(left, 'dump')} not sent.")
    if sorted_out.broken:
        lines.append(f"{count(len(sorted_out.broken), 'dump')} not sent, being broken.")
    if sorted_out.loaded:
        lines.append(f"{count(len(sorted_out.loaded), 'dump')} loaded before.")
    return lines


def document(
    plays: Sequence[Played],
    *,
    target: str,
    kind: str,
    sorted_out: Sorted,
    not_played: Sequence[LeftOut],
    stopped: bool,
    failed: PortError | None,
    journal: str,
) -> dict[str, Any]:
    """Return the result for programs."""
    return {
        "schema": SCHEMA,
        "target": {"kind": kind, "name": target.partition(":")[2], "given": target},
        "transfers": [_transfer_document(played) for played in plays],
        "memory": None,
        "not_played": [asdict(what) for what in not_played],
        "not_sent": [_dump_document(dump) for dump in sorted_out.broken],
        "loaded_before": [_dump_document(dump) for dump in sorted_out.loaded],
        "stopped": stopped,
        "failed": None if failed is None else {"what": failed.what, "do": failed.do},
        "journal": journal,
    }


def _transfer_document(played: Played) -> dict[str, Any]:
    diagnosis = None
    if played.diagnosis is not None:
        from harness.report.diagnose import document_of

        diagnosis = document_of(played.transfer.dump.file, played.diagnosis)
    return {**transfer_document(played), "diagnosis": diagnosis}


def _dump_document(dump: Dump) -> dict[str, Any]:
    return {
        "file": dump.file,
        "dump": dump.index,
        "sample_number": dump.header.sample_number,
        "findings": [finding_document(finding) for finding in dump.findings],
    }
