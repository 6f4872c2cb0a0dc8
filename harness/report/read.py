"""What `dryload read` says."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from emulator.ports.port import PortError
from emulator.wire.constants import MAX_SAMPLE_NUMBER
from emulator.wire.messages import ExtendedHeader, Header
from harness.files.opening import shown
from harness.jobs.reading_out import SILENT, Came, Result, Wanted
from harness.judge.finding import Finding
from harness.judge.plan import rate_of
from harness.report.findings import finding_document, finding_lines
from harness.report.quantities import count, duration, rate, sides
from harness.report.table import Column, table

SCHEMA: Final = "dryload/read/1"
_NS: Final = 1_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What was to be done."""

    target: str
    kind: str
    device_id: int
    wanted: Wanted
    given: str
    """The words behind --sample."""
    output: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How it ended."""

    took_ns: int
    stopped: bool
    failed: PortError | None
    tells_names: bool | None
    findings: tuple[Finding, ...]
    """What our own side did wrong."""


def is_well(asked: Asked, came: Sequence[Came]) -> bool:
    """Return whether what was asked for came whole, and whether anything did."""
    results = [each.result for each in came]
    if asked.wanted.is_single:
        return results == [Result.READ]
    return Result.READ in results and set(results) <= {Result.READ, Result.NOTHING}


def lines_of(came: Came, asked: Asked) -> list[str]:
    """Return what is said of one sample when it has come, or has not: nothing where all is well."""
    if asked.wanted.is_single:
        lines = [_sentence(came, asked)]
        if came.result is not Result.NOTHING:
            lines += [f"  {line}" for line in _amounts(came)]
    elif came.result is Result.NOTHING or not (came.reason or came.findings):
        return []
    else:
        lines = [_sentence(came, asked)]
    file = came.file or asked.target
    for finding in came.findings:
        options = None if came.file else ""
        lines += [f"  {line}" for line in finding_lines(finding, file, options=options)]
    return lines


def _sentence(came: Came, asked: Asked) -> str:
    name = f' "{shown(came.name)}"' if came.name else ""
    sample = f"Sample {came.number}{name}"
    match came.result:
        case Result.READ | Result.BROKEN:
            but = ", but it is broken" if came.result is Result.BROKEN else ""
            also = f"; {came.reason}" if came.reason else ""
            return f"{sample} came whole and is in {shown(came.file)}{but}{also}."
        case Result.NOTHING:
            return f"{sample} did not come from {shown(asked.target)}: {came.reason}."
        case _:
            return f"{sample} did not come whole, so nothing was written: {came.reason}."


def _amounts(came: Came) -> list[str]:
    header = came.header
    if header is None:
        return []
    words = header.length * max(header.channels, 1)
    loops = f", {count(came.loops, 'more loop')}" if came.loops else ""
    return [
        f"{count(words, 'word')} of {header.bits} bits, {sides(max(header.channels, 1))}, "
        f"{_rate(header)}, {_sound(header)} of sound, {_packets(came)}{loops}; it took "
        f"{duration(came.took_ns)}."
    ]


def _packets(came: Came) -> str:
    if came.planned is None or came.planned == came.packets:
        return count(came.packets, "packet")
    return f"{came.packets:,} of {count(came.planned, 'packet')}"


def _rate(header: Header) -> str:
    stated = rate_of(header)
    return "no rate" if stated is None else rate(stated)


def _sound(header: Header) -> str:
    stated = rate_of(header)
    return "-" if stated is None else duration(round(header.length * _NS / stated))


def summary(came: Sequence[Came], asked: Asked, ended: Ended, *, width: int | None) -> list[str]:
    """Return the table of several samples, what all of it came to, and what to do if to nothing."""
    lines = []
    wanted = asked.wanted
    if not wanted.is_single and came:
        lines += [*table(_COLUMNS, _rows(came), width), "", _total(came, asked, ended)]
    if ended.tells_names is False:
        lines.append("The unit tells no names.")
    if wanted.is_all and len(came) >= SILENT and _are_nothing(came[-SILENT:]):
        last = came[-1].number
        lines.append(
            f"After {SILENT} numbers in a row with nothing, {last - SILENT + 1} to {last}, no more "
            f"were asked for; {_further(last + 1)} does that."
        )
    if came and _are_nothing(came):
        lines += _nothing_at_all(asked)
    for finding in ended.findings:
        lines += finding_lines(finding, asked.target, options="")
    return lines


def _further(first: int) -> str:
    last = min(first + 99, MAX_SAMPLE_NUMBER)
    return f"--sample {first}-{last}"


def _are_nothing(came: Sequence[Came]) -> bool:
    return all(each.result is Result.NOTHING for each in came)


def _nothing_at_all(asked: Asked) -> list[str]:
    what = f"no sample {asked.wanted.first}" if asked.wanted.is_single else "none of them"
    return [
        f"The unit may have {what}, listen to another device ID than {asked.device_id} "
        "(--device-id 127 calls all), know no requests for samples, or not be reached at all.",
        "See whether it is switched on and connected both ways, and what its panel shows.",
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
    empty: list[Came] = []
    for each in came:
        if each.result is Result.NOTHING:
            empty.append(each)
            continue
        rows += _empty_row(empty)
        empty = []
        rows.append(_row(each))
    return rows + _empty_row(empty)


def _empty_row(empty: Sequence[Came]) -> list[tuple[str, ...]]:
    if not empty:
        return []
    first, last = empty[0].number, empty[-1].number
    numbers = str(first) if first == last else f"{first}-{last}"
    took = duration(sum(each.took_ns for each in empty))
    return [(numbers, "", "", "", "", "", took, str(Result.NOTHING), "")]


def _row(came: Came) -> tuple[str, ...]:
    header = came.header
    took = duration(came.took_ns)
    if header is None:
        return (str(came.number), "", "", "", "", "", took, str(came.result), "")
    return (
        str(came.number),
        shown(came.name) if came.name else "",
        f"{header.length * max(header.channels, 1):,}",
        str(header.bits),
        _sound(header),
        _packets(came).split(" packet")[0],
        took,
        str(came.result),
        shown(came.file) if came.file else "",
    )


def _total(came: Sequence[Came], asked: Asked, ended: Ended) -> str:
    written = sum(bool(each.file) for each in came)
    empty = sum(each.result is Result.NOTHING for each in came)
    torn = len(came) - written - empty
    parts = [f"{count(written, 'sample')} read from {shown(asked.target)}"]
    if written:
        parts[0] += f" into {shown(asked.output)}"
    if torn:
        parts.append(f"{torn:,} did not come whole")
    if empty:
        parts.append(f"nothing at {count(empty, 'number')}")
    asked_for = asked.wanted.count
    if asked_for is not None and (left := asked_for - len(came)):
        parts.append(f"{count(left, 'number')} not asked for")
    return f"{'; '.join(parts)}. It took {duration(ended.took_ns)}."


def document(came: Sequence[Came], asked: Asked, ended: Ended) -> dict[str, Any]:
    """Return the result for programs."""
    return {
        "schema": SCHEMA,
        "target": {
            "kind": asked.kind,
            "name": asked.target.partition(":")[2],
            "given": asked.target,
        },
        "device_id": asked.device_id,
        "asked_for": asked.given,
        "output": asked.output,
        "samples": [_came_document(each) for each in came],
        "tells_names": ended.tells_names,
        "findings": [finding_document(finding) for finding in ended.findings],
        "took_ns": ended.took_ns,
        "stopped": ended.stopped,
        "failed": None
        if ended.failed is None
        else {"what": ended.failed.what, "do": ended.failed.do},
    }


def _came_document(came: Came) -> dict[str, Any]:
    return {
        "asked_for": came.number,
        "result": str(came.result),
        "reason": came.reason,
        "file": came.file or None,
        "name": came.name or None,
        "more_loops": came.loops,
        **({"header": None} if came.header is None else _header_document(came.header)),
        "words": came.words,
        "packets": {"planned": came.planned, "came": came.packets},
        "took_ns": came.took_ns,
        "findings": [finding_document(finding) for finding in came.findings],
    }


def _header_document(header: Header) -> dict[str, Any]:
    stated = rate_of(header)
    return {
        "header": "extended" if isinstance(header, ExtendedHeader) else "standard",
        "sample_number": header.sample_number,
        "device_id": header.device_id,
        "bits": header.bits,
        "channels": header.channels,
        "rate_hz": None if stated is None else float(stated),
        "frames": header.length,
        "seconds": None if stated is None else float(header.length / stated),
    }
