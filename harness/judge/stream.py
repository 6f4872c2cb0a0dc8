"""The judge of a stream: the bytes of one direction, without times, dump by dump.

A dump file is such a stream.  Nothing that a stream holds raises; all of it is findings.
"""

from collections.abc import Iterable, Iterator

from msgspec import Struct

from dryload.emulator.wire.packets import DEVICE_ID
from dryload.harness.files.scan import Stream
from dryload.harness.files.sections import Section
from dryload.harness.judge.beside import judge_beside
from dryload.harness.judge.counts import judge_counts
from dryload.harness.judge.dump import DumpContents, read_streams
from dryload.harness.judge.finding import Finding, Findings, Verdict, worst_of
from dryload.harness.judge.headers import judge_header
from dryload.harness.judge.reading import judge_reading
from dryload.harness.judge.sequence import judge_headless, judge_sequence
from dryload.harness.judge.sums import judge_ids, judge_sums
from dryload.harness.judge.wrecks import judge_wrecks


class DumpVerdict(Struct, frozen=True, eq=False):
    """One dump of a stream, or what stands before the first one, and all that was found in it."""

    contents: DumpContents
    findings: tuple[Finding, ...]

    @property
    def worst(self) -> Verdict | None:
        """The gravest verdict among the findings, None if there is no finding."""
        return worst_of(self.findings)


def judge_stream(data: Stream, *, keep_words: bool = True) -> Iterator[DumpVerdict]:
    """Yield a verdict for each dump of a stream, in order, and one for what precedes the first.

    With `keep_words` each holds its words; only one dump is in memory at a time, or a few hundred
    small ones.
    """
    return (verdict for _, verdict in judge_streams([data], keep_words=keep_words))


def judge_streams(
    streams: Iterable[Stream], *, keep_words: bool
) -> Iterator[tuple[int, DumpVerdict]]:
    """Yield the same of several streams in turn, each with the place of its stream."""
    last = 0
    lengths: dict[int, int] = {}
    for at, contents in read_streams(streams, keep_words=keep_words):
        if at != last:
            last, lengths = at, {}
        if contents.header is not None:
            lengths[contents.header.sample_number] = contents.header.length
        yield at, DumpVerdict(contents, judge_dump(contents, lengths))


def judge_dump(
    contents: DumpContents, lengths: dict[int, int] | None = None
) -> tuple[Finding, ...]:
    """Return the findings on one dump; `lengths` are those of earlier samples, in words."""
    findings = Findings()
    section, plan = contents.section, contents.plan
    alignment, reading = contents.alignment, contents.reading
    owner = _owner(section)
    if section.opening is not None:
        judge_header(findings, section.opening, section.header)
    elif section.packets:
        judge_headless(findings, section)
    if not reading.is_plain:
        judge_sequence(findings, contents)
        if contents.wrecks:
            judge_wrecks(findings, contents.wrecks, alignment.wrecks, plan)
        judge_sums(findings, section, alignment, reading.failing, reading.sums)
        if owner is not None and section.packets:
            judge_ids(findings, section, alignment, owner)
        if plan is not None:
            judge_counts(findings, contents, plan)
            judge_reading(findings, section, alignment, plan, reading)
    if contents.odd or section.realtime or section.rubble.count or contents.added:
        judge_beside(findings, contents, lengths or {}, owner)
    return findings.told_by_byte()


def _owner(section: Section) -> int | None:
    """Return the device ID that leads the dump; that of the first packet if no header says it."""
    if section.header is not None:
        return section.header.device_id
    if section.packets:
        return int(section.row(0)[DEVICE_ID])
    return None
