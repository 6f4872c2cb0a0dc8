"""The judge of a stream: the bytes of one direction, without times, dump by dump.

A dump file is such a stream.  Nothing that a stream holds raises; all of it is findings.
"""

from collections.abc import Iterator

from emulator.wire.checksum import checksum
from emulator.wire.codec import decode
from emulator.wire.messages import DataPacket
from emulator.wire.packets import NUMBER
from harness.files.scan import Stream
from harness.files.sections import Section, sections
from harness.judge.counts import judge_counts
from harness.judge.finding import Place
from harness.judge.headers import judge_header
from harness.judge.heaps import Heaps
from harness.judge.loose import judge_loose
from harness.judge.notes import Notes
from harness.judge.numbers import align
from harness.judge.order import Alignment, Observed, Places
from harness.judge.others import judge_others
from harness.judge.plain import counted
from harness.judge.plan import Plan, plan_of
from harness.judge.reading import judge_reading, read_packets
from harness.judge.sequence import judge_sequence
from harness.judge.sums import judge_ids, judge_sums
from harness.judge.verdict import DumpVerdict
from harness.judge.wrecks import Wreck, gather, judge_wrecks


def judge_stream(data: Stream, *, keep_words: bool = True) -> Iterator[DumpVerdict]:
    """Yield a verdict for each dump of a stream, in order, and one for what precedes the first.

    With `keep_words` each holds its words; only one dump is in memory at a time.
    """
    lengths: dict[int, int] = {}
    for section in sections(data):
        if section.header is not None:
            lengths[section.header.sample_number] = section.header.length
        yield judge_section(section, lengths, keep_words=keep_words)


def judge_section(
    section: Section, lengths: dict[int, int] | None = None, *, keep_words: bool = True
) -> DumpVerdict:
    """Return the verdict on one section; `lengths` are those of earlier samples, in words."""
    notes = Notes()
    plan = plan_of(section.header)
    wrecks, odd = gather(section.odd) if section.odd else ([], [])
    alignment = align(
        Observed(
            numbers=section.column(NUMBER),
            row=lambda index: section.row(index).tobytes(),
            planned=plan.packets if plan is not None else None,
            wrecks=[wreck.before for wreck in wrecks],
            headless=section.opening is None,
            sound=lambda index: _is_sound(section, index),
        )
    )
    reading = read_packets(section, alignment, plan, keep_words=keep_words)
    owner = _owner(section)
    _judge_opening(notes, section)
    judge_sequence(notes, section, alignment, plan)
    _judge_torn(notes, alignment, plan, wrecks)
    judge_sums(notes, section, alignment, reading.failing, reading.sums)
    if owner is not None and section.packets:
        judge_ids(notes, section, alignment, owner)
    if plan is not None:
        judge_counts(notes, section, alignment, plan)
        judge_reading(notes, section, alignment, plan, reading)
    if odd or section.realtime or section.rubble.count:
        heaps = Heaps(notes, section)
        judge_others(heaps, odd, lengths or {}, owner)
        judge_loose(heaps, odd)
        heaps.tell()
    return DumpVerdict(
        offset=section.offset,
        size=section.size,
        has_header=section.opening is not None,
        header=section.header,
        planned=plan.packets if plan is not None else None,
        found=section.packets if alignment.stored is None else len(alignment.stored),
        packets=section.packets,
        realtime=sum(tally.count for tally in section.realtime.values()),
        words=reading.joined(),
        places=_places(alignment),
        findings=notes.findings(),
    )


def _is_sound(section: Section, index: int) -> bool:
    packet = decode(section.row(index).tobytes())
    return isinstance(packet, DataPacket) and packet.checksum == checksum(packet)


def _owner(section: Section) -> int | None:
    """Return the device ID that leads the dump; that of the first packet if no header says it."""
    if section.header is not None:
        return section.header.device_id
    if section.packets:
        return int(section.row(0)[2])
    return None


def _places(alignment: Alignment) -> Places | None:
    if alignment.stored is None or alignment.places is None:
        return None
    return alignment.places[alignment.stored]


def _judge_torn(notes: Notes, alignment: Alignment, plan: Plan | None, wrecks: list[Wreck]) -> None:
    if wrecks:
        sound = (lambda place: plan.sound(place, 1)) if plan is not None else (lambda _: "")
        judge_wrecks(notes, wrecks, alignment.wrecks, sound)


def _judge_opening(notes: Notes, section: Section) -> None:
    if section.opening is not None:
        judge_header(notes, section.opening, section.header)
        return
    if not section.packets:
        return
    first = int(section.row(0)[NUMBER])
    at = Place(byte=section.offset_of(0), packet=0, packet_number=first)
    follow = section.next_header
    late = (plan := plan_of(follow)) is not None and plan.packets == section.packets
    notes.add(
        "HDR-01",
        f"{counted(section.packets, 'packet')} stand before any header."
        + (" The header that belongs to them seems to come after them." if late else ""),
        at=at,
        expected="a header first",
        found="a packet",
        do="Put the header first: without one a unit takes no packet.",
    )
    notes.add(
        "PKT-14",
        f"The recording began late: the first packet bears the number {first}."
        if first
        else "The header was lost or filtered out: the packets begin at 0.",
        at=at,
        expected="a header before the first packet",
        found=f"packet number {first}",
        do="Record again from before the dump begins, with nothing that filters messages.",
    )


__all__ = ["DumpVerdict", "judge_section", "judge_stream"]
