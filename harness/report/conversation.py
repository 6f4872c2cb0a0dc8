"""What `dryload diff` says of two captures."""

from collections.abc import Sequence
from typing import Any, Final

from emulator.wire.prose import counted, duration, small_time
from harness.files.capture_file import CaptureFile
from harness.files.opening import shown
from harness.jobs.conversation import CaptureComparison
from harness.judge.conversation import Comparison, Kind
from harness.judge.timed_messages import TimedMessage, name_of
from harness.report.conversation_words import sentence

SCHEMA: Final = "dryload/diff/1"
_SHOWN: Final = 6  # differences that are told one by one
_MOST_IN_DOCUMENT: Final = 1_000
_HEADINGS: Final = {
    Kind.OTHER: "with other bytes",
    Kind.REALTIME: "with other real-time bytes inside",
    Kind.MISSING: "missing in B",
    Kind.EXTRA: "only in B",
    Kind.LATER: "later in B",
    Kind.EARLIER: "earlier in B",
    Kind.GAPS: "with other gaps inside",
    Kind.ORDER: "in another order",
}


def text(result: CaptureComparison) -> str:
    """Return the result for people."""
    lines = [_source_line("A", result.a), _source_line("B", result.b), ""]
    lines += lines_of(result.comparison)
    lines += [f"Note: {remark}." for remark in result.remarks]
    return "\n".join(lines)


def lines_of(comparison: Comparison) -> list[str]:
    """Return the verdict, the first difference, all kinds of them, and the first few in order."""
    if comparison.same:
        return [f"The same conversation: {_amount(comparison)}."]
    differences = comparison.differences
    lines = [f"Different in {counted(len(differences), 'place')} of {_amount(comparison)}."]
    if len(differences) == 1:
        return [*lines, f"  {sentence(differences[0], timed=comparison.timed)}"]
    lines += [f"The first: {sentence(differences[0], timed=comparison.timed)}", ""]
    lines += [f"  {_kind_line(comparison, kind)}" for kind in comparison.kinds]
    lines += [
        "",
        *(f"  {sentence(each, timed=comparison.timed)}" for each in differences[1:_SHOWN]),
    ]
    if len(differences) > _SHOWN:
        lines.append(f"  and {counted(len(differences) - _SHOWN, 'more difference')}.")
    if comparison.timed:
        lines += ["", _lasting_line(comparison)]
    return lines


def document(result: CaptureComparison) -> dict[str, Any]:
    """Return the result for programs."""
    return {
        "schema": SCHEMA,
        "compared": "conversations",
        "same": result.comparison.same,
        "a": _source_document(result.a),
        "b": _source_document(result.b),
        "remarks": list(result.remarks),
        **comparison_document(result.comparison),
    }


def comparison_document(comparison: Comparison) -> dict[str, Any]:
    """Return a comparison for programs; differences beyond the first 1,000 are only counted."""
    lasting_a, lasting_b = comparison.lasting_ns
    return {
        "directions": [direction.value for direction in comparison.directions],
        "timed": comparison.timed,
        "tolerance_ns": comparison.tolerance_ns,
        "messages": {"a": _messages(comparison.a), "b": _messages(comparison.b)},
        "lasting_ns": {"a": lasting_a, "b": lasting_b} if comparison.timed else None,
        "kinds": {str(kind): amount for kind, amount in comparison.kinds.items()},
        "differences": [
            {
                "kind": str(each.kind),
                "direction": each.said.direction.value,
                "by_ns": each.by_ns if each.by_ns else None,
                "a": _said_document(each.a, comparison.timed),
                "b": _said_document(each.b, comparison.timed),
                "sentence": sentence(each, timed=comparison.timed),
            }
            for each in comparison.differences[:_MOST_IN_DOCUMENT]
        ],
    }


def _amount(comparison: Comparison) -> str:
    messages = sum(not each.is_realtime for each in comparison.a)
    pulses = len(comparison.a) - messages
    what = counted(messages, "message")
    if pulses:
        what += f" and {counted(pulses, 'real-time byte')}"
    if not comparison.timed:
        return f"{what}, by their bytes"
    if comparison.tolerance_ns:
        return f"{what}, times within {small_time(comparison.tolerance_ns)}"
    return f"{what}, to the nanosecond" if comparison.same else what


def _kind_line(comparison: Comparison, kind: Kind) -> str:
    mine = [each for each in comparison.differences if each.kind is kind]
    line = f"{counted(len(mine), 'message')} {_HEADINGS[kind]}"
    if kind in (Kind.LATER, Kind.EARLIER):
        most = max(mine, key=lambda each: abs(each.by_ns))
        line += f", by {small_time(abs(most.by_ns))} at most"
    return line


def _lasting_line(comparison: Comparison) -> str:
    a_ns, b_ns = comparison.lasting_ns
    if a_ns == b_ns:
        return f"Both last {duration(a_ns)}."
    more = "longer" if b_ns > a_ns else "less"
    return f"A lasts {duration(a_ns)}, B {duration(b_ns)}: {small_time(abs(b_ns - a_ns))} {more}."


def _messages(said: Sequence[TimedMessage]) -> dict[str, int]:
    pulses = sum(each.is_realtime for each in said)
    return {"messages": len(said) - pulses, "realtime_bytes": pulses}


def _said_document(said: TimedMessage | None, timed: bool) -> dict[str, Any] | None:
    if said is None:
        return None
    return {
        "message": said.number,
        "what": name_of(said.piece),
        "start_ns": said.start_ns if timed else None,
        "end_ns": said.end_ns if timed else None,
        "hex": said.piece.raw.hex(),
    }


def _source_line(name: str, file: CaptureFile) -> str:
    ways = " and ".join(direction.value for direction in file.recorded.directions)
    parts = [file.form.value, ways, *([] if file.recorded.is_timed else ["no times"])]
    about = f": {shown(file.recorded.about)}" if file.recorded.about else ""
    remarks = "".join(f"; {remark}" for remark in file.recorded.remarks)
    return f"{name}  {shown(file.name)} ({', '.join(parts)}{remarks}){about}"


def _source_document(file: CaptureFile) -> dict[str, Any]:
    recorded = file.recorded
    return {
        "file": file.name,
        "form": file.form.value,
        "directions": [direction.value for direction in recorded.directions],
        "timed": recorded.is_timed,
        "about": recorded.about,
        "remarks": list(recorded.remarks),
    }
