"""What `dryload validate` says.

Theory of operation.  A file may hold a hundred thousand dumps, so nothing here keeps them: what is
to be shown is written down as each verdict comes in, up to a limit for people, on disk for
programs.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from tempfile import SpooledTemporaryFile
from typing import IO, Any, Final

from emulator.wire.constants import EXTENDED_LOOP_TYPES, LOOP_TYPES
from emulator.wire.messages import DumpHeader, ExtendedHeader
from emulator.wire.prose import counted, duration, sides
from harness.files.dumpfile import DumpFile, Form
from harness.files.opening import shown
from harness.files.rates import hertz
from harness.judge.finding import Finding, Verdict
from harness.judge.headers import NO_LOOP_TYPES
from harness.judge.plain import lasting
from harness.judge.plan import rate_of
from harness.judge.verdict import DumpVerdict
from harness.report.findings import finding_document, finding_lines

SCHEMA: Final = "dryload/validate/1"
MOST_DUMPS: Final = 100
"""Dumps that are shown to people; faulty ones beyond it are shown as many again."""
MOST_FINDINGS: Final = 12
"""Findings of a dump that are shown to people."""
MOST_ALIKE: Final = 3
"""Of these, findings of one clause."""

_NS: Final = 1_000_000_000
_SHORT_S: Final = 0.1
_IN_MEMORY: Final = 1 << 22  # bytes of JSON
_GRAVITY: Final = {Verdict.BROKEN: 0, Verdict.RIG: 1, Verdict.BENT: 2, Verdict.NOTED: 3}


class Account:
    """Everything that is said of one file; verdicts go in one by one, in the file's order.

    `for_programs` says whether `documents` is wanted at the end, or `text`.
    """

    def __init__(self, file: DumpFile, *, for_programs: bool) -> None:
        self._file = file
        self._for_programs = for_programs
        self._dumps = 0
        self._headers = 0
        self._faulty = {Verdict.BROKEN: 0, Verdict.BENT: 0}
        self._findings = 0
        self._worst: Verdict | None = None
        self._blocks: list[list[str]] = []
        self._hidden = 0
        self._hidden_faulty = 0
        self._dump_documents = _scratch()
        self._finding_documents = _scratch()

    def add(self, verdict: DumpVerdict) -> None:
        """Take in what the judge says of one dump, or of what precedes the first."""
        if verdict.is_dump:
            self._dumps += 1
        elif not verdict.findings:
            return
        self._headers += verdict.has_header
        number = self._headers if verdict.has_header else None
        worst = verdict.worst
        if worst in self._faulty:
            self._faulty[worst] += verdict.is_dump
            if self._worst is not Verdict.BROKEN:
                self._worst = worst
        if self._for_programs:
            self._write_down(verdict, number)
        else:
            self._show(verdict, number, is_faulty=worst in self._faulty)
        self._findings += len(verdict.findings)

    @property
    def dumps(self) -> int:
        """How many dumps there are."""
        return self._dumps

    @property
    def broken(self) -> int:
        """How many of them are broken."""
        return self._faulty[Verdict.BROKEN]

    @property
    def is_broken(self) -> bool:
        """Whether a must of the standard is violated anywhere in the file."""
        return self._worst is Verdict.BROKEN

    @property
    def is_empty(self) -> bool:
        """Whether nothing was there to be judged."""
        return not self._dumps and not self._findings

    # For people.

    def text(self) -> Iterator[str]:
        """Yield the text for people, line by line: the verdict in one line first."""
        for line in self._lines():
            yield f"{line}\n"

    def _lines(self) -> Iterator[str]:
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

    def _verdict(self) -> str:
        dumps = counted(self._dumps, "dump") if self._dumps else "no whole dump"
        broken, bent = self._faulty[Verdict.BROKEN], self._faulty[Verdict.BENT]
        alone = self._dumps == 1
        if broken:
            return f"{dumps}, broken." if alone else f"{dumps}, {broken:,} of them broken."
        if self.is_broken:
            return f"{dumps}, and something broken outside."
        if bent:
            return f"{dumps}, usable but bent." if alone else f"{dumps}, usable, {bent:,} bent."
        right = _ALL_RIGHT.get(self._dumps, "all right")
        if self._worst is Verdict.BENT:
            return f"{dumps}, {right}; something is bent outside."
        return f"{dumps}, {right}."

    def _show(self, verdict: DumpVerdict, number: int | None, *, is_faulty: bool) -> None:
        limit = 2 * MOST_DUMPS if is_faulty else MOST_DUMPS
        if len(self._blocks) >= limit:
            self._hidden += 1
            self._hidden_faulty += is_faulty
            return
        self._blocks.append(
            [
                *_dump_lines(verdict, number),
                *_finding_lines(verdict.findings, self._file.name, number),
            ]
        )

    # For programs.

    def documents(self) -> Iterator[str]:
        """Yield the file's part of the JSON document, in pieces of text."""
        head = {
            "file": self._file.name,
            "form": self._file.form.value,
            "bytes": len(self._file.data),
            "verdict": str(self._worst) if self._worst is not None else "right",
            "remarks": list(self._file.remarks),
        }
        yield json.dumps(head)[:-1] + ',\n "dumps": ['
        yield from _read_back(self._dump_documents)
        yield '],\n "findings": ['
        yield from _read_back(self._finding_documents)
        yield "]}\n"

    def _write_down(self, verdict: DumpVerdict, number: int | None) -> None:
        if verdict.is_dump:
            document = _dump_document(verdict, number)
            _append(self._dump_documents, document, is_first=self._dumps == 1)
        for place, finding in enumerate(verdict.findings, start=self._findings):
            document = {"dump": number, **finding_document(finding)}
            _append(self._finding_documents, document, is_first=place == 0)

    def close(self) -> None:
        """Give back what was kept on disk."""
        self._dump_documents.close()
        self._finding_documents.close()


_CONTAINERS: Final = {
    Form.MIDI_FILE: "a Standard MIDI File",
    Form.CAPTURE: "what one side sent, judged as a dump file",
}
_ALL_RIGHT: Final = {0: "nothing broken", 1: "right", 2: "both right"}


@dataclass(slots=True, kw_only=True)
class Sums:
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
        self.unfinished += unfinished
        self.files += 1
        self.broken_outside += is_broken and not broken
        self.dumps += dumps
        self.broken += broken

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


def not_judged(name: str, problem: str) -> str:
    """Return the part of the JSON document for a file that could not be judged."""
    return json.dumps({"file": name, "problem": problem, "dumps": [], "findings": []})


def _scratch() -> IO[str]:
    return SpooledTemporaryFile(_IN_MEMORY, "w+")


def _append(written: IO[str], document: dict[str, Any], *, is_first: bool) -> None:
    written.write(("\n  " if is_first else ",\n  ") + json.dumps(document))


def _read_back(written: IO[str]) -> Iterator[str]:
    written.seek(0)
    while part := written.read(1 << 16):
        yield part


def _dump_lines(verdict: DumpVerdict, number: int | None) -> list[str]:
    if not verdict.is_dump:
        return ["  Before the first dump:"]
    which = f"Dump {number}" if number else "Packets without a header"
    lines = [f"  {which}, from byte {verdict.offset:,}{_sample(verdict)}"]
    planned = "" if verdict.planned is None else f" of {verdict.planned:,}"
    of = "packet" if verdict.planned is None and verdict.found == 1 else "packets"
    lines.append(
        f"    {verdict.found:,}{planned} {of}; {duration(verdict.answered_ns)} on the line "
        "if every reply comes at once (closed loop), "
        f"{duration(verdict.silent_ns)} without replies (open loop)."
    )
    if (loop := _loop(verdict)) is not None:
        lines.append(f"    {loop}")
    if verdict.realtime:
        lines.append(
            f"    {counted(verdict.realtime, 'real-time byte')} in it, which any message may hold."
        )
    return lines


def _sample(verdict: DumpVerdict) -> str:
    header = verdict.header
    if header is None:
        return ": its header is damaged." if verdict.has_header else "."
    kind = ", extended header" if isinstance(header, ExtendedHeader) else ""
    rate = rate_of(header)
    stated = "no rate" if rate is None else hertz(rate)
    seconds = verdict.seconds
    sound = "" if seconds is None else f", {_sounding(seconds)} of sound"
    words = counted(header.length * max(header.channels, 1), "word")
    return (
        f": sample {header.sample_number}, {header.bits} bits, {sides(header.channels)}, {stated}, "
        f"{words}{sound}{kind}."
    )


def _sounding(seconds: float) -> str:
    """Return how long a sound is; the very short ones in milliseconds."""
    return lasting(seconds) if seconds < _SHORT_S else duration(round(seconds * _NS))


def _loop(verdict: DumpVerdict) -> str | None:
    header = verdict.header
    if header is None or header.loop_type in NO_LOOP_TYPES:
        return None
    types = LOOP_TYPES if isinstance(header, DumpHeader) else EXTENDED_LOOP_TYPES
    kind = types.get(header.loop_type, f"of the unknown type {header.loop_type:02X}")
    return f"Loop from word {header.loop_start:,} to {header.loop_end:,}, {kind}."


def _options(finding: Finding, number: int | None) -> str:
    """Return the options with which `dryload explain` shows the place of a finding."""
    if finding.at.packet is not None and number is not None:
        return f"--packet {finding.at.packet}" + (f" --dump {number}" if number > 1 else "")
    return "" if finding.at.byte is None else f"--from {finding.at.byte}"


def _finding_lines(findings: tuple[Finding, ...], file: str, number: int | None) -> Iterator[str]:
    """Yield the gravest findings, few of each clause, and how many more there are."""
    left = MOST_FINDINGS
    more = 0
    ranked = sorted(findings, key=lambda finding: (_GRAVITY[finding.verdict], finding.clause))
    for _, group in groupby(ranked, key=lambda finding: (finding.verdict, finding.clause)):
        alike = list(group)
        told = alike[: min(MOST_ALIKE, left)]
        left -= len(told)
        for finding in told:
            lines = finding_lines(finding, file, options=_options(finding, number))
            yield from (f"    {line}" for line in lines)
        if hidden := alike[len(told) :]:
            more += len(hidden)
            if told:
                yield f"    ... and {len(hidden):,} more of {told[0].clause}."
    if more and not left:
        yield f"    In all {counted(len(findings), 'finding')}: --json lists them."


def _dump_document(verdict: DumpVerdict, number: int | None) -> dict[str, Any]:
    header = verdict.header
    worst = verdict.worst
    return {
        "dump": number,
        "at": {"byte": verdict.offset},
        "bytes": verdict.size,
        "verdict": str(worst) if worst in (Verdict.BROKEN, Verdict.BENT) else "right",
        "header": _header_kind(verdict),
        **({} if header is None else _header_document(verdict)),
        "packets": {
            "planned": verdict.planned,
            "found": verdict.found,
            "whole": verdict.packets,
        },
        "realtime_bytes": verdict.realtime,
        "time": {
            "line_ns": verdict.line_ns,
            "closed_loop_ns": verdict.answered_ns,
            "open_loop_ns": verdict.silent_ns,
        },
        "findings": len(verdict.findings),
    }


def _header_kind(verdict: DumpVerdict) -> str:
    if verdict.header is None:
        return "damaged" if verdict.has_header else "missing"
    return "extended" if isinstance(verdict.header, ExtendedHeader) else "standard"


def _header_document(verdict: DumpVerdict) -> dict[str, Any]:
    header = verdict.header
    if header is None:
        return {}
    rate = rate_of(header)
    return {
        "sample_number": header.sample_number,
        "device_id": header.device_id,
        "bits": header.bits,
        "channels": header.channels,
        "rate_hz": None if rate is None else float(rate),
        "period_ns": header.period_ns if isinstance(header, DumpHeader) else None,
        "frames": header.length,
        "words": header.length * max(header.channels, 1),
        "seconds": verdict.seconds,
        "loop": None
        if header.loop_type in NO_LOOP_TYPES
        else {
            "start": header.loop_start,
            "end": header.loop_end,
            "type": f"{header.loop_type:02X}",
        },
    }
