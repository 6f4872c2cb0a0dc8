"""The judge of a stream: the bytes of one direction, without times, dump by dump.

A dump file is such a stream.  Nothing that a stream holds raises; all of it is findings.
"""

from collections.abc import Iterator

from emulator.wire.packets import DEVICE_ID, NUMBER
from emulator.wire.prose import counted
from harness.files.scan import Stream
from harness.files.sections import Section
from harness.judge.beside import judge_beside
from harness.judge.counts import judge_counts
from harness.judge.dump import DumpContents, read_stream
from harness.judge.finding import Findings, Place
from harness.judge.headers import judge_header
from harness.judge.order import Alignment
from harness.judge.plan import DumpPlan, plan_of
from harness.judge.reading import judge_reading
from harness.judge.sequence import judge_sequence
from harness.judge.sums import judge_ids, judge_sums
from harness.judge.verdict import DumpVerdict
from harness.judge.wrecks import Wreck, judge_wrecks


def judge_stream(data: Stream, *, keep_words: bool = True) -> Iterator[DumpVerdict]:
    """Yield a verdict for each dump of a stream, in order, and one for what precedes the first.

    With `keep_words` each holds its words; only one dump is in memory at a time.
    """
    lengths: dict[int, int] = {}
    for contents in read_stream(data, keep_words=keep_words):
        if contents.header is not None:
            lengths[contents.header.sample_number] = contents.header.length
        yield judge_dump(contents, lengths)


def judge_dump(contents: DumpContents, lengths: dict[int, int] | None = None) -> DumpVerdict:
    """Return the verdict on one dump; `lengths` are those of earlier samples, in words."""
    findings = Findings()
    section, plan = contents.section, contents.plan
    alignment, reading = contents.alignment, contents.reading
    owner = _owner(section)
    _judge_opening(findings, section)
    judge_sequence(findings, section, alignment, plan)
    _judge_torn(findings, alignment, plan, contents.wrecks)
    judge_sums(findings, section, alignment, reading.failing, reading.sums)
    if owner is not None and section.packets:
        judge_ids(findings, section, alignment, owner)
    if plan is not None:
        judge_counts(findings, section, alignment, plan)
        judge_reading(findings, section, alignment, plan, reading)
    if contents.odd or section.realtime or section.rubble.count or contents.added:
        judge_beside(findings, contents, lengths or {}, owner)
    return DumpVerdict(contents=contents, findings=findings.told_by_byte())


def _owner(section: Section) -> int | None:
    """Return the device ID that leads the dump; that of the first packet if no header says it."""
    if section.header is not None:
        return section.header.device_id
    if section.packets:
        return int(section.row(0)[DEVICE_ID])
    return None


def _judge_torn(
    findings: Findings, alignment: Alignment, plan: DumpPlan | None, wrecks: list[Wreck]
) -> None:
    if wrecks:
        sound = (lambda place: plan.sound(place, 1)) if plan is not None else (lambda _: "")
        judge_wrecks(findings, wrecks, alignment.wrecks, sound)


def _judge_opening(findings: Findings, section: Section) -> None:
    if section.opening is not None:
        judge_header(findings, section.opening, section.header)
        return
    if not section.packets:
        return
    first = int(section.row(0)[NUMBER])
    at = Place(byte=section.offset_of(0), packet=0, packet_number=first)
    follow = section.next_header
    late = (plan := plan_of(follow)) is not None and plan.packets == section.packets
    findings.add(
        "HDR-01",
        f"{counted(section.packets, 'packet')} stand before any header."
        + (" The header that belongs to them seems to come after them." if late else ""),
        at=at,
        expected="a header first",
        found="a packet",
        do="Put the header first: without one a unit takes no packet.",
    )
    findings.add(
        "PKT-14",
        f"The recording began late: the first packet bears the number {first}."
        if first
        else "The header was lost or filtered out: the packets begin at 0.",
        at=at,
        expected="a header before the first packet",
        found=f"packet number {first}",
        do="Record again from before the dump begins, with nothing that filters messages.",
    )


__all__ = ["DumpVerdict", "judge_dump", "judge_stream"]
