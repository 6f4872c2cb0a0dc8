"""What is said of disturbances: which there are, and what they did in a rehearsal."""

from collections.abc import Sequence
from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.switches import QUESTIONS
from dryload.emulator.line.disturbance import AppliedFault
from dryload.emulator.line.link import link_lines
from dryload.emulator.line.watch import Sort
from dryload.emulator.unit.schema import keys_of, sections
from dryload.emulator.wire.prose import counted, duration
from dryload.harness.faults.asked import Asked, Disturbances, struck_by
from dryload.harness.faults.catalogue import Fault, Situation, faults, situations
from dryload.harness.faults.grammar import PLACES
from dryload.harness.files.opening import shown
from dryload.harness.report.document import Document, fields_of
from dryload.harness.report.table import folded

SCHEMA: Final = "dryload/disturbances/1"
_SHOWN: Final = 5
_INDENT: Final = 6
_STRUCK: Final = ("direction", "message", "sort", "packet", "byte", "bytes", "at_ns")
_PLACE_WIDTH: Final = 28


# What they did


def done_lines(disturbances: Disturbances, struck: Sequence[AppliedFault]) -> list[str]:
    """Return what was done on purpose, each with how often and where."""
    lines = ["Done on purpose:"]
    situation = ""
    for asked in disturbances.asked:
        if asked.situation != situation:
            situation = asked.situation
            lines += [f"  {situation}:"] if situation else []
        indent = "    " if situation else "  "
        lines.append(f"{indent}{shown(asked.said)}: {_done(asked, struck_by(asked, struck))}.")
    return lines


def _done(asked: Asked, struck: Sequence[AppliedFault]) -> str:
    if asked.fault.lasts:
        return "from beginning to end"
    if not struck:
        return "it never came to that"
    places = "; ".join(_place(each) for each in struck[:_SHOWN])
    more = len(struck) - _SHOWN
    rest = f"; and {more:,} more, which --json tells" if more > 0 else ""
    return f"{'once' if len(struck) == 1 else counted(len(struck), 'time')}: {places}{rest}"


def _place(struck: AppliedFault) -> str:
    where = _message(struck)
    if struck.bytes:
        last = struck.bytes[-1]
        where += f", byte {struck.bytes[0]}"
        if len(struck.bytes) > 1:
            in_a_row = last - struck.bytes[0] == len(struck.bytes) - 1
            where += f" to {last}" if in_a_row else f" and others up to {last}"
    return f"{where}, at {duration(struck.at_ns)}"


def _message(struck: AppliedFault) -> str:
    about = "the header" if struck.packet is None else f"packet {struck.packet}"
    match struck.sort:
        case Sort.HEADER | Sort.PACKET:
            read_back = struck.direction is Direction.FROM_UNIT
            return f"{about}, read back" if read_back else about
        case Sort.REPLY:
            return f"the answer to {about}"
        case Sort.REQUEST:
            return "a request"
    return f"message {struck.message} {struck.direction.value}"


def done_document(disturbances: Disturbances, struck: Sequence[AppliedFault]) -> list[Document]:
    """Return the truth about what was done, for programs."""
    return [
        {
            "said": asked.said,
            "situation": asked.situation or None,
            **fields_of(asked.fault, "name", "group", "clause", "lasts"),
            "struck": [fields_of(each, *_STRUCK) for each in struck_by(asked, struck)],
        }
        for asked in disturbances.asked
    ]


# Which there are


def list_text(width: int | None) -> list[str]:
    """Return the vocabulary, how to place it, and the everyday situations."""
    lines: list[str] = []
    for group in dict.fromkeys(fault.group for fault in faults()):
        lines += [*([""] if lines else []), f"{group.capitalize()}"]
        for fault in faults():
            if fault.group == group:
                line = f'  {fault.name}, as in "{fault.example}": {fault.does}'
                lines += folded(line, width, _INDENT)
    lines += ["", "Where and when (in any order, as many as are needed)"]
    for phrase in PLACES:
        lines += folded(f"  {phrase.form:<{_PLACE_WIDTH}}{phrase.does}", width, _PLACE_WIDTH + 2)
    lines += ["", "Everyday situations (a seed may follow: loose plug, seed 3)"]
    for situation in situations():
        lines += folded(f"  {situation.name}: {situation.tells}", width, _INDENT)
    told = f"{counted(len(faults()), 'disturbance')}, {counted(len(situations()), 'situation')}."
    last = f"{told} dryload disturbances NAME tells everything about one."
    return [*lines, "", *folded(last, width, 0)]


def detail_text(found: Sequence[Fault | Situation], width: int | None) -> list[str]:
    """Return everything about each."""
    lines: list[str] = []
    for each in found:
        lines += [""] if lines else []
        if isinstance(each, Situation):
            lines += [each.name, *folded(f"  sees      {each.tells}", width, 12)]
            lines += [
                line for said in each.faults for line in folded(f"  does      {said}", width, 12)
            ]
            continue
        lines.append(f"{each.name}, {each.group}")
        more = f"; {', '.join(each.phrases)} may follow" if each.phrases else ""
        rows = [
            ("say", (" or ".join(each.forms) or f"as in: {each.example}") + more),
            ("as in", each.command),
            ("does", each.does),
            ("shows", each.shows),
            ("must", f"{each.must[each.clause].removesuffix('.')} ({each.clause})."),
            ("cause", each.everyday),
        ]
        if each.causes:
            causes = (f"{cause} ({struck})" for struck, cause in each.causes.items())
            rows.append(("diagnosis", "; ".join(causes)))
        for name, value in rows:
            lines += folded(f"  {name:<10}{value}", width, 12)
        for key, tells in _choices(each):
            lines += folded(f"  {key:<{_PLACE_WIDTH}}{tells}", width, _PLACE_WIDTH + 2)
    return lines


def _choices(fault: Fault) -> list[tuple[str, str]]:
    """Return what may stand for the NAME of a link or the KEY and VALUE of a habit."""
    if fault.name == "link":
        return link_lines()
    if fault.name != "habit":
        return []
    choices = []
    for section, kind in sections().items():
        for name, key in keys_of(kind).items():
            clause, question = QUESTIONS.get(name, ("", ""))
            about = f"; {question} ({clause})" if clause and section == "habits" else ""
            choices.append((f"{section}.{name}", f"{key.legal}{about}"))
    return choices


def document(found: Sequence[Fault | Situation]) -> Document:
    """Return the vocabulary for programs."""
    return {
        "schema": SCHEMA,
        "disturbances": [_fault_document(each) for each in found if isinstance(each, Fault)],
        "places": [fields_of(phrase, "form", "does") for phrase in PLACES],
        "situations": [
            {**fields_of(each, "name", "tells"), "disturbances": each.faults}
            for each in found
            if isinstance(each, Situation)
        ],
    }


def _fault_document(fault: Fault) -> Document:
    return {
        **fields_of(fault, "name", "forms", "group", "does", "shows", "clause", "example"),
        "more": fault.phrases,
        "usual_place": fault.usual or None,
        "must": fault.must[fault.clause],
        "cause": fault.everyday,
        "diagnosed_as": fault.causes,
        "choices": [{"name": name, "tells": tells} for name, tells in _choices(fault)],
    }
