"""Causes in the unit that show while a dump runs: what it refuses, rejects, waits for, takes.

They stand in the order in which they are told where as much speaks for one as for another.
"""

from typing import Final

from harness.diagnose.cause import Cause, Where

_AGAIN: Final = (
    "Send the same dump once more. If the unit ends it at the same packet, it is the memory; at "
    "another one or not at all, it was a hand on the panel or a disturbance."
)

_ENDS: Final[tuple[Cause, ...]] = (
    Cause(
        name="unit refuses the sample",
        where=Where.UNIT,
        sentence="The unit refused the sample before the first packet (it answered the header "
        "with CANCEL).",
        tells="From the header a unit knows how long and how wide the sample is and where it "
        "should go. It says no where there is no room, as in memory that was fitted and not yet "
        "initialised, where it cannot take that width or length, or where the place is protected "
        "or does not exist. It gives no reason.",
        remedy=(
            "If memory was fitted lately, initialise it first at the unit's front panel: that "
            "wipes whatever it holds, so read out first what it still gives, dryload read.",
            "See in the unit's display how much memory is free, and make room there (deleting a "
            "sample cannot be undone: read it out first with dryload read).",
            "Turn off the memory protection, or send to another sample number.",
            "Convert the sample to 16 bits, or shorten it, and encode it again: dryload encode.",
            "See that nobody presses a key at the unit meanwhile.",
        ),
        experiment="Send one word of 16 bits to the same place, then to another one: what is taken "
        "tells whether size, width or place was refused.",
        faults=(6,),
        brings=("memory full", "stopped at the unit", "sender gave up"),
    ),
    Cause(
        name="stopped at the unit",
        where=Where.BENCH,
        sentence="The unit ended the dump in the middle (CANCEL) although nothing was wrong with "
        "the packets.",
        tells="Somebody pressed a key that stops it, or the unit turned to something else.",
        remedy=(
            "Send it again and leave the unit's keys alone until it is done: "
            "dryload replay FILE --to midi:PORT.",
            "If it ends at the same packet again, see to the memory of the unit.",
        ),
        experiment=_AGAIN,
        faults=(8,),
        brings=("sender gave up",),
    ),
    Cause(
        name="memory full",
        where=Where.UNIT,
        sentence="The unit ended the dump (CANCEL) although the packets were right: most likely "
        "its memory is full.",
        tells="Some units notice only in the middle of a dump that there is no room for the rest, "
        "or have a greatest length for a sample.",
        remedy=(
            "See in the unit's display how much memory is free, and make room there (deleting a "
            "sample cannot be undone: read it out first with dryload read).",
            "Shorten the sample or lower its rate, and encode it again: dryload encode.",
        ),
        experiment=_AGAIN,
        faults=(7,),
        brings=("sender gave up",),
    ),
    Cause(
        name="unit waits for somebody",
        where=Where.UNIT,
        sentence="The unit asked for patience (WAIT) and said nothing more.",
        tells="After WAIT a sender has to wait without a limit. Some units wait for a key to be "
        "pressed or for a disk; an answer that was lost looks the same.",
        remedy=(
            "Look at the unit's display: it may ask for a key or a disk.",
            "If it asks for nothing, stop the dump at both sides and send it again, over another "
            "cable back.",
        ),
        experiment="Answer what the display asks. If the dump goes on, it was that; if the display "
        "asks for nothing, the answer was lost on the way back.",
        faults=(9,),
        brings=("sender gave up",),
    ),
)

_PACKETS: Final[tuple[Cause, ...]] = (
    Cause(
        name="unit takes damaged packets",
        where=Where.UNIT,
        sentence="A packet arrived damaged and the unit took it all the same (ACK).",
        tells="The unit does not compute the checksum, or does nothing about a wrong one. What was "
        "damaged is now in its memory.",
        remedy=(
            "See to the damage first: a shorter cable, no other device in between.",
            "Read every dump back and compare it, as the unit's yes is worth little: "
            "dryload read --from TARGET --sample N, then dryload diff.",
        ),
        experiment="Send a dump with a wrong checksum on purpose, such as "
        "captures_demo/broken/thunder-checksum-wrong.syx, with dryload replay FILE --anyway --to "
        "midi:PORT: a unit that looks at checksums says no (NAK) to packet 4.",
        faults=(58,),
    ),
    Cause(
        name="unit rejects one packet for ever",
        where=Where.UNIT,
        sentence="The unit rejects one packet (NAK) each time it comes, although it is right.",
        tells="Something about just this packet displeases the unit or what lies before it: a "
        "pattern of bytes, its number, or the place in memory where it should go.",
        remedy=(
            "Send the dump to another sample number; if the same packet is rejected again, it is "
            "its content or its number.",
            "Cut a little off the beginning of the sample and encode it again, so that other words "
            "come into that packet: dryload encode.",
            "Connect the unit directly, by another interface, and switch it off and on before.",
        ),
        experiment="Send the same words under another packet number, and other words under this "
        "number: what is rejected tells which of the two it is.",
        faults=(13,),
        brings=("sender gave up",),
    ),
    Cause(
        name="unit rejects good packets",
        where=Where.UNIT,
        sentence="The unit rejects packets (NAK) that are right as recorded.",
        tells="The unit computes the checksum in another way, counts something as data that is "
        "none, or has lost bytes inside where no capture shows it.",
        remedy=(
            "Stop clocks and everything else that sends on the same cable.",
            "Leave more time between packets: dryload replay FILE --to midi:PORT waits as it "
            "should.",
            "Try another cable there, and switch the unit off and on.",
            "Record at the input of the unit if that was not done: behind the last cable.",
        ),
        experiment="Send a dump of one packet of silence: if that is taken, it depends on the "
        "content or on the speed; if not, on how the unit computes the checksum.",
        faults=(11, 13),
        brings=("sender gave up",),
    ),
    Cause(
        name="unit input overruns",
        where=Where.UNIT,
        sentence="Packets reach the unit whole, and some of their bytes are lost inside it.",
        tells="The unit still stores one packet as the next one comes in. Its input holds only so "
        "many bytes, and what does not fit is lost: the unit then says no, or nothing.",
        remedy=(
            "Send with answers in both directions, so that each packet waits for the unit: "
            "dryload replay FILE --to midi:PORT.",
            "Where no answers are to be had, leave longer pauses between packets.",
            "Stop clocks and everything else that goes to the unit at the same time.",
        ),
        experiment="Send the same dump with pauses of 100 ms between packets: if it then arrives, "
        "the unit was too slow.",
        faults=(14, 52),
        brings=(
            "unit rejects good packets",
            "answers lost on the way back",
            "answers late",
            "sender gave up",
        ),
    ),
    Cause(
        name="unit fell silent",
        where=Where.UNIT,
        sentence="The unit answered at first, and from some packet on not at all.",
        tells="It was switched off, went to another page, forgot the dump, or no longer listens. "
        "A broken way back looks the same.",
        remedy=(
            "See whether the unit is on and stands on the page where it receives dumps; leave its "
            "keys alone and send again.",
            "Switch it off and on again. Never open it: there is mains voltage inside, which is a "
            "matter for a qualified person.",
            "Try other cables, back and there.",
        ),
        experiment="Ask the unit for a sample afterwards: dryload read --from TARGET --sample N. "
        "If it answers, the way back is right and the unit had forgotten the dump.",
        brings=("sender gave up",),
    ),
    Cause(
        name="extended header not known",
        where=Where.UNIT,
        sentence="The unit seems not to know the extended header: it said nothing to this dump.",
        tells="The extended header was added to the standard later. An older unit passes over it, "
        "and then over all the packets behind it.",
        remedy=(
            "Encode the sample with the standard header and send that: dryload encode.",
            "dryload replay FILE --to midi:PORT falls back to the standard header by itself where "
            "that can hold the sample.",
        ),
        experiment="Send the same sample with the standard header: if that is answered, it was the "
        "header.",
        faults=(54,),
        brings=(
            "nothing comes back",
            "unit hears and does not answer packets",
            "answers lost on the way back",
            "unit fell silent",
        ),
    ),
)

_REMARKS: Final[tuple[Cause, ...]] = (
    Cause(
        name="final answer missing",
        where=Where.UNIT,
        sentence="The unit does not answer the last packet, which does no harm.",
        tells="It has all it needs by then, and some units say nothing more.",
        remedy=("Nothing to do, unless the sender waits for that answer for ever.",),
        experiment="Read the sample back: dryload read --from TARGET --sample N.",
        faults=(31,),
        is_harmless=True,
    ),
    Cause(
        name="unit goes on after a jump",
        where=Where.UNIT,
        sentence="The unit took packets (ACK) after one was missing.",
        tells="The standard lets a unit go on after a jump in the numbers. What is missing is then "
        "a gap or a click in the sound.",
        remedy=(
            "See why a packet was missing, and send the dump again.",
            "Read the sample back and compare it: dryload read --from TARGET --sample N, then "
            "dryload diff.",
        ),
        experiment='dryload replay FILE --disturb "lose packet 3, once" shows what a unit does.',
        faults=(25,),
        is_harmless=True,
    ),
)

UNIT_FLOW_CAUSES: Final[tuple[Cause, ...]] = (*_ENDS, *_PACKETS, *_REMARKS)
