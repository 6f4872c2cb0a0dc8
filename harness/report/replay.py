"""What `dryload replay` says."""

from collections.abc import Sequence
from pathlib import PurePath
from typing import Any, Final

from dryload.emulator.unit.admission import memory_reason
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.wire.prose import capitalised, counted, duration, share
from dryload.harness.files.opening import shown
from dryload.harness.jobs.dumps import Dump, NotADump
from dryload.harness.jobs.outcome import Outcome, Transfer, changes
from dryload.harness.jobs.playlist import LeftOut, PlayRow, Why
from dryload.harness.jobs.timing import Wait
from dryload.harness.judge.finding import Finding
from dryload.harness.judge.plan import rate_of
from dryload.harness.report.document import Document, fields_of, target_document
from dryload.harness.report.findings import finding_lines, told_line
from dryload.harness.report.memory_bar import BLOCKS, Signs
from dryload.harness.report.memory_picture import MemoryState, picture, state_of
from dryload.harness.report.samples import named, sample_words, sound
from dryload.harness.report.selection import cell, left_out_document
from dryload.harness.report.serving import slot_document
from dryload.harness.report.table import Column, table

SCHEMA: Final = "dryload/replay/1"


def result(transfer: Transfer) -> str:
    """Return outcome and verification in a few words."""
    if transfer.outcome is Outcome.NOT_KEPT:
        return "not kept: replaced, as asked" if transfer.is_replaced else "not kept"
    if transfer.outcome is not Outcome.LOADED:
        return str(transfer.outcome)
    return "loaded, verified" if transfer.verified else "loaded, not read back"


def head(unit: RackUnit) -> str:
    """Return the line before the first dump."""
    traits = unit.profile.unit
    about = f": {shown(traits.description)}" if traits.description else "."
    return f"Rehearsal with the emulated unit {shown(traits.name)}{about}"


def lines_of(transfer: Transfer) -> list[str]:
    """Return the report on one dump that was played."""
    dump = transfer.dump
    told = [finding for finding in transfer.all_findings if _is_told(finding, transfer.reason)]
    lines = [dump.place, f"  {verdict(transfer)}"]
    lines += [f"    {told_line(finding)}" for finding in told]
    lines += [f"  {_sample_sentence(transfer)}", f"  {_time_sentence(transfer)}"]
    for finding in transfer.all_findings:
        if finding not in told:
            options = _options(finding, dump.index)
            found = finding_lines(finding, dump.file, options=options)
            lines += [f"  {line}" for line in found]
    return lines


def _is_told(finding: Finding, reason: str) -> bool:
    """Whether the reason for the outcome already says what a finding says."""
    message = finding.message.rstrip(".")
    return bool(reason) and (
        message.lower() in reason.lower() or (bool(finding.found) and finding.found == reason)
    )


def _options(finding: Finding, index: int) -> str | None:
    """Return the options with which `dryload explain` shows a place in a later dump of a file."""
    at = finding.at
    if not index or at.packet is None or at.byte is None:
        return None
    return f"--packet {at.packet} --dump {index + 1}"


def _sample_sentence(transfer: Transfer) -> str:
    dump = transfer.dump
    which = capitalised(named(dump.header.sample_number, dump.sample.name))
    packets = counted(len(dump.outgoing.packets), "packet")
    return f"{which}: {sample_words(dump.sample, rate_of(dump.header))}, {packets}."


def verdict(transfer: Transfer) -> str:
    """Return the outcome of a transfer in a sentence."""
    match transfer.outcome:
        case Outcome.LOADED if transfer.verified:
            slot = "the unit" if transfer.slot is None else f"slot {transfer.slot}"
            return f"Loaded and verified: what {slot} sent back is word for word what was played."
        case Outcome.LOADED:
            return f"Loaded; it was not read back ({transfer.unread}){_emulated(transfer)}."
        case Outcome.NOT_KEPT:
            return f"Not kept: it was loaded, and {transfer.reason}."
        case Outcome.UNCONFIRMED:
            return f"Unconfirmed: {transfer.reason}{_emulated(transfer)}."
    return f"{transfer.outcome.capitalize()}: {transfer.reason}."


def _emulated(transfer: Transfer) -> str:
    """Return what the emulated memory holds if the line could not show it."""
    if transfer.holds is None or transfer.comparison is None:
        return "; the emulated unit kept nothing of it" if transfer.memory is not None else ""
    slot = f"slot {transfer.slot} of the emulated unit"
    if transfer.verified is not None:
        return ""
    kept_as = None if transfer.receipt is None else transfer.receipt.sample_number
    if kept_as != transfer.dump.header.sample_number:
        return f"; {slot} has it as sample {kept_as}"
    if transfer.comparison.same and transfer.comparison.same_fields:
        return f", but {slot} holds exactly what was played"
    return f"; {slot} differs. {changes(transfer.comparison)}"


def _time_sentence(transfer: Transfer) -> str:
    times = transfer.times
    if transfer.before is not None:
        took = duration(transfer.read_back_ns)
        return f"It had been sent before; only reading back remained, which took {took}."
    sentence = f"The cable alone needs {duration(times.floor_ns)}; this took "
    if transfer.outcome in (Outcome.REFUSED, Outcome.INCOMPLETE):
        sentence = f"The cable alone would need {duration(times.floor_ns)}; this ended after "
    sentence += duration(times.total_ns)
    waited = share(times.waiting_ns, times.total_ns)
    if waited == "0 %":
        return f"{sentence}."
    reason, longest_ns = times.waits[0]
    if len(times.waits) == 1:
        return f"{sentence}; {waited} was waiting for {reason}."
    return f"{sentence}; {waited} was waiting, most of it ({duration(longest_ns)}) for {reason}."


def summary(
    rows: Sequence[PlayRow],
    unit: RackUnit,
    visits: int,
    walk_ns: int | None,
    *,
    lasted_ns: int,
    width: int | None = None,
    signs: Signs = BLOCKS,
    before: MemoryState | None = None,
) -> list[str]:
    """Return the final table, the memory and the total times.

    `lasted_ns` is how long everything took; `width` is the width of the terminal, None without one.
    `before` is what the memory held before.
    """
    lines = [*table_of(rows, width), "", _memory_sentence(unit)]
    lines += picture(
        state_of(unit),
        bank_words=unit.memory.traits.bank_words,
        before=before if before is not None and before.titles else None,
        width=width,
        signs=signs,
    )
    transfers = transfers_of(rows)
    if transfers:
        lines.append(total_sentence(transfers))
    if visits and walk_ns is not None:
        lines.append(
            f"Somebody has to walk to the unit {counted(visits, 'time')} to press confirm; "
            f"each walk is assumed to take {duration(walk_ns)}."
        )
    if len(transfers) > 1 or visits:
        walks = f" and {counted(visits, 'walk')} to the unit" if visits else ""
        reading = " with reading back" if any(each.is_to_be_read for each in transfers) else ""
        lines.append(f"Altogether{reading}{walks} it takes {duration(lasted_ns)}.")
    if (slot := unit.panel.awaiting_confirm) is not None:
        lines.append(f"Slot {slot} waits for somebody to press confirm.")
    return lines


def transfers_of(rows: Sequence[PlayRow]) -> list[Transfer]:
    """Return the transfers among the rows."""
    return [row for row in rows if isinstance(row, Transfer)]


def table_of(rows: Sequence[PlayRow], width: int | None, *, with_slots: bool = True) -> list[str]:
    """Return the table of all that was asked for, fitted to a terminal of `width` if any."""
    columns = (
        Column("slot", right=True),
        Column("sample", right=True, spare=2),
        Column("from"),
        Column("words", right=True),
        Column("sound", right=True, spare=4),
        Column("packets", right=True, spare=3),
        Column("again", right=True, spare=1),
        Column("on the line", right=True),
        Column("waiting", right=True),
        Column("result", folds=True),
    )
    first = 0 if with_slots else 1
    cells = [_left_out_row(row) if isinstance(row, LeftOut) else _row(row) for row in rows]
    return table(columns[first:], [each[first:] for each in cells], width)


def _left_out_row(left: LeftOut) -> tuple[str, ...]:
    what, none = left.what, ("-",) * 3
    if isinstance(what, Dump):
        return ("-", *_dump_cells(what), *none, cell(left))
    packets = "-" if isinstance(what, NotADump) else f"{what.packets:,}"
    return ("-", "-", shown(PurePath(what.file).name), "-", "-", packets, *none, cell(left))


def _dump_cells(dump: Dump) -> tuple[str, ...]:
    """Return the cells of a dump as it is in its file."""
    which = f" ({dump.index + 1})" if dump.index else ""
    return (
        str(dump.header.sample_number),
        shown(PurePath(dump.file).name) + which,
        f"{len(dump.sample.words):,}",
        sound(dump.sample.frames, rate_of(dump.header)),
        f"{len(dump.outgoing.packets):,}",
    )


def _row(transfer: Transfer) -> tuple[str, ...]:
    times = transfer.times
    return (
        "-" if transfer.slot is None else str(transfer.slot),
        *_dump_cells(transfer.dump),
        f"{transfer.resent:,}",
        duration(times.line_ns),
        duration(times.waiting_ns),
        result(transfer),
    )


def _memory_sentence(unit: RackUnit) -> str:
    memory = unit.memory
    used = f"{len(unit.slots.used())} of {counted(len(unit.slots), 'slot')}"
    if not memory.capacity:
        here = " --initialise does that here." if memory.usable_banks else ""
        return f"Memory: {memory_reason(memory)}.{here}"
    pieces = (
        "in one piece"
        if memory.largest_free == memory.total_free
        else f"in pieces, the largest {memory.largest_free:,}"
    )
    return (
        f"Memory: {used} in use; {memory.total_free:,} of {memory.capacity:,} words free, {pieces}."
    )


def total_sentence(transfers: Sequence[Transfer]) -> str:
    """Return where the time of all transfers together went."""
    total_ns = sum(transfer.times.total_ns for transfer in transfers)
    floor_ns = sum(transfer.times.floor_ns for transfer in transfers)
    read_ns = sum(each.read_back_ns for each in transfers if each.verified is not None)
    if all(transfer.before is not None for transfer in transfers):
        return f"Time: reading back took {duration(read_ns)}."
    waits: dict[Wait, int] = {}
    for transfer in transfers:
        for reason, ns in transfer.times.waits:
            waits[reason] = waits.get(reason, 0) + ns
    sentence = f"Time: the cable alone needs {duration(floor_ns)}; this took {duration(total_ns)}"
    parts = [
        f"{share(ns, total_ns)} was waiting for {reason}"
        for reason, ns in sorted(waits.items(), key=lambda wait: -wait[1])
        if share(ns, total_ns) != "0 %"
    ]
    sentence = "; ".join([sentence, *parts])
    return (
        f"{sentence}. Reading back takes another {duration(read_ns)}."
        if read_ns
        else f"{sentence}."
    )


def document(
    rows: Sequence[PlayRow], *, target: str, unit: RackUnit | None = None, **more: object
) -> dict[str, Any]:
    """Return the result for programs; `unit` where it is ours, `more` what else there is to say."""
    left = [row for row in rows if isinstance(row, LeftOut)]
    loaded = [each for each in left if each.why is Why.LOADED_BEFORE]
    named = {} if unit is None else {"name": unit.profile.unit.name}
    return {
        "schema": SCHEMA,
        "target": {**target_document(target), **named},
        "transfers": list(map(_transfer_document, transfers_of(rows))),
        "not_sent": [left_out_document(each) for each in left if each not in loaded],
        "loaded_before": [left_out_document(each) for each in loaded],
        "memory": None if unit is None else _memory_document(unit),
        **more,
    }


def _memory_document(unit: RackUnit) -> Document:
    memory = unit.memory
    return {
        "capacity_words": memory.capacity,
        "free_words": memory.total_free,
        "largest_free_words": memory.largest_free,
        "initialised": memory.initialised,
        "bank_words": memory.traits.bank_words,
        "slots": [
            {**slot_document(slot), "regions": slot.holding.regions} for slot in unit.slots.used()
        ],
    }


def _transfer_document(transfer: Transfer) -> Document:
    dump, times, comparison = transfer.dump, transfer.times, transfer.comparison
    holds, diagnosis = transfer.holds, None
    if transfer.diagnosis is not None:
        from dryload.harness.report.diagnose import document_of

        diagnosis = document_of(dump.file, transfer.diagnosis)
    return {
        "file": dump.file,
        "dump": dump.index,
        "sample_number": dump.header.sample_number,
        **fields_of(transfer, "slot", "outcome", "verified", "still_there", "reason"),
        "not_read_back": transfer.unread or None,
        "sent_before": transfer.before is not None,
        "packets": {
            "planned": len(dump.outgoing.packets),
            "sent": transfer.sent,
            "resent": transfer.resent,
        },
        "words": {
            "sent": len(dump.sample.words),
            "compared": 0 if comparison is None else comparison.compared,
            "different": 0 if comparison is None else comparison.different,
        },
        "emulated_memory": None
        if holds is None
        else {"words": len(holds.words), "bits": holds.bits},
        "time": {
            **fields_of(times, "line_ns", "floor_ns", "waiting_ns", "total_ns"),
            "read_back_ns": transfer.read_back_ns,
            "waits": [{"for": reason, "ns": ns} for reason, ns in times.waits],
        },
        "findings": transfer.all_findings,
        "diagnosis": diagnosis,
    }
