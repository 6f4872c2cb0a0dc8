"""From what sender and unit reported of a transfer to findings."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from emulator.dump.events import Event, EventKind
from harness.judge.finding import Answerable, Finding, Place, Verdict


@dataclass(frozen=True, slots=True)
class _Reading:
    """How events of one kind are put: `what` follows the number of times and the first place."""

    clause: str
    verdict: Verdict
    answerable: Answerable
    what: str
    do: str = ""
    is_open: bool = False
    """Whether the standard leaves the point open."""


_READINGS: Final = {
    EventKind.REJECTED: _Reading(
        "HSK-07", Verdict.NOTED, Answerable.UNIT, "the unit rejected it and it was sent again"
    ),
    EventKind.HELD: _Reading(
        "HSK-09", Verdict.NOTED, Answerable.UNIT, "the unit asked to wait (WAIT)"
    ),
    EventKind.IGNORED: _Reading(
        "HSK-02",
        Verdict.NOTED,
        Answerable.UNIT,
        "a reply came that answers nothing that was asked",
        is_open=True,
    ),
    EventKind.FELL_BACK: _Reading(
        "EXT-09",
        Verdict.NOTED,
        Answerable.UNIT,
        "no answer to the extended header, so the standard one followed",
        is_open=True,
    ),
    EventKind.REFUSED: _Reading(
        "HSK-12", Verdict.NOTED, Answerable.UNIT, "the unit did not take it"
    ),
    EventKind.FAULTY: _Reading(
        "HSK-06",
        Verdict.NOTED,
        Answerable.SENDER,
        "the unit could not take it: wrong checksum or wrong length",
        "dryload validate FILE names the byte.",
    ),
    EventKind.JUMPED: _Reading(
        "HSK-16",
        Verdict.NOTED,
        Answerable.SENDER,
        "it came with a number that was not its turn",
        "dryload validate FILE says which packets are missing or out of order.",
        is_open=True,
    ),
    EventKind.REPEATED: _Reading(
        "HSK-15", Verdict.NOTED, Answerable.SENDER, "it came a second time", is_open=True
    ),
    EventKind.ABANDONED: _Reading(
        "STA-03",
        Verdict.BENT,
        Answerable.SENDER,
        "the unit gave the dump up before it was whole",
    ),
    EventKind.OVERRUN: _Reading(
        "TIM-04",
        Verdict.BENT,
        Answerable.UNIT,
        "the unit lost bytes: they came while it was at work and its input buffer was full",
        "Leave more time between packets, or let the unit answer (closed loop).",
    ),
    EventKind.UNEXPECTED: _Reading(
        "FRM-09", Verdict.NOTED, Answerable.UNIT, "something came that has no place there"
    ),
}


def observed(events: Sequence[Event]) -> tuple[Finding, ...]:
    """Return one finding for each kind of event worth knowing, with its count and first place."""
    findings = []
    for kind, reading in _READINGS.items():
        mine = [event for event in events if event.kind is kind]
        if mine:
            findings.append(_finding(reading, mine))
    return (*findings, *_silences(events))


def _finding(reading: _Reading, events: Sequence[Event]) -> Finding:
    first = events[0]
    where = "Header" if first.packet is None else f"Packet {first.packet}"
    if first.kind is EventKind.ABANDONED:
        where = f"After {first.packet} packets"
    times = "" if len(events) == 1 else f", {len(events):,} times in all"
    is_open = " (open in the standard)" if reading.is_open else ""
    return Finding(
        clause=reading.clause,
        verdict=reading.verdict,
        answerable=reading.answerable,
        message=f"{where}: {reading.what}{times}.{is_open}",
        at=_place(first),
        found=first.detail,
        do=reading.do,
    )


def _silences(events: Sequence[Event]) -> tuple[Finding, ...]:
    silent = [event for event in events if event.kind is EventKind.SILENCE]
    answered = any(event.kind is EventKind.ANSWERED for event in events)
    if not silent:
        return ()
    header = silent[0].packet is None
    if header:
        message = "The unit did not answer the header within 2 s, so the dump went on without it."
        clause, expected = "TIM-02", "ACK, WAIT or CANCEL within 2 s"
    else:
        many = "1 packet was" if len(silent) == 1 else f"{len(silent):,} packets were"
        message = (
            f"{many} not answered within 20 ms, the first is packet {silent[0].packet}; "
            "the dump went on without the answers."
        )
        clause, expected = "TIM-04", "ACK, NAK, WAIT or CANCEL within 20 ms"
    return (
        Finding(
            clause=clause,
            verdict=Verdict.BENT if answered else Verdict.NOTED,
            answerable=Answerable.UNIT,
            message=message,
            at=_place(silent[0]),
            expected=expected,
            found="silence",
            do="" if answered else "Check the cable back from the unit, and its device ID.",
        ),
    )


def _place(event: Event) -> Place:
    return Place(
        packet=event.packet,
        packet_number=None if event.packet is None else event.packet % 128,
        time_ns=event.now_ns,
    )
