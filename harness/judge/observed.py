"""From what a transfer showed to findings: what both ends reported, and what came back."""

from collections.abc import Sequence
from itertools import zip_longest
from typing import Final

from msgspec.structs import replace

from dryload.emulator.dump.events import (
    DOUBTFUL,
    NUMBERS_ALWAYS,
    NUMBERS_BY,
    NUMBERS_FREELY,
    OVERDUE,
    TAKES,
    TWICE,
    WAITED_FOR,
    WAITED_FOR_LAST,
    Event,
    EventKind,
)
from dryload.emulator.dump.sample import Sample
from dryload.emulator.wire.constants import PACKET_BYTES, PACKET_NUMBERS
from dryload.emulator.wire.messages import Message, SampleNameRequest
from dryload.emulator.wire.packets import CHECKSUM, packet_rows
from dryload.emulator.wire.prose import counted
from dryload.emulator.wire.sizes import words_per_packet
from dryload.harness.judge.account import Kind
from dryload.harness.judge.difference import SampleComparison, findings
from dryload.harness.judge.finding import Answerable, Finding, Findings, Place, Verdict, finding_of

_HARMLESS: Final = frozenset({Kind.NARROWED, Kind.WIDENED})
"""What units do to words of a width that they do not keep."""
_OF_LENGTH: Final = frozenset({Kind.ENDS_EARLY, Kind.GOES_ON})
"""What a header with another length does to words."""
_CABLE: Final = "Check the cable back from the unit, and its device ID."
_NO_CHECKSUM: Final = (
    "A header has no checksum: it may have been altered on the way. Send the dump again; if the "
    "same comes back, the unit keeps it so."
)
_CAUGHT: Final = (
    "The checksum would have caught this on the way, so the unit made it of the words: look at its "
    "memory, or whether it changes sounds as it takes them."
)
_S: Final = 1_000_000_000
_MOST: Final = 64  # differences of words that get a finding of their own

_REPORTED: Final = {
    EventKind.REJECTED: "rejected and sent again",
    EventKind.HELD: "asked to wait",
    EventKind.FELL_BACK: "standard header instead",
    EventKind.REFUSED: "not taken",
    EventKind.FAULTY: "could not be taken",
    EventKind.JUMPED: "another number came",
    EventKind.REPEATED: "came again",
    EventKind.ABANDONED: "given up before its end",
    EventKind.OVERRUN: "bytes lost at the input",
    EventKind.UNEXPECTED: "out of place",
}
_IGNORED: Final = {
    "MESSAGE": "no reply",
    "ACK_LATE": "ACK too late",
    "ACK_EARLY": "ACK too early",
    "ACK_OTHER": "ACK for another packet",
    "NAK_OTHER": "NAK for another packet",
    "EOF": "EOF from the unit",
}
"""By the cue that the sender took it for."""
_HABITS: Final = {
    TWICE: "ACKs come twice",
    NUMBERS_BY: "ACK numbers run beside",
    NUMBERS_ALWAYS: "ACK numbers never change",
    NUMBERS_FREELY: "ACK numbers follow no rule",
}
_PLACELESS: Final = (EventKind.OVERRUN, EventKind.UNEXPECTED, EventKind.LEARNT)
"""What does not happen to a header or a packet."""


def judge_events(events: Sequence[Event]) -> tuple[Finding, ...]:
    """Return one finding for each kind of event worth knowing, with its count and first place."""
    found = Findings({"receiver": "the unit"})
    by_kind: dict[EventKind, list[Event]] = {}
    for event in events:
        by_kind.setdefault(event.kind, []).append(event)
    for kind, told in _REPORTED.items():
        _tell(found, told, by_kind.get(kind, ()))
    for event in by_kind.get(EventKind.IGNORED, ()):
        cue, _, number = event.detail.partition(" ")
        told = _IGNORED.get(cue.removesuffix("_LAST"), "reply to nothing")
        _tell(found, told, [event], found=f"number {number}" if number else "")
    answers = by_kind.get(EventKind.ANSWERED, ())
    _judge_silences(found, by_kind.get(EventKind.SILENCE, ()), is_answered=bool(answers))
    _judge_habits(found, by_kind.get(EventKind.LEARNT, ()), answers)
    return tuple(found.told())


def _judge_silences(found: Findings, silences: Sequence[Event], *, is_answered: bool) -> None:
    by_detail = {
        detail: [event for event in silences if event.detail == detail]
        for detail in (DOUBTFUL, WAITED_FOR, WAITED_FOR_LAST)
    }
    unanswered = [event for event in silences if event.detail not in by_detail]
    if unanswered and unanswered[0].packet is None:
        do = "" if is_answered else _CABLE
        _tell_together(found, "no answer to the header", unanswered, do=do)
    elif is_answered:
        _tell_together(found, "packets unanswered here and there", unanswered)
    else:
        _tell_together(found, "packets unanswered", unanswered, do=_CABLE)
    _tell_together(found, "sent again to be sure", by_detail[DOUBTFUL])
    _tell(found, "sent again without an answer", by_detail[WAITED_FOR])
    _tell_together(found, "last packet sent once more", by_detail[WAITED_FOR_LAST])


def _judge_habits(found: Findings, learnt: Sequence[Event], answers: Sequence[Event]) -> None:
    """Add what the sender has learnt of the unit: habits that it took into account."""
    most = ""
    for event in learnt:
        if event.detail.startswith(TAKES):
            most = f", at most {int(event.detail.removeprefix(TAKES)) / _S:.2f} s"
        for habit, told in _HABITS.items():
            if event.detail.startswith(habit):
                number = int(event.detail.removeprefix(habit) or 0)
                side = "ahead of" if number > 0 else "behind"
                _tell(found, told, [event], number=abs(number), side=side)
    overdue = [event for event in answers if event.detail == OVERDUE]
    _tell_together(found, "answered late", overdue, most=most)


def _tell(found: Findings, told: str, events: Sequence[Event], /, **names: object) -> None:
    """Tell of the same thing happening again and again; the first of them says where."""
    for event in events[:1]:
        packet = _packet_of(event)
        if event.kind is EventKind.ABANDONED:
            where = f"After {counted(packet or 0, 'packet')}: "
        elif event.kind in _PLACELESS:
            where = ""
        else:
            where = "Header: " if packet is None else f"Packet {packet:,}: "
        names = {"found": event.detail, **names}
        found.tell(told, _place(event), where=where, count=len(events), names=names)


def _tell_together(found: Findings, told: str, events: Sequence[Event], /, **names: object) -> None:
    """Tell of all in one sentence, which may begin with them; the first of them says where."""
    for event in events[:1]:
        these = f"Packet {event.packet or 0:,} was"
        if len(events) > 1:
            these = f"{len(events):,} packets, the first is packet {event.packet or 0:,}, were"
        found.tell(told, _place(event), these=these, names=names)


def _packet_of(event: Event) -> int | None:
    """Return the packet that an event is about."""
    if event.kind is EventKind.REPEATED and event.packet:
        return event.packet - 1  # the unit counts what it has: the one stored last came again
    return event.packet


def _place(event: Event) -> Place:
    packet = _packet_of(event)
    return Place(
        packet=packet,
        packet_number=None if packet is None else packet % PACKET_NUMBERS,
        time_ns=event.now_ns,
    )


def judge_read_back(
    comparison: SampleComparison, sent: Sample, got: Sample, *, is_in_memory: bool = False
) -> tuple[Finding, ...]:
    """Return findings on what a unit sent back, or holds, that is not what it was sent.

    `is_in_memory` is whether the unit's memory was looked at, as in a rehearsal.  What only came
    over a line may have been altered there where no checksum covers it: headers have none.
    """
    kinds = [difference.kind for difference in comparison.explanation[:_MOST]]
    if not _HARMLESS.isdisjoint(kinds):  # says already how many bits the words have
        fields = tuple(each for each in comparison.fields if each.clause != "HDR-03")
        comparison = replace(comparison, fields=fields)
    return tuple(
        _by_kind(finding, kind, sent, got, is_in_memory=is_in_memory)
        for finding, kind in zip_longest(findings(comparison, answerable=Answerable.UNIT), kinds)
    )


def _by_kind(
    finding: Finding, kind: Kind | None, sent: Sample, got: Sample, *, is_in_memory: bool
) -> Finding:
    """Return a finding as it stands against the unit; `kind` is None for a field of the header."""
    if not is_in_memory and (finding.verdict is Verdict.BENT or kind in _OF_LENGTH):
        return replace(finding, answerable=Answerable.RIG, do=_NO_CHECKSUM)
    if kind in _HARMLESS:
        return replace(finding, verdict=Verdict.NOTED)
    if kind is not Kind.CHANGED:
        return finding
    if not _sums_differ(finding.at.packet, sent, got):
        return replace(finding, answerable=Answerable.RIG)
    return replace(finding, do=_CAUGHT)


def _sums_differ(packet: int | None, sent: Sample, got: Sample) -> bool:
    """Whether what was sent in a packet and what came back of it have different checksums.

    Then it can't have been altered on the line without being rejected (PKT-05).
    """
    if packet is None or sent.bits != got.bits:
        return False
    step = words_per_packet(sent.bits)
    place = slice(packet * step, (packet + 1) * step)
    one, other = (packet_rows(each.words[place], each.bits, 0) for each in (sent, got))
    return one.shape == other.shape == (1, PACKET_BYTES) and one[0, CHECKSUM] != other[0, CHECKSUM]


def judge_untold(questions: Sequence[Message]) -> tuple[Finding, ...]:
    """Return findings on what a unit was asked after a dump and did not answer."""
    found = Findings()
    for question in questions:
        is_name = isinstance(question, SampleNameRequest)
        found.tell("name not told" if is_name else "loops not told")
    return tuple(found.told())


def judge_address(device_id: int, own: int) -> Finding:
    """Return the finding on a dump that is meant for another device than the unit."""
    return finding_of("unit listens to another device ID", device=device_id, own=own)
