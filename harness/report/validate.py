"""What `dryload validate` says about dump files.

Theory of operation.  A file may hold a hundred thousand dumps, so none is kept: each verdict is
formatted as it arrives, up to a limit for people, and on disk for programs.
"""

from collections.abc import Iterator
from tempfile import SpooledTemporaryFile
from typing import Final, NamedTuple

from msgspec import Struct

from dryload.emulator.wire.constants import BYTE_NS, HEADER_LIMIT_NS, PACKET_LIMIT_NS
from dryload.emulator.wire.layout import FIXED
from dryload.emulator.wire.messages import Handshake
from dryload.emulator.wire.prose import counted, duration
from dryload.harness.files.dumpfile import DumpFile, Form
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import NoDump
from dryload.harness.files.sections import Section
from dryload.harness.judge.finding import Finding, Verdict
from dryload.harness.judge.stream import DumpVerdict
from dryload.harness.report.document import Document, fields_of, written, written_as_line
from dryload.harness.report.findings import gravest_lines
from dryload.harness.report.samples import header_document, header_words, loop_words

SCHEMA: Final = "dryload/validate/1"
MOST_DUMPS: Final = 100
"""Dumps that are shown to people; faulty ones beyond it are shown as many again."""
_LINES: Final = 64  # documents that are written at a time

_CONTAINERS: Final = {
    Form.MIDI_FILE: "a Standard MIDI File",
    Form.CAPTURE: "what one side sent, judged as a dump file",
}
_ALL_RIGHT: Final = {0: "nothing broken", 1: "right", 2: "both right"}


def nothing_to_judge(name: str) -> NoDump:
    """Return the Problem of a file with messages of the standard, none of which is of a dump."""
    return NoDump(
        f"{shown(name)} contains messages of the standard, but no dump: no header, no packet.",
        is_other=False,
    )


class FileReport:
    """The report on one file; verdicts are added one at a time, in the order of the file.

    `for_programs` says whether `documents` or `text` is read at the end.
    """

    def __init__(self, file: DumpFile, *, for_programs: bool) -> None:
        self.dumps = 0
        self.broken = 0
        """Dumps that are."""
        self._file = file
        self._for_programs = for_programs
        self._headers = 0
        self._bent = 0
        self._findings = 0
        self._worst: Verdict | None = None
        self._blocks: list[list[str]] = []
        self._hidden = 0
        self._hidden_faulty = 0
        self._dump_documents = _Spool()
        self._finding_documents = _Spool()

    def add(self, verdict: DumpVerdict) -> None:
        """Add the verdict on one dump, or on what precedes the first."""
        section = verdict.contents.section
        if not (section.is_dump or verdict.findings):
            return
        has_header, is_dump = section.opening is not None, section.is_dump
        self.dumps += is_dump
        self._headers += has_header
        worst = None
        if verdict.findings:
            found = verdict.worst
            worst = found if found in (Verdict.BROKEN, Verdict.BENT) else None
            self.broken += is_dump and worst is Verdict.BROKEN
            self._bent += is_dump and worst is Verdict.BENT
            self._findings += len(verdict.findings)
        if worst is not None and not self.is_broken:
            self._worst = worst
        number = self._headers if has_header else None
        if self._for_programs:
            self._write_down(verdict, number, worst)
        else:
            self._show(verdict, number, is_faulty=worst is not None)

    @property
    def is_broken(self) -> bool:
        """Whether a must of the standard is violated anywhere in the file."""
        return self._worst is Verdict.BROKEN

    @property
    def is_empty(self) -> bool:
        """Whether nothing was there to be judged."""
        return not self.dumps and not self._findings

    def text(self) -> Iterator[str]:
        """Yield the lines for people: the verdict in one line first."""
        yield f"{shown(self._file.name)}: {self._verdict()}"
        if (what := _CONTAINERS.get(self._file.form)) is not None:
            yield f"  ({what}: bytes are counted in its messages, not in the file)"
        for block in self._blocks:
            yield ""
            yield from block
        if self._hidden:
            faulty = f", {self._hidden_faulty:,} of them not right" if self._hidden_faulty else ""
            yield ""
            yield f"  And {counted(self._hidden, 'more dump')}{faulty}: --json lists them all."

    def documents(self) -> Iterator[str]:
        """Yield the file's part of the JSON document, in pieces of text."""
        head = {
            "file": self._file.name,
            "form": self._file.form,
            "bytes": len(self._file.data),
            "verdict": self._worst or "right",
            "remarks": self._file.remarks,
        }
        yield written(head, indent=None)[:-1] + ',\n "dumps": ['
        yield from self._dump_documents.parts()
        yield '],\n "findings": ['
        yield from self._finding_documents.parts()
        yield "]}\n"

    def close(self) -> None:
        """Delete the temporary files."""
        self._dump_documents.close()
        self._finding_documents.close()

    def _verdict(self) -> str:
        dumps = counted(self.dumps, "dump") if self.dumps else "no whole dump"
        alone = self.dumps == 1
        if self.broken:
            return f"{dumps}, broken." if alone else f"{dumps}, {self.broken:,} of them broken."
        if self.is_broken:
            return f"{dumps}, and something broken outside."
        if self._bent:
            return (
                f"{dumps}, usable but bent." if alone else f"{dumps}, usable, {self._bent:,} bent."
            )
        right = _ALL_RIGHT.get(self.dumps, "all right")
        outside = "; something is bent outside" if self._worst is Verdict.BENT else ""
        return f"{dumps}, {right}{outside}."

    def _show(self, verdict: DumpVerdict, number: int | None, *, is_faulty: bool) -> None:
        limit = 2 * MOST_DUMPS if is_faulty else MOST_DUMPS
        if len(self._blocks) >= limit:
            self._hidden += 1
            self._hidden_faulty += is_faulty
            return
        found = gravest_lines(
            verdict.findings, self._file.name, options=lambda each: _options(each, number)
        )
        self._blocks.append([*_dump_lines(verdict, number), *(f"    {line}" for line in found)])

    def _write_down(self, verdict: DumpVerdict, number: int | None, worst: Verdict | None) -> None:
        if verdict.contents.section.is_dump:
            self._dump_documents.add(_dump_document(verdict, number, worst))
        for finding in verdict.findings:
            self._finding_documents.add(finding_document(finding, number))


class _Spool:
    """The documents of a list as they come, on disk beyond a few megabytes."""

    def __init__(self) -> None:
        self._file: Final = SpooledTemporaryFile(1 << 22, "w+")  # noqa: SIM115
        self._lines: list[str] = []
        self._before = "\n  "

    def add(self, document: Document) -> None:
        self._lines.append(self._before + written_as_line(document))
        self._before = ",\n  "
        if len(self._lines) == _LINES:
            self._write()

    def _write(self) -> None:
        self._file.write("".join(self._lines))
        self._lines.clear()

    def parts(self) -> Iterator[str]:
        self._write()
        self._file.seek(0)
        while part := self._file.read(1 << 16):
            yield part

    def close(self) -> None:
        self._file.close()


class Sums(Struct, kw_only=True):
    """What several files came to, taken together."""

    files: int = 0
    """Those that were judged."""
    dumps: int = 0
    broken: int = 0
    """Dumps that are."""
    broken_outside: int = 0
    """Files with something broken and no broken dump."""
    unfinished: int = 0
    """Dumps that did not come to an end in their capture, and are not broken."""
    without_a_dump: int = 0
    """Files that could be read and hold none."""

    def add(self, dumps: int, broken: int, *, is_broken: bool, unfinished: int = 0) -> None:
        """Take in one file."""
        self.files += 1
        self.dumps += dumps
        self.broken += broken
        self.broken_outside += is_broken and not broken
        self.unfinished += unfinished

    @property
    def sentence(self) -> str:
        """All of it for people."""
        right = self.dumps - self.broken - self.unfinished
        how = f"{right:,} right, {self.broken:,} broken"
        if self.unfinished:
            how += f", {self.unfinished:,} without an end"
        said = f"{counted(self.files, 'file')}, {counted(self.dumps, 'dump')}: "
        said += how if self.broken or self.broken_outside or self.unfinished else "all right"
        if self.broken_outside:
            said += f", and something outside the dumps in {counted(self.broken_outside, 'file')}"
        none = self.without_a_dump
        hold = "holds" if none == 1 else "hold"
        return f"{said}. {counted(none, 'file')} {hold} no dump." if none else f"{said}."


def not_judged(name: str, problem: str) -> Document:
    """Return the part of the document for a file that could not be judged."""
    return {"file": name, "problem": problem, "dumps": [], "findings": []}


def finding_document(finding: Finding, dump: int | None) -> Document:
    """Return a finding with the number of its dump, None if it is in no dump."""
    return {"dump": dump, **fields_of(finding)}


class LineTimes(NamedTuple):
    """How long a dump takes on a five-pin cable (M1 pp. 1 and 39)."""

    line_ns: int
    """Its bytes one behind the other."""
    closed_loop_ns: int
    """If header and packets are answered at once."""
    open_loop_ns: int
    """To a unit that never answers, by the standard's pauses."""


def line_times(section: Section) -> LineTimes:
    """Return how long the messages of a dump take on the line."""
    line_ns = section.size * BYTE_NS
    has_header = section.opening is not None
    reply_ns = FIXED[Handshake].size * BYTE_NS
    pauses_ns = section.packets * PACKET_LIMIT_NS + (HEADER_LIMIT_NS if has_header else 0)
    return LineTimes(
        line_ns, line_ns + (section.packets + has_header) * reply_ns, line_ns + pauses_ns
    )


def _dump_lines(verdict: DumpVerdict, number: int | None) -> Iterator[str]:
    contents = verdict.contents
    section, plan, header = contents.section, contents.plan, contents.header
    if not section.is_dump:
        yield "  Before the first dump:"
        return
    which = f"Dump {number}" if number else "Packets without a header"
    sample = "." if section.opening is None else ": its header is damaged."
    if header is not None:
        sample = f": sample {header.sample_number}, {header_words(header)}."
    yield f"  {which}, from byte {section.offset:,}{sample}"
    planned = "" if plan is None else f" of {plan.packets:,}"
    of = "packet" if plan is None and contents.found == 1 else "packets"
    times = line_times(section)
    yield (
        f"    {contents.found:,}{planned} {of}; {duration(times.closed_loop_ns)} on the line "
        "if every reply comes at once (closed loop), "
        f"{duration(times.open_loop_ns)} without replies (open loop)."
    )
    if header is not None and (loop := loop_words(header)):
        yield f"    {loop}"
    if section.realtime:
        amount = counted(section.realtime_bytes, "real-time byte")
        yield f"    {amount} in it, which any message may hold."


def _options(finding: Finding, number: int | None) -> str:
    """Return the options with which `dryload explain` shows the place of a finding."""
    if finding.at.packet is not None and number is not None:
        return f"--packet {finding.at.packet}" + (f" --dump {number}" if number > 1 else "")
    return "" if finding.at.byte is None else f"--from {finding.at.byte}"


def _dump_document(verdict: DumpVerdict, number: int | None, worst: Verdict | None) -> Document:
    contents = verdict.contents
    section, plan, header = contents.section, contents.plan, contents.header
    missing = {"header": "missing" if section.opening is None else "damaged"}
    return {
        "dump": number,
        "at": {"byte": section.offset},
        "bytes": section.size,
        "verdict": worst or "right",
        **(missing if header is None else header_document(header)),
        "packets": {
            "planned": None if plan is None else plan.packets,
            "found": contents.found,
            "whole": section.packets,
        },
        "realtime_bytes": section.realtime_bytes,
        "time": line_times(section)._asdict(),
        "findings": len(verdict.findings),
    }
