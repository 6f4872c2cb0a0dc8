"""What a trial came to: text, one JSON document, and XML for build servers."""

from collections import Counter
from collections.abc import Iterator
from typing import Any, Final
from xml.etree import ElementTree

from dryload.emulator.wire.clauses import clause
from dryload.emulator.wire.prose import capitalised, counted, listed
from dryload.harness.files.opening import shown
from dryload.harness.judge.finding import Verdict
from dryload.harness.report.document import Document
from dryload.harness.report.replay import verdict
from dryload.harness.trial.baseline import Changes
from dryload.harness.trial.evidence import played, side_by_side
from dryload.harness.trial.task import AnyTask, DumpTask, Side, Task
from dryload.harness.trial.trial import ClauseStanding, Trial, TrialFault

_MOST_WORDS: Final = 8
_AGAIN: Final = {
    True: "; in a new process it shows again",
    False: "; in a new process it does not show",
}
_NOTHING: Final = {Side.ENCODER: "it made no dump", Side.DECODER: "it read no dump"}
_SPEAK_OF: Final = {
    Side.ENCODER: "speak of what a dump file holds",
    Side.DECODER: "whoever reads a dump file could trip over",
}
_TOLD: Final = (
    ClauseStanding.BROKEN,
    ClauseStanding.BENT,
    ClauseStanding.DECLINED,
    ClauseStanding.NOT_TRIED,
)


def lines_of(name: str, trial: Trial, changes: Changes | None = None) -> Iterator[str]:
    """Yield the report for people."""
    yield f"{shown(name)}: {_in_short(trial)}"
    yield f"  {_effort(trial)}"
    for number, fault in enumerate(trial.faults, start=1):
        yield ""
        yield from _fault_lines(number, fault)
    for fault in trial.notes:
        yield ""
        yield f"Noted: {capitalised(fault.finding.message)} ({fault.finding.clause})"
    if changes is not None:
        yield ""
        yield from _change_lines(changes)
    if trial.dumps:
        yield ""
        yield from _clause_lines(trial)
    if trial.units:
        outcomes = sum(trial.units.values(), Counter[str]())
        told = [f"{count:,} {what}" for what, count in outcomes.most_common()]
        units = counted(len(trial.units), "emulated unit")
        yield f"Its right dumps, rehearsed on {units} that differ: {listed(told, 'and')}."
    for group, said in trial.declined.items():
        yield f"It said no {counted(len(said), 'time')} to {group}: {shown(said[0])}"
    for why in trial.left_out:
        yield f"Not asked: {why}."


def _in_short(trial: Trial) -> str:
    if not trial.dumps:
        return f"{_NOTHING[trial.side]}, so nothing was tried."
    broken = sum(each.finding.verdict is Verdict.BROKEN for each in trial.faults)
    bent = len(trial.faults) - broken
    if not trial.faults and trial.stopped:
        return "nothing is wrong so far; the trial was stopped before its end."
    if not trial.faults:
        return "nothing is wrong that was looked for."
    parts = [counted(broken, "fault")] if broken else []
    parts += [counted(bent, "weakness") if bent == 1 else f"{bent} weaknesses"] if bent else []
    first = ", the one to mend first comes first" if len(trial.faults) > 1 else ""
    return f"{listed(parts, 'and')}{first}."


def _effort(trial: Trial) -> str:
    widths = trial.widths
    at = f"{widths[0]} bits"
    if len(widths) > 1:
        at += f" and {counted(len(widths) - 1, 'other width')}"
    told = [each.replace("_", " ") for each in trial.parameters if each != "bits"]
    knows = f"; it can be told {listed(told, 'and')}" if told else ""
    stopped = ", stopped before the end" if trial.stopped else ""
    return (
        f"{counted(trial.calls, 'call')}, {counted(trial.dumps, 'answer')} judged in "
        f"{trial.took_s:.1f} s{stopped}, at {at}{knows}."
    )


def _fault_lines(number: int, fault: TrialFault) -> Iterator[str]:
    finding = fault.finding
    where = f" ({finding.clause})" if finding.clause else ""
    yield f"{number}. {finding.verdict}: {capitalised(finding.message)}{where}"
    if finding.clause:
        yield f"   {finding.clause} says: {clause(finding.clause).statement}"
    yield f"   {_input_words(fault)}."
    yield f"   It showed in {counted(fault.probes, 'probe')}, first at: {fault.probe.group}."
    if finding.expected and finding.found:
        yield f"   Expected {finding.expected}; found {finding.found.rstrip('. ')}."
    yield from _byte_lines(fault)
    if (unit := unit_words(fault)) is not None:
        yield f"   {unit}"
    for more in fault.also.values():
        yield f"   Also: {more}"
    if finding.do:
        yield f"   To mend it: {finding.do}"


def _input_words(fault: TrialFault) -> str:
    task = fault.smallest or fault.probe.task
    if isinstance(task, DumpTask):
        return f"Dump: {fault.probe.what}; {len(task.data):,} bytes"
    size = "Smallest input" if fault.smallest is not None else "Input"
    again = "" if fault.reproduced is None else _AGAIN[fault.reproduced]
    return f"{size}: {task_words(task)}{again}"


def _byte_lines(fault: TrialFault) -> Iterator[str]:
    task, data = _shown(fault)
    if isinstance(task, DumpTask) or not data:
        return
    if (both := side_by_side(task, data, fault.finding.at.packet, fault.told)) is None:
        return
    yield f"   In {both.message}, from byte {both.first} on:"
    yield f"     asked for  {_hex(both.asked)}"
    yield f"     came       {_hex(both.came) or 'nothing'}"
    marks = [
        "^^" if both.asked[at : at + 1] != both.came[at : at + 1] else "  "
        for at in range(max(len(both.asked), len(both.came)))
    ]
    yield f"                {' '.join(marks)}".rstrip()


def _hex(data: bytes) -> str:
    return data.hex(" ").upper()


def _shown(fault: TrialFault) -> tuple[AnyTask, bytes]:
    """Return the input that a fault is shown by, and what came of it."""
    if fault.smallest is None:
        return fault.probe.task, fault.answer.data
    return fault.smallest, fault.smallest_data


def unit_words(fault: TrialFault) -> str | None:
    """Return what the usual emulated unit makes of the dump."""
    task, data = _shown(fault)
    transfer = played(data) if data and isinstance(task, Task) else None
    if transfer is None:
        return None
    if transfer.verified:
        return "An emulated unit takes this dump as it is: a unit need not notice the fault."
    return f"An emulated unit, given this dump: {verdict(transfer)}"


def task_words(task: Task) -> str:
    """Return an input in words."""
    count = len(task.words)
    words = f"{counted(count, 'word')} of {task.bits} bits"
    if count:
        some = ", ".join(str(each) for each in task.words[:_MOST_WORDS].tolist())
        words += f" ({some}{', ...' if count > _MOST_WORDS else ''})"
    plain = Task(words=task.words)
    said = {
        "rate": f"{task.rate:,.9g} Hz",
        "number": f"sample number {task.number}",
        "device_id": f"device ID {task.device_id}",
        "loop": f"loop {task.loop}",
        "name": f"name {task.name!r}",
        "shape": f"as {task.shape.value}",
    }
    others = [text for name, text in said.items() if getattr(task, name) != getattr(plain, name)]
    return ", ".join([words, *others])


def _change_lines(changes: Changes) -> Iterator[str]:
    if changes.is_as_known:
        yield "Nothing is otherwise than it was written down."
    for new in changes.new:
        yield f"New: {new}"
    for gone in changes.gone:
        yield f"Happens no more: {gone}"


def _clause_lines(trial: Trial) -> Iterator[str]:
    rows = list(trial.rows())
    holds = sum(row.standing is ClauseStanding.HOLDS for row in rows)
    yield f"Of the {len(rows)} clauses that {_SPEAK_OF[trial.side]}, {holds} hold."
    for standing in _TOLD:
        by_reason: dict[str, list[str]] = {}
        for row in rows:
            if row.standing is standing:
                by_reason.setdefault(row.why, []).append(row.clause)
        for why, names in by_reason.items():
            yield f"  {standing}: {', '.join(names)}{f' ({why})' if why else ''}"


def side_by_side_lines(names: tuple[str, str], trials: tuple[Trial, Trial]) -> Iterator[str]:
    """Yield how two encoders compare."""
    one, other = trials
    both = one.made.keys() & other.made.keys()
    same = sum(one.made[place] == other.made[place] for place in both)
    yield f"Of {counted(len(both), 'dump')} that both made, {same:,} are the same byte for byte."
    rows = zip(one.rows(), other.rows(), strict=True)
    differ = [(a, b) for a, b in rows if a.standing is not b.standing]
    if not differ:
        yield "Each clause came to the same with both."
    for a, b in differ:
        standings = zip((a.standing, b.standing), names, strict=True)
        told = ", ".join(f"{standing} with {shown(name)}" for standing, name in standings)
        yield f"  {a.clause}: {told}"


def document(name: str, trial: Trial, changes: Changes | None = None) -> dict[str, Any]:
    """Return everything as one JSON document."""
    return {
        "schema": f"dryload/check-{trial.side}/1",
        trial.side.value: name,
        "right": trial.is_right,
        "calls": trial.calls,
        "dumps": trial.dumps,
        "seconds": round(trial.took_s, 3),
        "stopped": trial.stopped,
        "parameters": trial.parameters,
        "widths": trial.widths,
        "faults": [_fault_document(each) for each in trial.faults],
        "notes": [each.finding for each in trial.notes],
        "clauses": list(trial.rows()),
        "declined": {str(group): said for group, said in trial.declined.items()},
        "units": trial.units,
        "left_out": trial.left_out,
        "baseline": None if changes is None else {"new": changes.new, "gone": changes.gone},
    }


def _fault_document(fault: TrialFault) -> Document:
    task, data = _shown(fault)
    told: Document = {
        **{name: getattr(fault.finding, name) for name in fault.finding.__struct_fields__},
        "keys": fault.keys,
        "also": fault.also,
        "probes": fault.probes,
        "first_at": fault.probe.group,
    }
    if isinstance(task, DumpTask):
        return {**told, "what": fault.probe.what, "dump": _if_short(task.data)}
    both = side_by_side(task, data, fault.finding.at.packet, fault.told) if data else None
    return {
        **told,
        "input": {
            "words": task.words.tolist(),
            **{name: getattr(task, name) for name in task.__struct_fields__ if name != "words"},
        },
        "is_smallest": fault.smallest is not None,
        "in_a_new_process": fault.reproduced,
        "dump": _if_short(data),
        "bytes": None
        if both is None
        else {
            "message": both.message,
            "first": both.first,
            "asked": _hex(both.asked),
            "came": _hex(both.came),
        },
        "unit": unit_words(fault),
    }


def _if_short(data: bytes) -> str | None:
    return _hex(data) if len(data) <= 1 << 12 else None


def dumps_of(trial: Trial) -> Iterator[tuple[str, bytes]]:
    """Yield the dumps that show the faults of a decoder, each with a file's name."""
    for number, fault in enumerate(trial.faults, start=1):
        if isinstance(fault.probe.task, DumpTask):
            yield f"fault-{number}.syx", fault.probe.task.data


def results_xml(name: str, trial: Trial) -> bytes:
    """Return the trial as JUnit XML: a test case a clause, and one for each fault of no clause."""
    rows = list(trial.rows())
    others = [each for each in trial.faults if not each.finding.clause]
    failures = sum(row.standing is ClauseStanding.BROKEN for row in rows) + len(others)
    untried = (ClauseStanding.DECLINED, ClauseStanding.NOT_TRIED)
    skipped = sum(row.standing in untried for row in rows)
    about = {
        "name": f"dryload check-{trial.side} {shown(name)}",
        "tests": str(len(rows) + len(others)),
        "failures": str(failures),
        "errors": "0",
        "skipped": str(skipped),
        "time": f"{trial.took_s:.3f}",
    }
    root = ElementTree.Element("testsuites")
    suite = ElementTree.SubElement(root, "testsuite", about)
    for row in rows:
        told = f"{row.clause}: {clause(row.clause).statement}"
        case = ElementTree.SubElement(suite, "testcase", classname="clauses", name=told, time="0")
        if row.standing in untried:
            ElementTree.SubElement(
                case, "skipped", message=f"{row.standing}: {row.why}".rstrip(": ")
            )
        for fault in trial.faults:
            if row.standing is ClauseStanding.BROKEN and fault.finding.clause == row.clause:
                _failure(case, fault)
                break
    for fault in others:
        case = ElementTree.SubElement(
            suite, "testcase", classname="conduct", name=fault.finding.kind, time="0"
        )
        _failure(case, fault)
    content: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return content + b"\n"


def _failure(case: ElementTree.Element, fault: TrialFault) -> None:
    failure = ElementTree.SubElement(
        case, "failure", type=fault.finding.kind, message=shown(fault.finding.message)
    )
    failure.text = "\n".join(shown(line) for line in _fault_lines(1, fault))
