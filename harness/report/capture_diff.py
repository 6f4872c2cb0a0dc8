"""What `dryload diff` says about two captures."""

from collections.abc import Sequence
from typing import Final

from dryload.emulator.wire.prose import capitalised, counted, duration, instant, small_time, spelled
from dryload.harness.files.capture_file import CaptureFile
from dryload.harness.files.opening import shown
from dryload.harness.jobs.compare import CaptureComparison
from dryload.harness.judge.conversation import (
    ConversationComparison,
    MessageChange,
    MessageDifference,
)
from dryload.harness.judge.timed_messages import TimedMessage, name_of
from dryload.harness.report.document import Document

SCHEMA: Final = "dryload/diff/1"
_SHOWN: Final = 6  # differences that are listed one by one
_MOST_IN_DOCUMENT: Final = 1_000
_HEADINGS: Final = {
    MessageChange.OTHER: "with other bytes",
    MessageChange.REALTIME: "with other real-time bytes inside",
    MessageChange.MISSING: "missing in B",
    MessageChange.EXTRA: "only in B",
    MessageChange.LATER: "later in B",
    MessageChange.EARLIER: "earlier in B",
    MessageChange.GAPS: "with other gaps inside",
    MessageChange.ORDER: "in another order",
}


def text(result: CaptureComparison) -> list[str]:
    """Return the result for people."""
    lines = [_source_line("A", result.a), _source_line("B", result.b), ""]
    lines += lines_of(result.comparison)
    return lines + [f"Note: {remark}." for remark in result.remarks]


def document(result: CaptureComparison) -> Document:
    """Return the result for programs."""
    return {
        "schema": SCHEMA,
        "compared": "conversations",
        "same": result.comparison.same,
        "a": _source_document(result.a),
        "b": _source_document(result.b),
        "remarks": result.remarks,
        **comparison_document(result.comparison),
    }


def lines_of(comparison: ConversationComparison) -> list[str]:
    """Return the verdict, the first difference, all kinds of them, and the first few in order."""
    if comparison.same:
        return [f"The same conversation: {_amount(comparison)}."]
    lines = [
        f"Different in {counted(len(comparison.differences), 'place')} of {_amount(comparison)}."
    ]
    first, *more = comparison.differences
    if not more:
        return [*lines, f"  {sentence(first, timed=comparison.timed)}"]
    lines += [f"The first: {sentence(first, timed=comparison.timed)}", ""]
    lines += [f"  {_kind_line(comparison, kind)}" for kind in comparison.kinds]
    lines.append("")
    lines += [f"  {sentence(each, timed=comparison.timed)}" for each in more[: _SHOWN - 1]]
    if (hidden := len(comparison.differences) - _SHOWN) > 0:
        lines.append(f"  and {counted(hidden, 'more difference')}.")
    if comparison.timed:
        lines += ["", _lasting_line(comparison)]
    return lines


def comparison_document(comparison: ConversationComparison) -> Document:
    """Return a comparison for programs; differences beyond the first 1,000 are only counted."""
    lasting_a, lasting_b = comparison.lasting_ns
    return {
        "directions": comparison.directions,
        "timed": comparison.timed,
        "tolerance_ns": comparison.tolerance_ns,
        "messages": {"a": _amounts(comparison.a), "b": _amounts(comparison.b)},
        "lasting_ns": {"a": lasting_a, "b": lasting_b} if comparison.timed else None,
        "kinds": comparison.kinds,
        "differences": [
            {
                "kind": each.kind,
                "direction": each.said.direction,
                "by_ns": each.by_ns or None,
                "a": _message_document(each.a, comparison.timed),
                "b": _message_document(each.b, comparison.timed),
                "sentence": sentence(each, timed=comparison.timed),
            }
            for each in comparison.differences[:_MOST_IN_DOCUMENT]
        ],
    }


def sentence(difference: MessageDifference, *, timed: bool) -> str:
    """Return one difference in words, with where it is."""
    said = difference.said
    where = f"message {said.number:,} {said.direction.value} ({name_of(said.piece)})"
    if timed:
        where += f", at {instant(said.start_ns)}"
    by = small_time(abs(difference.by_ns))
    match difference.kind:
        case MessageChange.MISSING:
            return f"B lacks {where}."
        case MessageChange.EXTRA:
            return f"Only B has {where}."
        case MessageChange.ORDER:
            what = "comes in B before something that it follows in A"
        case MessageChange.LATER | MessageChange.EARLIER:
            what = f"in B it comes {by} {difference.kind} after what comes before it"
        case MessageChange.GAPS:
            more = "more" if difference.by_ns > 0 else "less"
            what = f"its bytes come with {by} {more} of gaps in B"
        case MessageChange.REALTIME:
            what = "the real-time bytes inside are different"
        case MessageChange.OTHER:
            what = _other_bytes(difference)
    return f"{capitalised(where)}: {what}."


def _other_bytes(difference: MessageDifference) -> str:
    assert difference.a is not None
    assert difference.b is not None
    a, b = difference.a.piece, difference.b.piece
    if name_of(a) != name_of(b):
        return f"B has {_with_article(name_of(b))} there ({spelled(b.body)})"
    sizes = f"{len(a.body):,} bytes in A, {len(b.body):,} in B"
    places = [
        at for at, (one, other) in enumerate(zip(a.body, b.body, strict=False)) if one != other
    ]
    if not places:
        return f"it has {sizes}"
    first = places[0]
    length = "" if len(a.body) == len(b.body) else f"; {sizes}"
    return (
        f"{counted(len(places), 'byte')} of it {'is' if len(places) == 1 else 'are'} different, "
        f"first byte {first}: {a.body[first]:02X} in A, {b.body[first]:02X} in B{length}"
    )


def _with_article(name: str) -> str:
    first = name.split(maxsplit=1)[0]
    if first.isupper() or first == "bytes":  # ACK, NAK and the like are names
        return name
    return f"an {name}" if first[0] in "aeiou" else f"a {name}"


def _amount(comparison: ConversationComparison) -> str:
    amounts = _amounts(comparison.a)
    what = counted(amounts["messages"], "message")
    if amounts["realtime_bytes"]:
        what += f" and {counted(amounts['realtime_bytes'], 'real-time byte')}"
    if not comparison.timed:
        return f"{what}, by their bytes"
    if comparison.tolerance_ns:
        return f"{what}, times within {small_time(comparison.tolerance_ns)}"
    return f"{what}, to the nanosecond" if comparison.same else what


def _amounts(messages: Sequence[TimedMessage]) -> dict[str, int]:
    realtime = sum(each.is_realtime for each in messages)
    return {"messages": len(messages) - realtime, "realtime_bytes": realtime}


def _kind_line(comparison: ConversationComparison, kind: MessageChange) -> str:
    mine = [each for each in comparison.differences if each.kind is kind]
    line = f"{counted(len(mine), 'message')} {_HEADINGS[kind]}"
    if kind in (MessageChange.LATER, MessageChange.EARLIER):
        line += f", by {small_time(max(abs(each.by_ns) for each in mine))} at most"
    return line


def _lasting_line(comparison: ConversationComparison) -> str:
    a_ns, b_ns = comparison.lasting_ns
    if a_ns == b_ns:
        return f"Both last {duration(a_ns)}."
    more = "longer" if b_ns > a_ns else "less"
    return f"A lasts {duration(a_ns)}, B {duration(b_ns)}: {small_time(abs(b_ns - a_ns))} {more}."


def _message_document(message: TimedMessage | None, timed: bool) -> Document | None:
    if message is None:
        return None
    return {
        "message": message.number,
        "what": name_of(message.piece),
        "start_ns": message.start_ns if timed else None,
        "end_ns": message.end_ns if timed else None,
        "hex": message.piece.raw.hex(),
    }


def _source_line(name: str, file: CaptureFile) -> str:
    ways = " and ".join(direction.value for direction in file.recorded.directions)
    parts = [file.form.value, ways, *([] if file.recorded.is_timed else ["no times"])]
    about = f": {shown(file.recorded.about)}" if file.recorded.about else ""
    remarks = "".join(f"; {remark}" for remark in file.recorded.remarks)
    return f"{name}  {shown(file.name)} ({', '.join(parts)}{remarks}){about}"


def _source_document(file: CaptureFile) -> Document:
    recorded = file.recorded
    return {
        "file": file.name,
        "form": file.form,
        "directions": recorded.directions,
        "timed": recorded.is_timed,
        "about": recorded.about,
        "remarks": recorded.remarks,
    }
