"""Whether the header's length and the number of packets agree, and if not, what explains it.

Theory of operation.  Packets may be missing, or the header or the packing may be wrong; the number
of packets alone cannot tell.  So an explanation is looked for only where the numbers run without
a gap and differ from the plan by two packets or more.  Otherwise packets are missing or surplus.
"""

from typing import Final

import numpy as np

from dryload.emulator.wire.constants import MAX_21_BIT, PACKET_DATA_BYTES, PACKET_NUMBERS
from dryload.emulator.wire.messages import DumpHeader, ExtendedHeader
from dryload.emulator.wire.packets import DATA
from dryload.emulator.wire.prose import counted, ranged
from dryload.harness.files.sections import Section
from dryload.harness.judge.dump import DumpContents
from dryload.harness.judge.finding import Findings, Place, Verdict
from dryload.harness.judge.order import OrderFault, Places
from dryload.harness.judge.plan import DumpPlan
from dryload.harness.judge.reasons import Reason, reasons

_LEAST_DIFFERENCE: Final = 2
_LOOKED_AT: Final = 64  # packets in which unused ends are looked for
_END_OF_DATA: Final = 4  # bytes of 00 at the end of a packet that pass for filler


def judge_counts(findings: Findings, contents: DumpContents, plan: DumpPlan) -> None:
    """Add findings on the number of packets of a dump."""
    section, reached = contents.section, contents.alignment.reached
    least = (reached - 1) * plan.per_packet + 1
    if isinstance(plan.header, DumpHeader) and least > MAX_21_BIT:
        findings.tell(
            "standard header too small",
            Place(byte=section.offset),
            least=counted(least, "word"),
            most=MAX_21_BIT,
        )
    if reached != plan.packets:
        _Count(findings, contents, plan).judge()


class _Count:
    """The judge of a dump that has not as many packets as its header calls for."""

    def __init__(self, findings: Findings, contents: DumpContents, plan: DumpPlan) -> None:
        self._findings = findings
        self._section = contents.section
        self._alignment = contents.alignment
        self._plan = plan
        self._reached = contents.alignment.reached

    def judge(self) -> None:
        section, plan, reached = self._section, self._plan, self._reached
        if section.next_header is not None and reached == 0:
            self._tell("header without packets")
        elif plan.words == 0:
            self._judge_empty()
        elif (reason := self._reason()) is not None:
            self._disagree()
            self._tell(
                "count explained",
                clause=reason.clause,
                verdict=reason.verdict,
                reason=reason.message,
                remedy=reason.do,
            )
        elif reached < plan.packets:
            self._judge_shortage()
        else:
            self._judge_surplus()

    def _tell(
        self,
        kind: str,
        at: Place | None = None,
        *,
        clause: str = "",
        verdict: Verdict | None = None,
        **names: object,
    ) -> None:
        plan, reached = self._plan, self._reached
        known = {
            "planned": counted(plan.packets, "packet"),
            "reached": counted(reached, "packet"),
            "words": counted(plan.words, "word"),
            "room": counted(min(plan.packets, reached) * plan.per_packet, "word"),
        }
        at = at or Place(byte=self._section.offset)
        self._findings.tell(kind, at, clause=clause, verdict=verdict, names={**known, **names})

    def _reason(self) -> Reason | None:
        """Return what explains the count, where the numbers run on and it is off by several."""
        plan, reached = self._plan, self._reached
        if abs(reached - plan.packets) < _LEAST_DIFFERENCE or not self._section.packets:
            return None
        if any(
            event.what in (OrderFault.MISSING, OrderFault.JUMP) and event.packet >= 0
            for event in self._alignment.events
        ):
            return None
        return next(reasons(self._section, plan, reached), None)

    def _disagree(self) -> None:
        """Say that the count is not the one that the length calls for."""
        header = self._plan.header
        several = isinstance(header, ExtendedHeader) and header.channels > 1
        words = counted(header.length if several else self._plan.words, "word")
        self._tell(
            "count differs",
            clause="EXT-06" if several else "",
            many=self._reached,
            what=f"{header.channels} x {words}" if several else words,
            bits=header.bits,
        )

    def _judge_shortage(self) -> None:
        section, plan, reached = self._section, self._plan, self._reached
        lacking = plan.packets - reached
        if section.packets and lacking % PACKET_NUMBERS == 0 and _ends_as_planned(section, plan):
            self._tell("run of 128 missing", lacking=counted(lacking, "packet"))
            return
        end = section.offset_of(section.packets - 1) + 127 if section.packets else section.offset
        self._tell(
            "packets missing at the end",
            Place(byte=end, packet=reached),
            packets=ranged("packet", reached, lacking).capitalize(),
            are="is" if lacking == 1 else "are",
            held=plan.sound(reached, lacking),
        )
        if section.packets and not section.row(section.packets - 1)[DATA][-_END_OF_DATA:].any():
            self._tell("length too large")

    def _judge_empty(self) -> None:
        section = self._section
        follow = "follows" if section.packets == 1 else "follow"
        found = counted(section.packets, "packet")
        self._tell("packets for an empty sample", reached=found, follow=follow)
        if any(rows[:, DATA].any() for _, rows in section.chunks(_LOOKED_AT)):
            self._tell("length is 0")

    def _judge_surplus(self) -> None:
        section, plan = self._section, self._plan
        surplus = self._reached - plan.packets
        beyond = self._beyond()
        full = plan.last_words == plan.per_packet
        self._disagree()
        self._tell(
            "packets too many",
            Place(
                byte=section.offset_of(int(beyond[0])) if len(beyond) else section.offset,
                packet=plan.packets,
            ),
            surplus=counted(surplus, "packet"),
            follow="follows" if surplus == 1 else "follow",
            last=plan.packets - 1,
            packets=ranged("packet", plan.packets, surplus),
            full=": a last packet that is exactly full gets no further one" if full else "",
        )
        if any(section.row(int(index))[DATA].any() for index in beyond[:_LOOKED_AT]):
            self._tell("length too small")

    def _beyond(self) -> Places:
        places = self._alignment.places
        if places is None:
            return np.arange(self._plan.packets, self._section.packets)
        return np.flatnonzero(places >= self._plan.packets)


def _ends_as_planned(section: Section, plan: DumpPlan) -> bool:
    """Return whether the last packet found ends with just the filler of the last one planned."""
    data = section.row(section.packets - 1)[DATA]
    used = plan.last_words * plan.width
    return used < PACKET_DATA_BYTES and not data[used:].any() and bool(data[used - plan.width])
