"""Causes on the way: whole messages that vanish or come twice, the cable, and its pace.

They stand in the order in which they are told where as much speaks for one as for another.
"""

from typing import Final

from harness.diagnose.cause import Cause, Where

_CABLE: Final = (
    "Push the plugs in firmly, then try another cable and another socket of the interface.",
    "Leave out what stands between: a thru box, a switch, a long chain of devices.",
)
_SENDINGS: Final = "Send the same dump again with dryload replay FILE --to midi:PORT and compare: "
_PACE: Final = "Send with dryload replay FILE --to midi:PORT, which keeps the pace of the line."

WAY_MESSAGES_CAUSES: Final[tuple[Cause, ...]] = (
    Cause(
        name="faulty pauses",
        where=Where.WAY_THERE,
        sentence="Something holds messages back for so long that the other side gave up on them.",
        tells="A pause inside a message is allowed, but no unit and no sender waits for ever. An "
        "interface or a program that is busy with something else can hold back half a message.",
        remedy=(
            "Close other programs that use the interface, and connect it directly and not through "
            "a hub.",
            _PACE,
        ),
        experiment='Rehearse it: dryload replay FILE --disturb "pause of 4000 ms in packet 3".',
        faults=(16,),
        brings=(
            "answers lost on the way back",
            "answers late",
            "messages lost on the way",
            "messages doubled on the way",
            "cable out",
            "sender gave up",
            "sender does not wait",
            "unit fell silent",
            "unit hears and does not answer packets",
            "two answers to one message",
        ),
    ),
    Cause(
        name="cable out",
        where=Where.WAY_THERE,
        sentence="The connection was broken from one instant on: a plug, a cable or a switch.",
        tells="In the middle of everything nothing passes any more, for a time or for good. What "
        "was under way at that instant arrives as a torn message or not at all.",
        remedy=(*_CABLE, "Then send the whole dump again from the beginning."),
        experiment=_SENDINGS + "a loose plug fails at another packet each time, and moving the "
        "cable brings it about.",
        faults=(8,),
        brings=(
            "messages lost on the way",
            "bytes lost on the way",
            "bytes added on the way",
            "messages cut at a length",
            "message ends lost",
            "sender passes over NAK",
            "answers lost on the way back",
            "sender gave up",
            "unit fell silent",
        ),
    ),
    Cause(
        name="line too fast",
        where=Where.WAY_THERE,
        sentence="The packets come faster than a MIDI cable carries them, and the unit loses some.",
        tells="Through USB or a network a packet can be there in a few milliseconds; over a "
        "five-pin cable it takes 41. A unit that was made for the cable cannot keep up.",
        remedy=(_PACE, "Set a speed limit or a delay between messages in the interface."),
        experiment='dryload replay FILE --disturb "no spacing" shows what a unit makes of it.',
        faults=(52,),
        brings=(
            "sender does not wait",
            "unit input overruns",
            "answers lost on the way back",
            "answers late",
        ),
    ),
    Cause(
        name="messages out of order",
        where=Where.WAY_THERE,
        sentence="Packets overtook one another on the way to the unit.",
        tells="A cable cannot do that; a network, a driver with several queues or a program that "
        "sorts by time can.",
        remedy=(
            "Go through a plain interface with a cable instead of a network.",
            _PACE,
        ),
        experiment="Look at the file with dryload validate FILE: if its packets are in order, they "
        "changed places on the way.",
        brings=(
            "messages lost on the way",
            "packets out of order in the dump",
            "packets missing in the dump",
            "unit goes on after a jump",
        ),
    ),
    Cause(
        name="messages doubled on the way",
        where=Where.WAY_THERE,
        sentence="A packet left once and arrived twice.",
        tells="Two routes lead to the unit at once, or a driver or merge box hands a message on "
        "twice.",
        remedy=(
            "Look for a second route: a thru function of the program or the interface beside the "
            "direct one.",
            "Switch all but one off, and send again.",
        ),
        experiment="Record what leaves the computer and what arrives at the unit: if it leaves "
        "once, it is doubled on the way. dryload validate FILE tells whether the file has it "
        "twice.",
        brings=(
            "two answers to one message",
            "answers lost on the way back",
            "packet twice in the dump",
            "sender does not wait",
            "answers late",
        ),
    ),
    Cause(
        name="messages lost on the way",
        where=Where.WAY_THERE,
        sentence="A whole message did not arrive at the unit.",
        tells="A buffer in the computer or the interface ran over, or the connection was gone for "
        "a moment. A packet that goes missing without its answer being waited for is missing in "
        "the sound.",
        remedy=(
            *_CABLE,
            "Use answers from the unit (connect the cable back), so that a lost packet is sent "
            "again.",
        ),
        experiment=_SENDINGS + "on the way it is now this packet and now that one, and in a file "
        "that lacks one (dryload validate FILE) always the same.",
        faults=(8, 25),
        brings=(
            "sender gave up",
            "packets missing in the dump",
            "unit goes on after a jump",
            "unit stores nothing",
            "unit stores other words",
            "request unanswered",
        ),
    ),
    Cause(
        name="exclusive messages filtered out",
        where=Where.WAY_BACK,
        sentence="Notes pass, but no System Exclusive message does: something filters them out.",
        tells="Sample dumps travel as System Exclusive messages. Interfaces, programs and units "
        "have a switch that lets them pass or not.",
        remedy=(
            "Switch System Exclusive on in the unit, in the interface and in the program.",
            "Leave out boxes in between; some cannot pass messages that long.",
        ),
        experiment="Play a note, then ask for a sample with dryload read: if the note passes and "
        "the question stays unanswered, it is a filter or a device ID.",
        faults=(2, 5),
        brings=("nothing comes back", "request unanswered", "sender gave up"),
    ),
    Cause(
        name="line speed off",
        where=Where.WAY_THERE,
        sentence="The line does not run at its speed: it is off by more than one per cent.",
        tells="A line runs at 31,250 bits a second, give or take one per cent. Beyond that a "
        "receiver reads wrong bytes, more often in long messages than in short ones.",
        remedy=("Try another interface; the clock of this one is off.",),
        experiment="Record the same dump through another interface and compare the times: "
        "dryload explain CAPTURE.",
        brings=("bytes altered on the way", "slow line"),
    ),
    Cause(
        name="slow line",
        where=Where.WAY_THERE,
        sentence="The line is slower than it should be, and nothing came to harm by it.",
        tells="Each byte takes longer than its 0.32 ms. Most units follow.",
        remedy=("Nothing has to be done.",),
        experiment="Record the same dump through another interface and compare the times.",
        is_harmless=True,
    ),
    Cause(
        name="pieces with pauses",
        where=Where.WAY_THERE,
        sentence="Messages arrive in pieces with pauses between them, which is allowed.",
        tells="A computer hands a long message over in parts. The unit has to wait for the rest.",
        remedy=("Nothing has to be done.",),
        experiment='Rehearse it: dryload replay FILE --disturb "pause of 5 ms in packets".',
        faults=(16,),
        is_harmless=True,
    ),
    Cause(
        name="messages joined",
        where=Where.WAY_THERE,
        sentence="A driver collects messages and hands several over at once.",
        tells="The bytes are right; only the time between the messages is gone in the recording.",
        remedy=("Nothing has to be done.",),
        experiment="Record it again through another interface.",
        faults=(17,),
        is_harmless=True,
    ),
)
