"""What `dryload replay` says about captures played verbatim."""

from collections.abc import Iterable, Sequence
from typing import Final

from dryload.emulator.unit.board import RackUnit
from dryload.emulator.wire.prose import counted, duration
from dryload.harness.files.capture_file import CaptureFile
from dryload.harness.files.opening import shown
from dryload.harness.jobs.playback import PlayedCapture
from dryload.harness.judge.conversation import ConversationComparison
from dryload.harness.report import capture_diff
from dryload.harness.report.document import Document, fields_of

MEANING: Final = (
    "A capture is played verbatim: everything that went to the unit is sent again, each message at "
    "its recorded time.",
    "It does not wait for answers, resend or read back: this shows what the unit does with exactly "
    "these bytes at exactly these times.",
)
_SCATTER: Final = (
    "Times at a port vary: a message waits up to 0.2 s for what came before it in the capture. "
    "What each side sent is compared; times are only reported."
)


def meaning(*, follows: bool) -> list[str]:
    """Return what playing verbatim means; `follows` where a port comes in."""
    return [*MEANING, *([_SCATTER] if follows else [])]


def before(target: str, lasting_ns: Iterable[int]) -> str:
    """Return the note before anything is sent to a port."""
    return (
        f"playing to {shown(target)} for about {duration(sum(lasting_ns))}; samples in the unit "
        "that have the same numbers are replaced if it accepts them."
    )


def lines_of(played: PlayedCapture) -> list[str]:
    """Return the report on one capture."""
    file = played.file
    lines = [shown(file.name), f"  {_sent(played)}"]
    if not file.recorded.is_timed:
        lines.append(
            "  It has no times: each message was sent as soon as the line was free, with enough "
            "time for answers."
        )
    lines += [f"  Note: {remark}." for remark in file.recorded.remarks]
    if played.comparison is None:
        lines.append("  The capture has nothing that came from the unit, so nothing is compared.")
        if played.headers and played.kept is None:
            lines.append("  Nothing shows that the unit kept it: dryload read fetches what it has.")
    elif played.comparison.same:
        lines.append("  The unit answered as recorded.")
    else:
        lines.append("  The unit did not answer as recorded (A is recorded, B is now).")
    if played.comparison is not None:
        lines += [f"    {line}".rstrip() for line in capture_diff.lines_of(played.comparison)]
        if played.follows:
            lines.append(f"    {_lasting(played)}")
    if played.overdue:
        lines.append(
            f"  {counted(played.overdue, 'message')} went before everything had arrived that came "
            "before in the capture."
        )
    if played.headers and played.kept is not None:
        lines.append(f"  In the unit, {counted(played.kept, 'dump')} reached the end.")
    if played.failed is not None:
        lines.append("  The port failed before the end.")
    elif played.stopped:
        lines.append(
            "  You stopped it before the end: a dump in progress is left unfinished, and the unit "
            "is not told."
        )
    return [*lines, *(f"  {finding.message} {finding.do}" for finding in played.findings)]


def summary(unit: RackUnit, visits: int) -> list[str]:
    """Return what the memory holds at the end."""
    used = [
        f"slot {slot.number} (sample {slot.sample_number}, {len(slot.written.words):,} words)"
        for slot in unit.slots.used()
        if slot.written is not None
    ]
    lines = [f"Memory: {', '.join(used) if used else 'nothing is kept'}."]
    if visits:
        lines.append(f"Confirm was pressed {counted(visits, 'time')}.")
    return lines


def documents(plays: Sequence[PlayedCapture]) -> list[Document]:
    """Return the results for programs."""
    return [_document(played) for played in plays]


def _lasting(played: PlayedCapture) -> str:
    assert played.comparison is not None
    then_ns, now_ns = played.comparison.lasting_ns
    return f"It lasted {duration(then_ns)} when it was recorded, and {duration(now_ns)} now."


def _lasting_document(comparison: ConversationComparison) -> dict[str, int]:
    then_ns, now_ns = comparison.lasting_ns
    return {"recorded": then_ns, "now": now_ns}


def _sent(played: PlayedCapture) -> str:
    recorded = played.file.recorded
    if played.stopped or played.failed is not None:
        return f"Played verbatim, but not to its end: {counted(played.sent, 'message')} are in it."
    about = f" of {shown(recorded.about)}" if recorded.about else ""
    return f"Played verbatim: {counted(played.sent, 'message')} that went to the unit{about}."


def _document(played: PlayedCapture) -> Document:
    file: CaptureFile = played.file
    comparison = played.comparison
    return {
        "file": file.name,
        "form": file.form,
        "timed": file.recorded.is_timed,
        "about": file.recorded.about,
        "remarks": file.recorded.remarks,
        **fields_of(played, "sent", "headers", "kept", "follows", "overdue", "findings", "stopped"),
        "answered_as_recorded": None if comparison is None else comparison.same,
        "lasting_ns": None if comparison is None else _lasting_document(comparison),
        "conversation": None
        if comparison is None
        else capture_diff.comparison_document(comparison),
        "well": played.is_well,
    }
