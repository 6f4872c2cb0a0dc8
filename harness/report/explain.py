"""What `dryload explain` says."""

from collections.abc import Iterable, Sequence
from typing import Final

from emulator.wire.constants import PACKET_BYTES
from emulator.wire.prose import capitalised, counted, spelled
from harness.files.opening import shown
from harness.judge.finding import Finding
from harness.report.document import Document
from harness.report.table import Column, apart, table
from harness.teach.line import Explained, Line
from harness.teach.walk import Dump, Overview, Packet, Run

SCHEMA: Final = "dryload/explain/1"
_COLUMNS: Final = (
    Column("what"),
    Column("says", folds=True),
    Column("bytes"),
    Column("at byte", right=True),
    Column("clause"),
)
_MOST_RUNS: Final = 8


def message_text(explained: Explained, width: int | None = None) -> list[str]:
    """Return the lines for one message: a heading, a table, and what is wrong with it."""
    heading = (
        f"{capitalised(explained.title)}, "
        f"{counted(explained.size, 'byte')} from byte {explained.offset:,}"
    )
    rows = [_row(line) for line in explained.lines]
    return [
        heading,
        *(f"  {line}" for line in table(_COLUMNS, rows, width and width - 2)),
        *(f"  Wrong: {problem}." for problem in explained.problems),
    ]


def messages_text(found: Sequence[Explained], width: int | None = None) -> list[str]:
    """Return the lines for several messages."""
    return apart(message_text(message, width) for message in found)


def packets_text(
    dump: Dump,
    place: int,
    found: Sequence[Packet],
    missing: Sequence[Finding],
    width: int | None = None,
) -> list[str]:
    """Return the lines for everything that is one packet, or for one that is not there."""
    if not found:
        return [f"{dump.title}: packet {place:,} is not there.", *_finding_lines(missing)]
    several = f", {len(found)} times" if len(found) > 1 else ""
    heading = f"{dump.title}, packet {place:,}{several}"
    return apart([[heading], *(_packet_text(packet, width) for packet in found)])


def overviews_text(
    pairs: Sequence[tuple[Dump, Overview]], *, dumps: int, file: str, width: int | None = None
) -> list[str]:
    """Return the lines for the dumps of a file that holds `dumps` of them."""
    return apart(
        _overview_text(dump, seen, dumps=dumps, file=file, width=width) for dump, seen in pairs
    )


def _packet_text(packet: Packet, width: int | None) -> list[str]:
    """Return the lines for one packet of a file, the judge's findings below."""
    number, lines = packet.packet, message_text(packet.explained, width)
    lines[0] = f"Packet {number:,}: {lines[0][0].lower()}{lines[0][1:]}"
    return [*lines, *_finding_lines(packet.findings)]


def _overview_text(
    dump: Dump, overview: Overview, *, dumps: int, file: str, width: int | None
) -> list[str]:
    section = dump.section
    if section.opening is None:
        title = "Before the first header" if dumps else "No header"
    else:
        title = f"Dump {dump.number} of {dumps}" if dumps > 1 else "Dump"
    lines = [f"{title}: {counted(section.size, 'byte')} from byte {section.offset:,}"]
    if overview.header is not None:
        lines += ["", *message_text(overview.header, width)]
    lines += ["", *_packets_text(overview)]
    for packet in overview.broken:
        lines += ["", *_packet_text(packet, width)]
    if overview.more_broken:
        lines += ["", f"{counted(overview.more_broken, 'more packet')} with something wrong."]
    for message in overview.messages:
        lines += ["", *message_text(message, width)]
    if overview.more_messages:
        lines += ["", f"{counted(overview.more_messages, 'more message')} beside the packets."]
    lines += _remainder_text(overview)
    if overview.findings:
        lines += ["", *(line[2:] for line in _finding_lines(overview.others))]
        lines += [
            f"{counted(overview.findings, 'finding')} in all: dryload validate {_quoted(file)}",
        ]
    return lines


def message_document(explained: Explained) -> Document:
    """Return one message for programs."""
    return {
        "title": explained.title,
        "byte": explained.offset,
        "size": explained.size,
        "lines": [_line_document(line) for line in explained.lines],
        "problems": explained.problems,
    }


def packet_document(packet: Packet) -> Document:
    """Return one packet of a file for programs."""
    return {
        "packet": packet.packet,
        **message_document(packet.explained),
        "findings": packet.findings,
    }


def packet_documents(
    found: Sequence[Packet], missing: Sequence[Finding], place: int
) -> list[Document]:
    """Return everything that is one packet for programs, or one that is not there."""
    if found:
        return [packet_document(packet) for packet in found]
    return [{"packet": place, "missing": True, "findings": missing}]


def overview_document(dump: Dump, overview: Overview) -> Document:
    """Return one dump of a file for programs."""
    return {
        "dump": dump.number,
        "byte": dump.section.offset,
        "size": dump.section.size,
        "header": None if overview.header is None else message_document(overview.header),
        "runs": [
            {"packet": run.packet, "count": run.count, "byte": run.offset} for run in overview.runs
        ],
        "packets": [packet_document(packet) for packet in overview.broken],
        "more_packets": overview.more_broken,
        "messages": [message_document(message) for message in overview.messages],
        "more_messages": overview.more_messages,
        "realtime_bytes": overview.realtime,
        "unread_bytes": overview.unread,
        "findings": overview.others,
        "findings_in_all": overview.findings,
    }


def document(source: Document, **parts: Sequence[Document]) -> Document:
    """Return the whole document; `parts` are lists of dumps, packets or messages."""
    return {"schema": SCHEMA, "source": source, **parts}


def _row(line: Line) -> tuple[str, str, str, str, str]:
    value = f"{line.value}: {line.problem}" if line.problem else line.value
    return line.field, value, spelled(line.raw), f"{line.offset:,}", line.clause


def _line_document(line: Line) -> Document:
    return {
        "byte": line.offset,
        "bytes": line.raw.hex(" ").upper(),
        "field": line.field,
        "value": line.value,
        "meaning": line.meaning,
        "clause": line.clause,
        "problem": line.problem or None,
    }


def _packets_text(overview: Overview) -> list[str]:
    whole = sum(run.count for run in overview.runs)
    broken = len(overview.broken) + overview.more_broken
    if not whole and not broken:
        return ["No packets."]
    lines = [f"{counted(whole, 'packet')} in order and whole{_broken(broken)}:"]
    lines += [f"  {_run(run)}" for run in overview.runs[:_MOST_RUNS]]
    return lines + _more_runs(overview.runs) + ["  --packet N shows one of them."]


def _broken(broken: int) -> str:
    return f", {counted(broken, 'packet')} with something wrong" if broken else ""


def _run(run: Run) -> str:
    if run.count == 1:
        return f"packet {run.packet:,}, number {run.packet % 128}, from byte {run.offset:,}"
    last = run.packet + run.count - 1
    return (
        f"packets {run.packet:,} to {last:,}, numbers {run.packet % 128} to {last % 128}, "
        f"from byte {run.offset:,}, {PACKET_BYTES} bytes each"
    )


def _more_runs(runs: Sequence[Run]) -> list[str]:
    more = runs[_MOST_RUNS:]
    if not more:
        return []
    packets = sum(run.count for run in more)
    stretches = "1 more stretch" if len(more) == 1 else f"{len(more):,} more stretches"
    return [f"  and {counted(packets, 'more packet')} in {stretches}"]


def _remainder_text(overview: Overview) -> list[str]:
    lines = []
    if overview.realtime:
        lines += ["", f"{counted(overview.realtime, 'real-time byte')} in between (FRM-03)."]
    if overview.unread:
        lines += ["", f"{counted(overview.unread, 'byte')} without header or packet (FRM-07)."]
    return lines


def _finding_lines(findings: Iterable[Finding]) -> list[str]:
    lines = []
    for finding in findings:
        lines.append(f"  {finding.verdict}: {finding.message} ({finding.clause})")
        if finding.expected or finding.found:
            lines.append(f"    expected {finding.expected}, found {finding.found}")
    return lines


def _quoted(file: str) -> str:
    name = shown(file)
    return f"'{name}'" if " " in name else name
