"""What `dryload read` says."""

from collections.abc import Sequence
from itertools import groupby
from typing import Final

from dryload.emulator.unit.memory import Region
from dryload.emulator.wire.constants import MAX_SAMPLE_NUMBER
from dryload.emulator.wire.prose import capitalised, counted, duration
from dryload.harness.files.backup_file import list_in
from dryload.harness.files.opening import quoted, shown
from dryload.harness.jobs.backup import shortcomings
from dryload.harness.jobs.read import ASKS, EMPTY, Came, ReadOut, ReadRequest, ReadResult, seconds
from dryload.harness.judge.plan import rate_of
from dryload.harness.report.document import Document, fields_of, target_document
from dryload.harness.report.findings import finding_lines
from dryload.harness.report.memory_bar import BLOCKS, Signs
from dryload.harness.report.memory_picture import laid_out, picture
from dryload.harness.report.samples import header_document, header_words, named, sound, words_of
from dryload.harness.report.table import Column, table

SCHEMA: Final = "dryload/read/1"


def before(asked: ReadRequest) -> list[str]:
    """Return the note before several numbers are requested: how long it may take."""
    wanted, answer_ns = asked.wanted, asked.answer_ns
    if wanted.is_single:
        return []
    each = f"{ASKS} times {seconds(answer_ns)}"
    most = duration(wanted.count * ASKS * answer_ns)
    further = f", and on to {MAX_SAMPLE_NUMBER} if the unit answers every number"
    return [
        f"requesting samples {wanted.first} to {wanted.last}{further if wanted.goes_on else ''}.",
        f"a number that the unit does not answer takes {each}: at most {most} for all of these, "
        "plus the time of each sample on the line.",
    ]


def lines_of(came: Came, asked: ReadRequest) -> list[str]:
    """Return the report on one sample; nothing if it is one of several and all is well."""
    if asked.wanted.is_single:
        lines = [_sentence(came, asked)]
        if came.result not in EMPTY:
            lines += [f"  {line}" for line in _amounts(came)]
    elif came.result in EMPTY or not (came.reason or came.findings):
        return []
    else:
        lines = [_sentence(came, asked)]
    file = came.file or asked.target
    for finding in came.findings:
        options = None if came.file else ""
        lines += [f"  {line}" for line in finding_lines(finding, file, options=options)]
    return lines


def _sentence(came: Came, asked: ReadRequest) -> str:
    sample = capitalised(named(came.number, came.name))
    match came.result:
        case ReadResult.READ | ReadResult.BROKEN:
            but = ", but it is broken" if came.result is ReadResult.BROKEN else ""
            also = f"; {came.reason}" if came.reason else ""
            return f"{sample} arrived whole and is in {shown(came.file)}{but}{also}."
        case ReadResult.NOTHING | ReadResult.SILENT:
            return f"{sample} did not arrive from {shown(asked.target)}: {came.reason}."
        case _:
            return f"{sample} did not arrive whole, so nothing was written: {came.reason}."


def _amounts(came: Came) -> list[str]:
    header = came.header
    if header is None:
        return []
    loops = f", {counted(came.loops, 'more loop')}" if came.loops else ""
    took = duration(came.took_ns)
    return [f"{header_words(header)}, {_packets(came)}{loops}; it took {took}."]


def _packets(came: Came) -> str:
    if came.planned is None or came.planned == came.packets:
        return counted(came.packets, "packet")
    return f"{came.packets:,} of {counted(came.planned, 'packet')}"


def summary(
    came: Sequence[Came],
    job: ReadOut,
    *,
    stopped: bool,
    width: int | None,
    signs: Signs = BLOCKS,
) -> list[str]:
    """Return the table of several samples, what all of it came to, and what to do if to nothing."""
    lines, asked = [], job.asked
    if not asked.wanted.is_single and came:
        lines += [*table(_COLUMNS, _rows(came), width), "", _total(came, job)]
        lines += _sizes(came, width, signs)
    lines += _untold(came, job)
    lines += _no_longer(came, job)
    lines += _not_asked_for(came, job, stopped=stopped)
    lines += _kept(came, job, stopped=stopped)
    if came and all(each.result in EMPTY for each in came):
        lines += _nothing_at_all(asked)
    for finding in job.rig_findings():
        lines += finding_lines(finding, asked.target, options="")
    return lines


def _untold(came: Sequence[Came], job: ReadOut) -> list[str]:
    """Say which loops and names are in no file although they were asked for."""
    whole = [each for each in came if each.dump is not None or each.file]
    parts = []
    for what in ("loops", "name"):
        if missing := sum(what in each.untold for each in whole):
            parts.append(f"{what.removesuffix('s')}s of {counted(missing, 'sample')}")
    if not parts:
        return []
    rest = "; it was not asked for the other names" if job.tells_names is False else ""
    return [
        f"The unit did not answer requests for the {' and the '.join(parts)}{rest}. It need not "
        "answer if there are none."
    ]


def _no_longer(came: Sequence[Came], job: ReadOut) -> list[str]:
    if job.still_answers is not False:
        return []
    answered = max((at for at, each in enumerate(came) if each.result not in EMPTY), default=-1)
    silent = [each.number for each in came[answered + 1 :]]
    numbers = str(silent[0]) if len(silent) == 1 else f"{silent[0]} to {silent[-1]}"
    return [
        "The unit has stopped answering: it did not even answer a second request for a sample that "
        f"it had sent before. So the silence at {numbers} means nothing.",
        "Check that it is still switched on and connected both ways, and request those again.",
    ]


def _not_asked_for(came: Sequence[Came], job: ReadOut, *, stopped: bool) -> list[str]:
    """Say of `all` how far it went, and what that is worth."""
    asked = job.asked
    if not asked.is_backup or not came:
        return []
    last = max(each.number for each in came)
    if last == MAX_SAMPLE_NUMBER:
        return [f"All sample numbers, 0 to {last}, were requested."]
    if not asked.wanted.goes_on or stopped or job.failed is not None:
        return [f"Sample numbers above {last} were not requested."]
    if job.repeats is not None:
        number, earlier = job.repeats
        why = f"the sample for {number} is the same as {earlier}, as if the numbers started again"
    else:
        why = "this unit does not answer for numbers that hold nothing, so each takes long"
    return [
        f"Sample numbers above {last} were not requested: {why}.",
        "So there may be more samples. Look up in the unit's manual how many it can hold, and read "
        "with --up-to N.",
    ]


def _kept(came: Sequence[Came], job: ReadOut, *, stopped: bool) -> list[str]:
    """Say of `all` what the backup is worth, where one was written."""
    asked = job.asked
    if not (asked.is_backup and any(each.file for each in came)):
        return []
    why_not = shortcomings(came, job, stopped=stopped)
    is_so = f"is not complete: {'; '.join(why_not)}" if why_not else "is complete"
    back = f"dryload replay {quoted(asked.output)} --to {quoted(asked.target)}"
    return [
        f"This backup {is_so}. {shown(list_in(asked.output))} lists it; to put it back: {back}",
        "No dump tells slots, key ranges or levels: write these down from the unit's display.",
    ]


def _nothing_at_all(asked: ReadRequest) -> list[str]:
    what = f"no sample {asked.wanted.first}" if asked.wanted.is_single else "none of them"
    return [
        f"The unit may have {what}, listen to a device ID other than {asked.device_id} "
        "(--device-id 127 addresses all), not support requests for samples, or not be connected.",
        "Check that it is switched on and connected both ways, and what its panel shows.",
    ]


_COLUMNS: Final = (
    Column("sample", right=True),
    Column("name", spare=1),
    Column("words", right=True),
    Column("bits", right=True, spare=4),
    Column("sound", right=True, spare=3),
    Column("packets", right=True, spare=2),
    Column("took", right=True),
    Column("result"),
    Column("file"),
)


def _rows(came: Sequence[Came]) -> list[tuple[str, ...]]:
    """Return a row a sample; numbers in a row with nothing there share one."""
    rows: list[tuple[str, ...]] = []
    for result, group in groupby(came, key=lambda each: each.result):
        each = list(group)
        rows += [_empty_row(each)] if result in EMPTY else map(_row, each)
    return rows


def _empty_row(empty: Sequence[Came]) -> tuple[str, ...]:
    first, last = empty[0].number, empty[-1].number
    numbers = str(first) if first == last else f"{first}-{last}"
    took = duration(sum(each.took_ns for each in empty))
    return (numbers, "", "", "", "", "", took, str(empty[0].result), "")


def _row(came: Came) -> tuple[str, ...]:
    header = came.header
    took = duration(came.took_ns)
    if header is None:
        return (str(came.number), "", "", "", "", "", took, str(came.result), "")
    return (
        str(came.number),
        shown(came.name) if came.name else "",
        f"{words_of(header):,}",
        str(header.bits),
        sound(header.length, rate_of(header)),
        _packets(came).split(" packet")[0],
        took,
        str(came.result),
        shown(came.file) if came.file else "",
    )


def _total(came: Sequence[Came], job: ReadOut) -> str:
    asked = job.asked
    written = sum(bool(each.file) for each in came)
    empty = sum(each.result is ReadResult.NOTHING for each in came)
    silent = sum(each.result is ReadResult.SILENT for each in came)
    torn = len(came) - written - empty - silent
    parts = [f"{counted(written, 'sample')} read from {shown(asked.target)}"]
    if written:
        parts[0] += f" into {shown(asked.output)}"
    if torn:
        parts.append(f"{torn:,} did not arrive whole")
    if empty:
        parts.append(f"nothing at {counted(empty, 'number')}")
    if silent:
        parts.append(f"no answer for {counted(silent, 'number')}")
    if (left := asked.wanted.count - len(came)) > 0:
        parts.append(f"{counted(left, 'number')} not requested")
    return f"{'; '.join(parts)}. It took {duration(job.took_ns)}."


def _sizes(came: Sequence[Came], width: int | None, signs: Signs) -> list[str]:
    """Return a picture of what the unit must have room for; no message says where it lies."""
    regions: dict[int, tuple[Region, ...]] = {}
    at = 0
    for each in came:
        if each.words:
            regions[each.number] = (Region(at, each.words),)
            at += each.words
    if len(regions) < 2:
        return []
    titles = {each.number: named(each.number, each.name) for each in came}
    said = "Their sizes, one behind the other (no message says where in the memory they lie):"
    return [said, *picture(laid_out(regions, titles, at), width=width, signs=signs)]


def document(came: Sequence[Came], job: ReadOut, *, stopped: bool) -> Document:
    """Return the result for programs."""
    asked = job.asked
    why_not = shortcomings(came, job, stopped=stopped)
    is_listed = asked.is_backup and any(each.file for each in came)
    return {
        "schema": SCHEMA,
        "target": target_document(asked.target),
        "device_id": asked.device_id,
        "asked_for": asked.given,
        "output": asked.output,
        "samples": [_came_document(each) for each in came],
        "asked_from": asked.wanted.first,
        "asked_to": max((each.number for each in came), default=None),
        "complete": not why_not,
        "why_not": why_not,
        "list": list_in(asked.output) if is_listed else None,
        **fields_of(job, "still_answers", "tells_names", "took_ns", "failed"),
        "findings": job.rig_findings(),
        "stopped": stopped,
    }


def _came_document(came: Came) -> Document:
    return {
        "asked_for": came.number,
        **fields_of(came, "result", "reason", "words", "took_ns", "findings"),
        "file": came.file or None,
        "name": came.name or None,
        "more_loops": came.loops,
        "not_told": came.untold,
        **({"header": None} if came.header is None else header_document(came.header)),
        "packets": {"planned": came.planned, "came": came.packets},
    }
