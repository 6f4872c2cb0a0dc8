"""What `dryload explain` says."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from dryload.emulator.wire.constants import PACKET_BYTES
from dryload.emulator.wire.prose import capitalised, counted, spelled
from dryload.harness.files.opening import quoted
from dryload.harness.judge.finding import Finding
from dryload.harness.report.document import Document
from dryload.harness.report.table import Column, apart, table
from dryload.harness.teach.dumps import ExplainedDump, ExplainedPacket, Overview, WholePackets
from dryload.harness.teach.explained import Explained, FieldLine

SCHEMA: Final = "dryload/explain/1"
_COLUMNS: Final = (
    Column("what"),
    Column("says", folds=True),
    Column("bytes"),
    Column("at byte", right=True),
    Column("clause"),
)
_MOST_RUNS: Final = 8


def messages_text(found: Iterable[Explained], width: int | None = None) -> list[str]:
    """Return the lines for several messages."""
    return apart(_message_text(message, width) for message in found)


def packets_text(
    dump: ExplainedDump,
    place: int,
    found: Sequence[ExplainedPacket],
    missing: Sequence[Finding],
    width: int | None = None,
) -> list[str]:
    """Return the lines for every occurrence of a packet, or for one that is not there."""
    if not found:
        return [f"{dump.title}: packet {place:,} is not there.", *_finding_lines(missing)]
    several = f", {len(found)} times" if len(found) > 1 else ""
    heading = f"{dump.title}, packet {place:,}{several}"
    return apart([[heading], *(_packet_text(packet, width) for packet in found)])


def overviews_text(
    overviews: Sequence[Overview], *, dumps: int, file: str, width: int | None = None
) -> list[str]:
    """Return the lines for the dumps of a file that holds `dumps` of them."""
    return apart(
        apart(_overview_blocks(overview, dumps=dumps, file=file, width=width))
        for overview in overviews
    )


def document(source: Document, **parts: Sequence[object]) -> Document:
    """Return the whole document; `parts` are lists of dumps, packets or messages."""
    return {"schema": SCHEMA, "source": source, **parts}


def _overview_blocks(
    overview: Overview, *, dumps: int, file: str, width: int | None
) -> Iterator[list[str]]:
    if overview.header is None:
        title = "Before the first header" if dumps else "No header"
    else:
        title = f"Dump {overview.dump} of {dumps}" if dumps > 1 else "Dump"
    yield [f"{title}: {counted(overview.size, 'byte')} from byte {overview.byte:,}"]
    if overview.header is not None:
        yield _message_text(overview.header, width)
    yield _runs_text(overview)
    for packet in overview.packets:
        yield _packet_text(packet, width)
    if overview.more_packets:
        yield [f"{counted(overview.more_packets, 'more packet')} with something wrong."]
    for message in overview.messages:
        yield _message_text(message, width)
    if overview.more_messages:
        yield [f"{counted(overview.more_messages, 'more message')} besides the packets."]
    if overview.realtime_bytes:
        yield [f"{counted(overview.realtime_bytes, 'real-time byte')} in between (FRM-03)."]
    if overview.unread_bytes:
        yield [f"{counted(overview.unread_bytes, 'byte')} without header or packet (FRM-07)."]
    if overview.findings_in_all:
        again = f"dryload validate {quoted(file)}"
        findings = [line.removeprefix("  ") for line in _finding_lines(overview.findings)]
        yield [*findings, f"{counted(overview.findings_in_all, 'finding')} in all: {again}"]


def _message_text(explained: Explained, width: int | None) -> list[str]:
    """Return the lines for one message: a heading, a table, and what is wrong with it."""
    size = counted(explained.size, "byte")
    rows = [_row(line) for line in explained.lines]
    return [
        f"{capitalised(explained.title)}, {size} from byte {explained.byte:,}",
        *(f"  {line}" for line in table(_COLUMNS, rows, width and width - 2)),
        *(f"  Wrong: {problem}." for problem in explained.problems),
    ]


def _row(line: FieldLine) -> tuple[str, str, str, str, str]:
    value = f"{line.value}: {line.problem}" if line.problem else line.value
    raw = spelled(bytes.fromhex(line.bytes))
    return line.field, value, raw, f"{line.byte:,}", line.clause


def _packet_text(packet: ExplainedPacket, width: int | None) -> list[str]:
    """Return the lines for one packet of a file, the judge's findings below."""
    heading, *lines = _message_text(packet, width)
    heading = f"Packet {packet.packet:,}: {heading[0].lower()}{heading[1:]}"
    return [heading, *lines, *_finding_lines(packet.findings)]


def _runs_text(overview: Overview) -> list[str]:
    whole = sum(run.count for run in overview.runs)
    broken = len(overview.packets) + overview.more_packets
    if not whole and not broken:
        return ["No packets."]
    wrong = f", {counted(broken, 'packet')} with something wrong" if broken else ""
    lines = [f"{counted(whole, 'packet')} in order and whole{wrong}:"]
    lines += [f"  {_run(run)}" for run in overview.runs[:_MOST_RUNS]]
    if more := overview.runs[_MOST_RUNS:]:
        packets = counted(sum(run.count for run in more), "more packet")
        stretches = "1 more stretch" if len(more) == 1 else f"{len(more):,} more stretches"
        lines.append(f"  and {packets} in {stretches}")
    return [*lines, "  --packet N shows one of them."]


def _run(run: WholePackets) -> str:
    if run.count == 1:
        return f"packet {run.packet:,}, number {run.packet % 128}, from byte {run.byte:,}"
    last = run.packet + run.count - 1
    return (
        f"packets {run.packet:,} to {last:,}, numbers {run.packet % 128} to {last % 128}, "
        f"from byte {run.byte:,}, {PACKET_BYTES} bytes each"
    )


def _finding_lines(findings: Iterable[Finding]) -> Iterator[str]:
    for finding in findings:
        yield f"  {finding.verdict}: {finding.message} ({finding.clause})"
        if finding.expected or finding.found:
            yield f"    expected {finding.expected}, found {finding.found}"
