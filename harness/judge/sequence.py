"""What the running numbers tell, as findings."""

from typing import Final

from emulator.wire.constants import PACKET_NUMBERS
from emulator.wire.packets import NUMBER
from emulator.wire.prose import counted
from harness.files.sections import Section
from harness.judge.finding import Answerable, Findings, Place
from harness.judge.order import Alignment, OrderEvent, OrderFault
from harness.judge.plain import byte, packets
from harness.judge.plan import DumpPlan

_LAST: Final = PACKET_NUMBERS - 1


def judge_sequence(
    findings: Findings, section: Section, alignment: Alignment, plan: DumpPlan | None
) -> None:
    """Add a finding for each event that shows at a packet; the end is judged by counting."""
    for event in alignment.events:
        if event.packet >= 0:
            _JUDGES[event.what](findings, section, event, plan)


def _at(section: Section, event: OrderEvent) -> Place:
    return Place(
        byte=section.offset_of(event.packet),
        packet=event.place,
        packet_number=_number(section, event.packet),
    )


def _number(section: Section, index: int) -> int:
    return int(section.row(index)[NUMBER])


def _wrong_number(
    findings: Findings, section: Section, event: OrderEvent, plan: DumpPlan | None
) -> None:
    at = _at(section, event)
    number = at.packet_number or 0
    findings.add(
        "PKT-02" if event.place == 0 else "PKT-03",
        f"Packet {event.place:,} bears the number {number}.",
        at=at,
        expected=f"number {event.place % PACKET_NUMBERS}",
        found=f"number {number} ({byte(number)})",
        do="Correct the number and the checksum, or make the dump anew; "
        "a unit that minds the numbers loses this packet.",
    )


def _jump(findings: Findings, section: Section, event: OrderEvent, plan: DumpPlan | None) -> None:
    at = _at(section, event)
    number = at.packet_number or 0
    if event.place == 0:
        findings.add(
            "PKT-02",
            f"The numbers of the packets begin at {number}.",
            at=at,
            expected="number 0 for the first packet",
            found=f"number {number} ({byte(number)})",
            do="Number the packets from 00.",
            who=Answerable.SENDER,
        )
        return
    # A torn packet may be all that stands before; then the place says what the number should be.
    earlier = _number(section, event.packet - 1) if event.packet else (event.place - 1) & _LAST
    wrapped = " after 7F comes 00;" if earlier == _LAST else ""
    findings.add(
        "PKT-03",
        f"From packet {event.place:,} on the numbers are shifted: {number} comes after {earlier}, "
        "though by the count no packet is missing.",
        at=at,
        expected=f"number {(earlier + 1) & _LAST}",
        found=f"number {number} ({byte(number)})",
        do=f"Number the packets in steps of one;{wrapped} a unit that minds the numbers "
        "stops or stores the rest wrongly.",
        who=Answerable.SENDER,
    )


def _missing(
    findings: Findings, section: Section, event: OrderEvent, plan: DumpPlan | None
) -> None:
    number = _number(section, event.packet)
    held = f": {plan.sound(event.place, event.how_many)}" if plan is not None else ""
    verb = "is" if event.how_many == 1 else "are"
    findings.add(
        "PKT-10",
        f"{packets(event.place, event.how_many).capitalize()} {verb} missing{held}.",
        at=Place(byte=section.offset_of(event.packet), packet=event.place),
        expected=f"number {event.place % PACKET_NUMBERS}",
        found=f"number {number} ({byte(number)})",
        do="Make or record the dump anew: the words are not in the file, and a unit would "
        "put what follows in their place.",
    )


def _repeat(findings: Findings, section: Section, event: OrderEvent, plan: DumpPlan | None) -> None:
    at = _at(section, event)
    differs = "" if event.same else ", and the two differ"
    findings.add(
        "PKT-03",
        f"Packet {event.place:,} stands there twice{differs}.",
        at=at,
        expected=f"number {(event.place + 1) % PACKET_NUMBERS}",
        found=f"number {at.packet_number} again",
        do="Take the "
        + ("second one" if event.same else "wrong one")
        + " out: nobody asks a file to repeat a packet, and a unit may store it twice.",
    )


def _swapped(
    findings: Findings, section: Section, event: OrderEvent, plan: DumpPlan | None
) -> None:
    later = event.place + 1
    findings.add(
        "PKT-03",
        f"Packets {event.place:,} and {later:,} have changed places.",
        at=Place(
            byte=section.offset_of(event.packet),
            packet=event.place,
            packet_number=_number(section, event.packet),
        ),
        expected=f"number {event.place % PACKET_NUMBERS}, then {later % PACKET_NUMBERS}",
        found=f"number {later % PACKET_NUMBERS}, then {event.place % PACKET_NUMBERS}",
        do="Put the two in order: "
        + counted(2, "packet")
        + " in the wrong order are stored in the wrong order.",
    )


_JUDGES: Final = {
    OrderFault.WRONG_NUMBER: _wrong_number,
    OrderFault.JUMP: _jump,
    OrderFault.MISSING: _missing,
    OrderFault.REPEAT: _repeat,
    OrderFault.SWAPPED: _swapped,
}
