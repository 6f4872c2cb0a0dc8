"""Whether the header's length and the number of packets agree, and if not, what explains it.

Theory of operation.  Packets may be missing, or the header or the packing may be wrong; the number
of packets alone cannot tell.  So an explanation is looked for only where the numbers run without
a gap and differ from the plan by two packets or more.  Otherwise packets are missing or surplus.
"""

from typing import Final

import numpy as np

from emulator.wire.constants import MAX_21_BIT, PACKET_DATA_BYTES, PACKET_NUMBERS
from emulator.wire.messages import DumpHeader, ExtendedHeader
from emulator.wire.packets import DATA
from emulator.wire.prose import counted
from harness.files.sections import Section
from harness.judge.finding import Answerable, Findings, Place
from harness.judge.order import Alignment, OrderFault, Places
from harness.judge.plain import packets
from harness.judge.plan import DumpPlan
from harness.judge.reasons import reasons

_LEAST_DIFFERENCE: Final = 2
_LOOKED_AT: Final = 64  # packets in which unused ends are looked for
_END_OF_DATA: Final = 4  # bytes of 00 at the end of a packet that pass for filler


def judge_counts(
    findings: Findings, section: Section, alignment: Alignment, plan: DumpPlan
) -> None:
    """Add findings on the number of packets of a dump."""
    _judge_one_header_for_long(findings, section, alignment, plan)
    reached = alignment.reached
    if reached == plan.packets:
        return
    if section.next_header is not None and reached == 0:
        _judge_second_header(findings, section, plan)
        return
    if plan.words == 0:
        _judge_empty(findings, section)
        return
    differs = abs(reached - plan.packets) >= _LEAST_DIFFERENCE
    if differs and section.packets and _runs_on(alignment):
        reason = next(reasons(section, plan, reached), None)
        if reason is not None:
            _disagree(findings, section, plan, reached)
            findings.add(
                reason.clause,
                reason.message,
                at=Place(byte=section.offset),
                expected=counted(plan.packets, "packet"),
                found=counted(reached, "packet"),
                do=reason.do,
                verdict=reason.verdict,
                who=Answerable.SENDER,
            )
            return
    if reached < plan.packets:
        _judge_shortage(findings, section, plan, reached)
    else:
        _judge_surplus(findings, section, alignment, plan)


def _runs_on(alignment: Alignment) -> bool:
    return not any(
        event.what in (OrderFault.MISSING, OrderFault.JUMP) and event.packet >= 0
        for event in alignment.events
    )


def _disagree(findings: Findings, section: Section, plan: DumpPlan, reached: int) -> None:
    """Say that the count is not the one that the length calls for."""
    several = isinstance(plan.header, ExtendedHeader) and plan.header.channels > 1
    what = (
        f"{plan.header.channels} x {counted(plan.header.length, 'word')}"
        if several
        else counted(plan.words, "word")
    )
    findings.add(
        "EXT-06" if several else "HDR-07",
        f"The header calls for {counted(plan.packets, 'packet')}, the dump has {reached:,}.",
        at=Place(byte=section.offset),
        expected=f"{counted(plan.packets, 'packet')} for {what} of {plan.header.bits} bits",
        found=counted(reached, "packet"),
        do="Make header and packets agree: correct the length or make the dump anew.",
    )


# Too few.


def _judge_shortage(findings: Findings, section: Section, plan: DumpPlan, reached: int) -> None:
    lacking = plan.packets - reached
    end = section.offset_of(section.packets - 1) + 127 if section.packets else section.offset
    verb = "is" if lacking == 1 else "are"
    if section.packets and lacking % PACKET_NUMBERS == 0 and _ends_as_planned(section, plan):
        findings.add(
            "PKT-10",
            f"{counted(lacking, 'packet')} are missing somewhere: a run of {PACKET_NUMBERS}, "
            "which the numbers cannot show, but the last packet is there.",
            at=Place(byte=section.offset),
            expected=counted(plan.packets, "packet"),
            found=counted(reached, "packet"),
            do="Make or record the dump anew: the words are not in the file.",
        )
        return
    findings.add(
        "PKT-10",
        f"{packets(reached, lacking).capitalize()} {verb} missing at the end: "
        f"{plan.sound(reached, lacking)}.",
        at=Place(byte=end, packet=reached),
        expected=f"{counted(plan.packets, 'packet')} for {counted(plan.words, 'word')}",
        found=counted(reached, "packet"),
        do="Make or record the dump anew; what is in the file so far can be decoded.",
    )
    if section.packets and _has_filler(section):
        findings.add(
            "HDR-06",
            "The length in the header seems too large: the last packet ends with filler, as if "
            "nothing were to come.",
            at=Place(byte=section.offset),
            expected=f"at most {counted(reached * plan.per_packet, 'word')}",
            found=counted(plan.words, "word"),
            do="Check the length in the header against the sound.",
        )


def _has_filler(section: Section) -> bool:
    return not section.row(section.packets - 1)[DATA][-_END_OF_DATA:].any()


def _ends_as_planned(section: Section, plan: DumpPlan) -> bool:
    """Return whether the last packet found ends with just the filler of the last one planned."""
    data = section.row(section.packets - 1)[DATA]
    used = plan.last_words * plan.width
    return used < PACKET_DATA_BYTES and not data[used:].any() and bool(data[used - plan.width])


def _judge_second_header(findings: Findings, section: Section, plan: DumpPlan) -> None:
    findings.add(
        "HDR-01",
        "This header has no packets of its own: another header follows.",
        at=Place(byte=section.offset),
        expected=f"{counted(plan.packets, 'packet')} after the header",
        found="another header",
        do="Take one of the two headers out, or make the dump anew.",
    )


# Too many.


def _judge_empty(findings: Findings, section: Section) -> None:
    count = section.packets
    at = Place(byte=section.offset)
    findings.add(
        "HDR-15",
        f"The header says that the sample is empty, and {counted(count, 'packet')} "
        f"{'follows' if count == 1 else 'follow'}.",
        at=at,
        expected="no packet",
        found=counted(count, "packet"),
        do="Correct the length in the header, or leave the packets out.",
    )
    if any(rows[:, DATA].any() for _, rows in section.chunks(_LOOKED_AT)):
        findings.add(
            "HDR-06",
            "The length in the header is 0, but the packets hold words.",
            at=at,
            expected="the number of words in the packets",
            found="0",
            do="Correct the length in the header: a unit would store nothing.",
        )


def _judge_surplus(
    findings: Findings, section: Section, alignment: Alignment, plan: DumpPlan
) -> None:
    reached = alignment.reached
    surplus = reached - plan.packets
    beyond = _beyond(section, alignment, plan)
    byte = section.offset_of(int(beyond[0])) if len(beyond) else section.offset
    full = plan.last_words == plan.per_packet
    _disagree(findings, section, plan, reached)
    findings.add(
        "PKT-09",
        f"{counted(surplus, 'packet')} {'follows' if surplus == 1 else 'follow'} the one "
        "that holds the last word.",
        at=Place(byte=byte, packet=plan.packets),
        expected=f"packet {plan.packets - 1:,} as the last one",
        found=f"{packets(plan.packets, surplus)} too",
        do="Leave out what follows the last word"
        + (": a last packet that is exactly full gets no further one." if full else "."),
    )
    if any(section.row(int(index))[DATA].any() for index in beyond[:_LOOKED_AT]):
        findings.add(
            "HDR-06",
            "The length in the header is too small: the packets beyond it hold words.",
            at=Place(byte=section.offset),
            expected=f"more than {counted(plan.packets * plan.per_packet, 'word')}",
            found=counted(plan.words, "word"),
            do="Correct the length in the header: a unit would cut the sound short.",
        )


def _beyond(section: Section, alignment: Alignment, plan: DumpPlan) -> Places:
    if alignment.places is None:
        return np.arange(plan.packets, section.packets)
    return np.flatnonzero(alignment.places >= plan.packets)


def _judge_one_header_for_long(
    findings: Findings, section: Section, alignment: Alignment, plan: DumpPlan
) -> None:
    least = (alignment.reached - 1) * plan.per_packet + 1
    if isinstance(plan.header, DumpHeader) and least > MAX_21_BIT:
        findings.add(
            "HDR-14",
            f"The packets hold at least {counted(least, 'word')}, more than the standard header "
            "can say.",
            at=Place(byte=section.offset),
            expected=f"the extended header beyond {MAX_21_BIT:,} words",
            found="the standard header",
            do="Send the extended header, or cut the sample in two.",
            who=Answerable.SENDER,
        )
