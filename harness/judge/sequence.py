"""What the running numbers tell, as findings."""

from typing import Final

from dryload.emulator.wire.constants import PACKET_NUMBERS
from dryload.emulator.wire.packets import NUMBER
from dryload.emulator.wire.prose import counted, ranged
from dryload.harness.files.sections import Section
from dryload.harness.judge.dump import DumpContents
from dryload.harness.judge.finding import Findings, Place
from dryload.harness.judge.order import OrderFault
from dryload.harness.judge.plan import plan_of

_LAST: Final = PACKET_NUMBERS - 1
_KINDS: Final = {
    OrderFault.WRONG_NUMBER: "wrong packet number",
    OrderFault.JUMP: "numbers shifted",
    OrderFault.MISSING: "packets missing",
    OrderFault.REPEAT: "packet repeated",
    OrderFault.SWAPPED: "packets swapped",
}


def judge_sequence(findings: Findings, contents: DumpContents) -> None:
    """Add a finding for each event that shows at a packet; the end is judged by counting."""
    section, plan = contents.section, contents.plan
    for event in contents.alignment.events:
        if event.packet < 0:
            continue
        place, number = event.place, _number(section, event.packet)
        # A torn packet may be all that stands before; then the place says what it should be.
        earlier = _number(section, event.packet - 1) if event.packet else (place - 1) & _LAST
        is_first = place == 0 and event.what in (OrderFault.JUMP, OrderFault.WRONG_NUMBER)
        is_missing = event.what is OrderFault.MISSING
        findings.tell(
            "numbers begin elsewhere"
            if is_first and event.what is OrderFault.JUMP
            else _KINDS[event.what],
            Place(
                byte=section.offset_of(event.packet),
                packet=place,
                packet_number=None if is_missing else number,
            ),
            clause="PKT-02" if is_first else "",
            place=place,
            later=place + 1,
            number=number,
            earlier=earlier,
            due=place & _LAST,
            next=(place + 1) & _LAST,
            after=(earlier + 1) & _LAST,
            wrapped=" after 7F comes 00;" if earlier == _LAST else "",
            differs="" if event.same else ", and the two differ",
            which="second" if event.same else "wrong",
            packets=ranged("packet", place, event.how_many).capitalize(),
            are="is" if event.how_many == 1 else "are",
            held=f": {plan.sound(place, event.how_many)}"
            if plan is not None and is_missing
            else "",
        )


def judge_headless(findings: Findings, section: Section) -> None:
    """Add findings on packets that no header precedes."""
    first = _number(section, 0)
    at = Place(byte=section.offset_of(0), packet=0, packet_number=first)
    follow = plan_of(section.next_header)
    late = follow is not None and follow.packets == section.packets
    findings.tell(
        "packets without a header",
        at,
        packets=counted(section.packets, "packet"),
        late=" The header that belongs to them seems to come after them." if late else "",
    )
    kind = "beginning not recorded" if first else "header not recorded"
    findings.tell(kind, at, number=first)


def _number(section: Section, index: int) -> int:
    return int(section.row(index)[NUMBER])
