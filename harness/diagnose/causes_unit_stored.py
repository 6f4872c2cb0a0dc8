"""Causes: the unit took a dump as if all were well and keeps something else."""

from typing import Final

from harness.diagnose.cause import Cause, Where

_AGAIN: Final = (
    "Read the sample once more and compare: dryload read --from TARGET --sample N, then "
    "dryload diff. If it comes back otherwise each time, it is the way back."
)

UNIT_STORED_CAUSES: Final[tuple[Cause, ...]] = (
    Cause(
        name="unit stores a packet twice",
        where=Where.UNIT,
        sentence="The unit stored a packet twice that was sent a second time.",
        tells="When an answer is lost, the sender sends the packet again, as it should. A unit "
        "knows by the packet's number that it has it already. This one does not look, and "
        "everything behind that packet is late by one packet.",
        remedy=(
            "Send the sample again until it goes through without one packet sent twice, and read "
            "it back: dryload read --from TARGET --sample N.",
            "Find out why the answer was lost or late: try another cable for the way back.",
        ),
        experiment="Rehearse with a lost answer: dryload replay FILE "
        '--disturb "lose the reply to packet 2, once". Then read the sample back and compare it '
        "with dryload diff: from that packet on it is late by one packet.",
        faults=(24,),
        brings=("answers lost on the way back", "answers late", "unit stores other words"),
    ),
    Cause(
        name="unit keeps the filler",
        where=Where.UNIT,
        sentence="The unit keeps what fills up the last packet as if it were sound.",
        tells="The last packet is filled up with zeros, which belong to no sample; the header says "
        "how many words do. The unit keeps them too. A zero there is the deepest value and no "
        "silence, so the sample ends with a click.",
        remedy=(
            "Cut the end of the sample at the unit, at the length that the header gives.",
            "Or make the sample a whole number of packets long, with silence at its end, and "
            "encode it again: dryload encode.",
        ),
        experiment="Send a sample that fills its last packet, read it back with "
        "dryload read --from TARGET --sample N, and compare: then the lengths agree.",
        faults=(33,),
    ),
    Cause(
        name="unit stores nothing",
        where=Where.UNIT,
        sentence="The unit said yes to every packet, and does not send the sample when it is "
        "asked for it.",
        tells="It may keep samples under another number, may need somebody to confirm at its "
        "display, may answer no requests, or may answer without storing anything.",
        remedy=(
            "Look at the unit for a sample under another number, or for a question on its display.",
            "Send it to another sample number: dryload replay FILE --to midi:PORT.",
        ),
        experiment="Ask for the sample again, and for the numbers beside it: "
        "dryload read --from TARGET --sample N.",
        faults=(54, 58),
        brings=("request unanswered",),
    ),
    Cause(
        name="unit puts it elsewhere",
        where=Where.UNIT,
        sentence="The unit keeps the sample under another number than the header gave.",
        tells="Some units count samples from another number on, or take the next free place "
        "whatever the header says.",
        remedy=(
            "Ask for the number under which it is: dryload read --from TARGET --sample N.",
            "Take care that nothing you need is under the number it takes: reading back what is "
            "there first costs little.",
        ),
        experiment="Send a short sample to two different numbers and read both back: "
        "dryload read --from TARGET --sample N.",
        faults=(45,),
        brings=(
            "request unanswered",
            "request answered with another sample",
            "unit stores nothing",
        ),
    ),
    Cause(
        name="unit stores other words",
        where=Where.UNIT,
        sentence="The unit took a packet as right, and what it keeps is something else.",
        tells="Everything arrived whole and was acknowledged, and what came back from the unit "
        "differs. Its memory may be failing, or its program does something to the sound.",
        remedy=(
            _AGAIN,
            "Send the sample to another number, or after freeing memory, so that it lies at "
            "another place. Save what you need first: wiping the memory cannot be undone.",
            "Send it over another cable and interface: if it comes back right, it was the way.",
            "If it is always the same place in memory, have the memory looked at by a qualified "
            "person: mains is inside the unit, and static harms memory.",
        ),
        experiment="Read the sample back twice (dryload read --from TARGET --sample N) and compare "
        "the two with dryload diff: alike, the unit keeps it so; different, it is the way back.",
        faults=(58,),
    ),
    Cause(
        name="unit changes the width",
        where=Where.UNIT,
        sentence="The unit keeps the sample with another number of bits a word.",
        tells="A unit keeps the widths that it is made for. What it has no room for it cuts or "
        "rounds; more bits than were sent lose nothing.",
        remedy=(
            "Nothing, if it sounds right. Or convert the sample to the unit's own width before "
            "it is sent, where you can hear what it does: dryload encode.",
        ),
        experiment="Send the same sample with the width that came back: then nothing changes.",
        is_harmless=True,
    ),
)
