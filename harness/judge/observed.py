"""From what a transfer showed to findings: what both ends reported, and what came back."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import Final

from emulator.dump.events import (
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
from emulator.dump.sample import Sample
from emulator.wire.constants import PACKET_BYTES, PACKET_NUMBERS
from emulator.wire.messages import Message, SampleNameRequest
from emulator.wire.packets import CHECKSUM, packet_rows
from emulator.wire.prose import counted
from emulator.wire.sizes import words_per_packet
from harness.judge.account import Kind
from harness.judge.difference import SampleComparison, findings
from harness.judge.finding import Answerable, Finding, Place, Verdict

_HARMLESS: Final = frozenset({Kind.NARROWED, Kind.WIDENED})
"""What units do to words of a width that they do not keep."""
_OF_LENGTH: Final = frozenset({Kind.ENDS_EARLY, Kind.GOES_ON})
"""What a header with another length does to words."""
_SENT_AGAIN: Final = (WAITED_FOR, WAITED_FOR_LAST, DOUBTFUL)
_WITHIN: Final = "ACK, NAK, WAIT or CANCEL within 20 ms"
_S: Final = 1_000_000_000
_MOST: Final = 64  # differences of words that get a finding of their own


@dataclass(frozen=True, slots=True, kw_only=True)
class _EventText:
    """How events of one kind are put: `what` follows the first place and comes before the count."""

    clause: str
    what: str
    verdict: Verdict = Verdict.NOTED
    answerable: Answerable = Answerable.UNIT
    do: str = ""
    is_open: bool = False
    """Whether the standard leaves the point open."""
    has_place: bool = True
    """Whether it happened to a header or a packet."""


_READINGS: Final = {
    EventKind.REJECTED: _EventText(
        clause="HSK-07", what="the unit rejected it (NAK) and it was sent again"
    ),
    EventKind.HELD: _EventText(clause="HSK-09", what="the unit asked to wait (WAIT)"),
    EventKind.FELL_BACK: _EventText(
        clause="EXT-09",
        what="no answer to the extended header, so the standard one followed",
        is_open=True,
    ),
    EventKind.REFUSED: _EventText(clause="HSK-12", what="the unit did not take it"),
    EventKind.FAULTY: _EventText(
        clause="HSK-06",
        what="the unit could not take it: wrong checksum or wrong length",
        answerable=Answerable.SENDER,
        do="dryload validate tells whether it is wrong in the file or was altered on the way.",
    ),
    EventKind.JUMPED: _EventText(
        clause="HSK-16",
        what="another number came where this one was due",
        answerable=Answerable.SENDER,
        do="dryload validate tells whether packets are missing or out of order in the file.",
        is_open=True,
    ),
    EventKind.REPEATED: _EventText(
        clause="HSK-15", what="it came again", answerable=Answerable.SENDER, is_open=True
    ),
    EventKind.ABANDONED: _EventText(
        clause="STA-03",
        what="the unit gave the dump up before it was whole",
        verdict=Verdict.BENT,
        answerable=Answerable.SENDER,
    ),
    EventKind.OVERRUN: _EventText(
        clause="TIM-04",
        what="the unit lost bytes at its input, which was full or is a poor one",
        verdict=Verdict.BENT,
        do="Let the unit answer (closed loop), or leave more time between packets.",
        has_place=False,
    ),
    EventKind.UNEXPECTED: _EventText(
        clause="FRM-09", what="something came that has no place there", has_place=False
    ),
}

# By the cue that the sender took it for.
_IGNORED: Final = {
    "MESSAGE": _EventText(
        clause="HSK-21",
        what="something came from the unit that is no reply",
        do="If the unit copies its input to its output, turn that off.",
    ),
    "ACK_LATE": _EventText(clause="TIM-10", what="an ACK came too late"),
    "ACK_EARLY": _EventText(
        clause="TIM-05", what="an ACK came before the packet can have been answered"
    ),
    "ACK_OTHER": _EventText(
        clause="HSK-02", what="an ACK came with the number of another packet", is_open=True
    ),
    "NAK_OTHER": _EventText(clause="HSK-08", what="a NAK came with the number of another packet"),
    "EOF": _EventText(clause="HSK-18", what="the unit sent EOF, which a receiver has no use for"),
}
_OTHER: Final = _EventText(clause="HSK-02", what="a reply came that nobody had asked for")


def judge_events(events: Sequence[Event]) -> tuple[Finding, ...]:
    """Return one finding for each kind of event worth knowing, with its count and first place."""
    return (
        *_observed(events),
        *_silences(events),
        *_learnt(events),
        *_sent_again(events),
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
    found = findings(comparison, answerable=Answerable.UNIT)
    found = tuple(_by_kind(finding, kind, sent, got) for finding, kind in zip_longest(found, kinds))
    if is_in_memory:
        return found
    return tuple(
        _as_it_came(finding) if finding.verdict is Verdict.BENT or kind in _OF_LENGTH else finding
        for finding, kind in zip_longest(found, kinds)
    )


def _as_it_came(finding: Finding) -> Finding:
    """Return a finding on what a header says that came over a line: nobody is to blame yet."""
    return replace(
        finding,
        answerable=Answerable.RIG,
        do="A header has no checksum: it may have been altered on the way. Send the dump again; if "
        "the same comes back, the unit keeps it so.",
    )


def _by_kind(finding: Finding, kind: Kind | None, sent: Sample, got: Sample) -> Finding:
    if kind in _HARMLESS:
        return replace(finding, verdict=Verdict.NOTED)
    if kind is not Kind.CHANGED:
        return finding
    if not _sums_differ(finding.at.packet, sent, got):
        return replace(finding, answerable=Answerable.RIG)
    return replace(
        finding,
        answerable=Answerable.UNIT,
        do="The checksum would have caught this on the way, so the unit made it of the words: "
        "look at its memory, or whether it changes sounds as it takes them.",
    )


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
    return tuple(
        Finding(
            clause="NAM-03" if isinstance(question, SampleNameRequest) else "LOP-05",
            verdict=Verdict.NOTED,
            answerable=Answerable.UNIT,
            message="The unit did not tell the name, so it may not have kept it."
            if isinstance(question, SampleNameRequest)
            else "The unit did not tell its loops, so it may not have kept them.",
            expected="an answer to the request",
            found="silence",
            do="Look at its panel whether it is there.",
        )
        for question in questions
    )


def judge_address(device_id: int, own: int) -> Finding:
    """Return the finding on a dump that is meant for another device than the unit."""
    return Finding(
        clause="DEV-01",
        verdict=Verdict.NOTED,
        answerable=Answerable.SENDER,
        message=f"The dump is addressed to device ID {device_id} and the unit listens to {own}.",
        expected=f"device ID {own}",
        found=f"device ID {device_id}",
        do=f"Replay it with --device-id {own}, or set the unit to {device_id}.",
    )


def _observed(events: Sequence[Event]) -> Iterator[Finding]:
    for kind, reading in _READINGS.items():
        if mine := [event for event in events if event.kind is kind]:
            yield _finding(reading, mine)
    ignored: dict[str, list[Event]] = {}
    for event in events:
        if event.kind is EventKind.IGNORED:
            cue, _, _ = event.detail.partition(" ")
            ignored.setdefault(cue.removesuffix("_LAST"), []).append(event)
    for cue, mine in ignored.items():
        _, _, number = mine[0].detail.partition(" ")
        found = f"number {number}" if number else ""
        yield replace(_finding(_IGNORED.get(cue, _OTHER), mine), found=found)


def _finding(reading: _EventText, events: Sequence[Event]) -> Finding:
    first = events[0]
    packet = first.packet
    if first.kind is EventKind.REPEATED and packet:
        packet -= 1  # the unit counts what it has: it is the one stored last that came again
    if first.kind is EventKind.ABANDONED:
        where = f"After {counted(packet or 0, 'packet')}: "
    elif reading.has_place:
        where = "Header: " if packet is None else f"Packet {packet:,}: "
    else:
        where = ""
    times = "" if len(events) == 1 else f", {len(events):,} times in all"
    is_open = " (open in the standard)" if reading.is_open else ""
    message = f"{where}{reading.what}{times}.{is_open}"
    return Finding(
        clause=reading.clause,
        verdict=reading.verdict,
        answerable=reading.answerable,
        message=message[0].upper() + message[1:],
        at=_place(first, packet),
        found=first.detail,
        do=reading.do,
    )


def _silences(events: Sequence[Event]) -> tuple[Finding, ...]:
    answered = any(event.kind is EventKind.ANSWERED for event in events)
    silent = [
        event
        for event in events
        if event.kind is EventKind.SILENCE and event.detail not in _SENT_AGAIN
    ]
    if not silent:
        return ()
    first = silent[0]
    if first.packet is None:
        message = "The unit did not answer the header within 2 s."
        clause, expected = "TIM-02", "ACK, WAIT or CANCEL within 2 s"
    else:
        message = f"{_these(silent)} not answered within 20 ms."
        clause, expected = "TIM-04", _WITHIN
    return (
        Finding(
            clause=clause,
            # One answer that was lost is no habit: that of a header, where packets are answered.
            verdict=Verdict.BENT if answered and first.packet is not None else Verdict.NOTED,
            answerable=Answerable.UNIT,
            message=message,
            at=_place(first, first.packet),
            expected=expected,
            found="silence",
            do="" if answered else "Check the cable back from the unit, and its device ID.",
        ),
    )


def _these(events: Sequence[Event]) -> str:
    packet = events[0].packet or 0
    if len(events) == 1:
        return f"Packet {packet:,} was"
    return f"{len(events):,} packets, the first is packet {packet:,}, were"


def _learnt(events: Sequence[Event]) -> Iterator[Finding]:
    """Yield what the sender has learnt of the unit: habits that it took into account."""
    overdue = [
        event for event in events if event.kind is EventKind.ANSWERED and event.detail == OVERDUE
    ]
    takes_ns = 0
    for event in events:
        if event.kind is not EventKind.LEARNT:
            continue
        if event.detail.startswith(TAKES):
            takes_ns = int(event.detail.removeprefix(TAKES))
        elif reading := _habit(event.detail):
            yield replace(_finding(reading, [event]), found="")
    if overdue:
        most = f", at most {takes_ns / _S:.2f} s" if takes_ns else ""
        yield Finding(
            clause="TIM-04",
            verdict=Verdict.NOTED,
            answerable=Answerable.UNIT,
            message=f"{_these(overdue)} answered later than 20 ms{most}. This sender waited; "
            "one that goes on after 20 ms, as it may, needs a unit that keeps up.",
            at=_place(overdue[0], overdue[0].packet),
            expected=_WITHIN,
            found="an answer that came later",
        )


def _habit(detail: str) -> _EventText | None:
    """Return how a habit that was learnt is put."""
    if detail == TWICE:
        what = "the unit says every ACK twice: the second of each pair was passed over"
        return _EventText(clause="HSK-14", what=what, has_place=False)
    if detail.startswith(NUMBERS_BY):
        ahead = int(detail.removeprefix(NUMBERS_BY))
        side = "ahead of" if ahead > 0 else "behind"
        what = f"the unit's ACKs bear numbers {abs(ahead)} {side} their packets': matched by that"
    elif detail.startswith(NUMBERS_ALWAYS):
        number = int(detail.removeprefix(NUMBERS_ALWAYS))
        what = f"the unit's ACKs always bear the number {number}: matched by their time"
    elif detail == NUMBERS_FREELY:
        what = "the numbers in the unit's ACKs follow no rule: matched by their time"
    else:
        return None
    return _EventText(clause="HSK-02", what=what, has_place=False)


def _sent_again(events: Sequence[Event]) -> Iterator[Finding]:
    silent = [event for event in events if event.kind is EventKind.SILENCE]
    if doubtful := [event for event in silent if event.detail == DOUBTFUL]:
        yield Finding(
            clause="TIM-05",
            verdict=Verdict.NOTED,
            answerable=Answerable.UNIT,
            message=f"{_these(doubtful)} sent once more, to be sure: an ACK came before the packet "
            "had left the line, and none after it.",
            at=_place(doubtful[0], doubtful[0].packet),
            expected=_WITHIN,
            found="an ACK that may be a second one to the message before",
        )
    waited = [event for event in silent if event.detail in (WAITED_FOR, WAITED_FOR_LAST)]
    last = [event for event in waited if event.detail == WAITED_FOR_LAST]
    if others := [event for event in waited if event not in last]:
        first = others[0]
        times = "" if len(others) == 1 else f", {len(others):,} times in all"
        yield Finding(
            clause="HSK-15",
            verdict=Verdict.RIG,
            answerable=Answerable.RIG,
            message=f"Packet {first.packet or 0:,}: the unit had answered before and did not "
            f"answer this, so it was sent again{times}.",
            at=_place(first, first.packet),
            expected=_WITHIN,
            found="silence",
            do="Something between here and the unit loses messages: try a shorter cable, another "
            "interface, or fewer devices in the chain.",
        )
    if last:
        yield Finding(
            clause="HSK-13",
            verdict=Verdict.NOTED,
            answerable=Answerable.UNIT,
            message="The last packet was not answered and sent once more, to be sure; some units "
            "never answer it.",
            at=_place(last[0], last[0].packet),
            expected="ACK within 20 ms",
            found="silence",
        )


def _place(event: Event, packet: int | None) -> Place:
    return Place(
        packet=packet,
        packet_number=None if packet is None else packet % PACKET_NUMBERS,
        time_ns=event.now_ns,
    )
