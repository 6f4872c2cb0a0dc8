"""What `dryload replay` says of captures that were played verbatim."""

from collections.abc import Sequence
from typing import Any, Final

from emulator.unit.board import RackUnit
from harness.files.capture_file import CaptureFile
from harness.files.opening import shown
from harness.jobs.verbatim import Verbatim
from harness.report import conversation
from harness.report.quantities import count

MEANING: Final = (
    "A capture is played verbatim: everything that went to the unit goes again, each message at "
    "its recorded instant.",
    "No answer is waited for, nothing is sent again, nothing is read back: this shows what the "
    "unit does with just these bytes at just these times.",
)


def lines_of(played: Verbatim) -> list[str]:
    """Return what is said of one capture."""
    file = played.file
    lines = [shown(file.name), f"  {_sent(played)}"]
    if not file.recorded.is_timed:
        lines.append(
            "  It has no times: each message went as soon as the line was free, with as much room "
            "for answers as they need on the line."
        )
    lines += [f"  Note: {remark}." for remark in file.recorded.remarks]
    if played.comparison is None:
        lines.append("  The capture does not hold what came from the unit, so nothing is compared.")
    elif played.comparison.same:
        lines.append("  The unit answered as recorded.")
    else:
        lines.append("  The unit did not answer as recorded (A is recorded, B is now).")
    if played.comparison is not None:
        lines += [f"    {line}".rstrip() for line in conversation.lines_of(played.comparison)]
    if played.headers:
        lines.append(f"  It took {count(played.kept, 'dump')} to the end.")
    return lines


def summary(unit: RackUnit, visits: int) -> list[str]:
    """Return what the memory holds at the end."""
    used = [
        f"slot {slot.number} (sample {slot.sample_number}, {len(slot.sample.words):,} words)"
        for slot in unit.slots.used()
        if slot.sample is not None
    ]
    lines = [f"Memory: {', '.join(used) if used else 'nothing is kept'}."]
    if visits:
        lines.append(f"Confirm was pressed {count(visits, 'time')}.")
    return lines


def documents(plays: Sequence[Verbatim]) -> list[dict[str, Any]]:
    """Return the results for programs."""
    return [_document(played) for played in plays]


def _sent(played: Verbatim) -> str:
    recorded = played.file.recorded
    about = f" of {shown(recorded.about)}" if recorded.about else ""
    return f"Played verbatim: {count(played.sent, 'message')} that went to the unit{about}."


def _document(played: Verbatim) -> dict[str, Any]:
    file: CaptureFile = played.file
    comparison = played.comparison
    return {
        "file": file.name,
        "form": file.form.value,
        "timed": file.recorded.is_timed,
        "about": file.recorded.about,
        "remarks": list(file.recorded.remarks),
        "sent": played.sent,
        "headers": played.headers,
        "kept": played.kept,
        "answered_as_recorded": None if comparison is None else comparison.same,
        "conversation": None
        if comparison is None
        else conversation.comparison_document(comparison),
        "well": played.is_well,
        "stopped": played.stopped,
    }
