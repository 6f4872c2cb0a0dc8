"""Causes on the way back, in the conduct of the sender, and around requests.

They stand in the order in which they are told where as much speaks for one as for another.
"""

from typing import Final

from harness.diagnose.cause import Cause, Where

_RETURN: Final = (
    "Try another cable and another input of the interface for the way back.",
    "Read the dump back and compare it: dryload read --from TARGET --sample N, then dryload diff.",
)
_SENDER: Final = (
    "Send the dump with dryload replay FILE --to midi:PORT, which keeps to the standard here.",
    "Look for an update or a setting of the program that sent it.",
)

_SENDERS: Final[tuple[Cause, ...]] = (
    Cause(
        name="sender takes a late answer for the next",
        where=Where.SENDER,
        sentence="The sender took an answer that came late for the answer to the next packet.",
        tells="An answer came after its time, while the next packet was already under way. The "
        "sender believed that this next packet had been taken.",
        remedy=(
            "Use a sender that looks at the packet number in an answer, or waits longer: "
            "dryload replay FILE --to midi:PORT.",
            "Find out what makes the answers late: try another interface on the way back.",
        ),
        experiment="Rehearse with late answers: dryload replay FILE "
        '--disturb "delay replies by 60 ms".',
        faults=(23,),
        brings=("answers late", "answers lost on the way back", "two answers to one message"),
    ),
    Cause(
        name="sender does not wait",
        where=Where.SENDER,
        sentence="The sender does not wait for the unit: its packets begin before an answer can "
        "have come.",
        tells="Between two packets a sender waits for an answer, or for 20 ms if none comes. Often "
        "the time is counted from the handing over of the packet and not from its end on the "
        "cable.",
        remedy=_SENDER,
        experiment='dryload replay FILE --disturb "no spacing" shows what a unit makes of it.',
        faults=(22, 52),
        brings=(
            "answers late",
            "answers lost on the way back",
            "sender passes over WAIT",
            "sender passes over NAK",
            "sender passes over CANCEL",
            "two answers to one message",
        ),
    ),
    Cause(
        name="sender passes over WAIT",
        where=Where.SENDER,
        sentence="The unit asked for patience (WAIT) and the sender went on.",
        tells="After WAIT a sender sends nothing until the unit speaks again, however long that "
        "takes. Some senders do not know WAIT, or put a limit on it.",
        remedy=_SENDER,
        experiment='dryload replay FILE --disturb "answer WAIT to packet 3" waits as it should.',
        faults=(10,),
    ),
    Cause(
        name="sender passes over CANCEL",
        where=Where.SENDER,
        sentence="The unit ended the dump (CANCEL) and the sender went on.",
        tells="After CANCEL the unit takes nothing more of this dump, so whatever follows is lost.",
        remedy=_SENDER,
        experiment='dryload replay FILE --disturb "answer CANCEL to packet 3" stops as it should.',
    ),
    Cause(
        name="sender passes over NAK",
        where=Where.SENDER,
        sentence="The unit said no to a packet (NAK) and the sender went on with the next one.",
        tells="A packet that is answered with NAK has to be sent again; passed over, it is missing "
        "in the unit.",
        remedy=_SENDER,
        experiment='dryload replay FILE --disturb "answer NAK to packet 3" sends it again.',
    ),
    Cause(
        name="sender insists on a number",
        where=Where.SENDER,
        sentence="The unit said yes (ACK) to the header, and the sender gave up all the same: it "
        "seems to insist on another number in that answer.",
        tells="Which packet number stands in the answer to a header is open in the standard. A "
        "sender that accepts only one of them gives up with half of all units.",
        remedy=_SENDER,
        experiment="Let an emulated unit answer with 0 and with 127 and see which one the sender "
        "takes: dryload serve with header_ack_number in a profile.",
        faults=(29,),
        brings=("sender gave up",),
    ),
    Cause(
        name="sender waits at the end",
        where=Where.SENDER,
        sentence="Everything was sent, and the sender waits for a last answer that never comes.",
        tells="Some units do not answer the last packet of a dump, as they have what they need. "
        "The sound is most likely there.",
        remedy=(
            "Stop the sender and look at the unit: the sample is probably complete.",
            "Read it back and compare: dryload read --from TARGET --sample N.",
        ),
        experiment="Send the same dump with dryload replay FILE --to midi:PORT, which ends after "
        "the last packet whether it is answered or not.",
        faults=(31,),
        brings=("sender gave up", "answers lost on the way back"),
    ),
    Cause(
        name="messages come back",
        where=Where.WAY_BACK,
        sentence="What is sent to the unit comes straight back to the sender.",
        tells="The unit or an interface passes its input on to its output, so the sender hears "
        "itself between the answers. Many do not mind; some take their own messages for answers.",
        remedy=(
            "Turn off the echo or thru function of the unit, the interface or the program.",
            "If that cannot be done, unplug the cable back and send without answers.",
        ),
        experiment="Unplug the cable back from the unit: if the messages still come back, the "
        "interface or the computer does it.",
        faults=(48,),
    ),
)

_REPLIES: Final[tuple[Cause, ...]] = (
    Cause(
        name="answers late",
        where=Where.WAY_BACK,
        sentence="The unit's answers come later than a sender has to wait for them.",
        tells="An answer to a packet is due within 20 ms (to a header within two seconds). A slow "
        "unit should ask for patience (WAIT); a busy interface on the way back delays answers too.",
        remedy=(
            "Use a sender that waits longer: dryload replay FILE --to midi:PORT.",
            "Try another interface on the way back, and close other programs that use it.",
        ),
        experiment="Connect the interface's output to its own input and see how long a message is "
        "on its way: what is left of the delay is the unit's.",
        faults=(23,),
        brings=(
            "answers lost on the way back",
            "answers with a wrong number",
            "two answers to one message",
            "sender gave up",
        ),
    ),
    Cause(
        name="two answers to one message",
        where=Where.WAY_BACK,
        sentence="One message gets two answers: two units listen, or something doubles messages.",
        tells="Two units with the same device ID on one cable both answer, and so do two routes "
        "in a patch bay that lead to the same socket.",
        remedy=(
            "Unplug one of the units, or give each a device ID of its own.",
            "Look through the patch bay or the routing program for a second route.",
        ),
        experiment="Unplug all units but one and send again: dryload replay FILE --to midi:PORT.",
        faults=(50,),
    ),
    Cause(
        name="answers altered on the way back",
        where=Where.WAY_BACK,
        sentence="An answer of the unit came changed or in pieces.",
        tells="The answers travel over a cable and an interface of their own. What is damaged "
        "there is not understood, or is taken for another answer.",
        remedy=_RETURN,
        experiment="Send the same dump again: damage by chance hits another packet, a habit of the "
        "unit the same one.",
        brings=("answers lost on the way back", "sender gave up"),
    ),
    Cause(
        name="answers with another device ID",
        where=Where.WAY_BACK,
        sentence="The answers carry another device ID than the dump.",
        tells="Every message names the unit that it is for. An answer under another ID comes from "
        "another unit, or from one that is set to another ID.",
        remedy=(
            "Set the unit to the ID that the dump is for, or send the dump for the unit's ID.",
            "Unplug other units that share the cable.",
        ),
        experiment="Unplug all units but one and send again: dryload replay FILE --to midi:PORT.",
        brings=("answers lost on the way back", "sender gave up"),
    ),
    Cause(
        name="answers with a wrong number",
        where=Where.WAY_BACK,
        sentence="Some answers name another packet than the one that they answer.",
        tells="A yes (ACK) or no (NAK) carries the number of its packet. A strict sender stops "
        "when the numbers do not agree, another one repeats the wrong packet.",
        remedy=(
            "Use a sender that does not mind: dryload replay FILE --to midi:PORT.",
            "Read the dump back and compare it: dryload read --from TARGET --sample N.",
        ),
        experiment="Send the same dump twice: the same packets both times mean that the unit "
        "counts so, others mean the cable back.",
    ),
    Cause(
        name="unit hears and does not answer packets",
        where=Where.UNIT,
        sentence="The unit hears what is sent and the way back works, but it does not answer "
        "packets.",
        tells="Some units never answer packets: the sender then leaves 20 ms between them and "
        "nobody says whether they arrived.",
        remedy=(
            "Nothing has to be mended: read the dump back and compare it with dryload read "
            "--from TARGET --sample N.",
            "Look in the unit's settings for handshake, closed loop or the like.",
            "If it used to answer, try other cables, there and back.",
        ),
        experiment="Ask the unit for a sample with dryload read --from TARGET --sample N: an "
        "answer shows that the cable back is sound.",
        faults=(1, 59),
        brings=("final answer missing",),
    ),
    Cause(
        name="answers lost on the way back",
        where=Where.WAY_BACK,
        sentence="Answers of the unit do not reach the sender.",
        tells="The packets arrive and the answers to some of them vanish: in the cable back, in "
        "the interface, or in a program that filters.",
        remedy=(
            *_RETURN,
            "If the same packets stay unanswered, switch the unit off and on and send again.",
        ),
        experiment="Send the same dump again over another cable back: dryload replay FILE "
        "--to midi:PORT. If the same packets stay unanswered, it is the unit.",
        brings=("sender gave up",),
    ),
)

_CONTACT: Final[tuple[Cause, ...]] = (
    Cause(
        name="other device ID",
        where=Where.BENCH,
        sentence="The unit has another device ID than the one that the messages are for.",
        tells="A unit passes over whatever is for another ID. Some displays count from 1 where the "
        "messages count from 0.",
        remedy=(
            "Send for the ID that the unit answers to, dryload replay FILE --device-id N --to "
            "midi:PORT, or set the unit to the other one.",
            "If the display counts from 1, take one less.",
        ),
        experiment="Send the dump for all devices, dryload replay FILE --device-id 127 --to "
        "midi:PORT: if that is answered, the ID was the matter.",
        faults=(3, 4),
        brings=("nothing comes back", "request unanswered", "sender gave up"),
    ),
    Cause(
        name="nothing comes back",
        where=Where.BENCH,
        sentence="Nothing at all comes back from the unit.",
        tells="The cable back is missing or in the wrong socket, the unit has another device ID or "
        "is not ready to receive, or something keeps System Exclusive messages out. Some units "
        "never answer: then the sample may be there all the same.",
        remedy=(
            "Look on the unit's panel whether the sample is there: if it is, nothing is wrong.",
            "Look at both cables: the unit's output has to lead to the interface's input.",
            "Look at the unit: is it on, has it the right device ID, does it let System Exclusive "
            "messages in?",
            "See which ports there are: dryload ports.",
        ),
        experiment="Play a note on the unit and watch whether it reaches the computer: if it does, "
        "the cable back is sound and it is the device ID or a filter.",
        faults=(1, 2),
        brings=("request unanswered", "sender gave up", "unit fell silent"),
    ),
    Cause(
        name="request answered with another sample",
        where=Where.UNIT,
        sentence="The unit sent another sample than the one that was asked for.",
        tells="Panels often count from 1 where messages count from 0, some units add a fixed "
        "number, and some swap the two bytes of the number.",
        remedy=(
            "Ask for the number that is right by the difference seen here: dryload read --from "
            "TARGET --sample N.",
        ),
        experiment="Ask for two different samples: if both are off by as much, the unit counts so.",
        faults=(45, 47),
    ),
    Cause(
        name="request unanswered",
        where=Where.BENCH,
        sentence="The unit answers other things, and not the request for this sample.",
        tells="A unit is silent where there is no such sample, where it may not be read, or while "
        "it is busy.",
        remedy=(
            "Look on the unit's panel which numbers hold a sample, and try one less than shown.",
            "Ask again: dryload read --from TARGET --sample N.",
        ),
        experiment="Ask for a number that surely holds a sample: dryload read --from TARGET "
        "--sample N.",
        faults=(46,),
    ),
    Cause(
        name="disturbed while waiting",
        where=Where.BENCH,
        sentence="While the sender was asked to wait (WAIT), another message came, and the dump "
        "ended there.",
        tells="During WAIT a sender may end the dump at any message other than an answer: a key or "
        "a knob that somebody touches is enough.",
        remedy=(
            "Leave keys and knobs alone while a dump runs, and send it again.",
            "Unplug from the unit's output whatever else leads into it.",
            "Use a sender that does not mind: dryload replay FILE --to midi:PORT.",
        ),
        experiment="Send the dump again and touch nothing meanwhile.",
        faults=(60,),
        brings=("sender gave up", "unit waits for somebody"),
    ),
    Cause(
        name="sensing fell silent",
        where=Where.SENDER,
        sentence="The sender's active sensing (a byte every 300 ms that says: I am still here) "
        "fell silent, and the unit dropped the dump.",
        tells="Whoever has once heard this byte takes a longer silence for a pulled cable, and the "
        "two seconds after a header are long enough.",
        remedy=(
            "Turn active sensing off in the sender or the interface, or keep it going all the "
            "time.",
        ),
        experiment="Send the dump without active sensing: dryload replay FILE --to midi:PORT.",
        faults=(20,),
        brings=("unit fell silent", "sender gave up"),
    ),
    Cause(
        name="sender gave up",
        where=Where.SENDER,
        sentence="The sender ended the dump before it was whole, and nothing on the line says why.",
        tells="Somebody stopped it, the program ended, or something came that it did not expect.",
        remedy=(
            "Look whether the dump is whole: dryload validate FILE.",
            "Send the dump again and leave the program alone meanwhile: dryload replay FILE --to "
            "midi:PORT.",
            "If it stops again, try other cables, there and back.",
        ),
        experiment="Send it again: if it stops at the same packet, look at what the unit says just "
        "before.",
    ),
)

_HARMLESS: Final[tuple[Cause, ...]] = (
    Cause(
        name="unit numbers answers its own way",
        where=Where.UNIT,
        sentence="The unit numbers its answers by a rule of its own.",
        tells="Some units always say 0, some name the packet that they want next. A sender that "
        "does not insist on numbers gets along with any of them.",
        remedy=("Nothing, unless a strict sender stops: then use dryload replay.",),
        experiment="Look through the answers with dryload explain.",
        faults=(28,),
        is_harmless=True,
    ),
    Cause(
        name="slow sender",
        where=Where.SENDER,
        sentence="The sender takes its time between an answer and the next packet.",
        tells="The dump lasts longer than it has to, and nothing else comes of it.",
        remedy=("Nothing; dryload replay FILE --to midi:PORT is faster.",),
        experiment="Compare how long dryload replay takes for the same dump.",
        faults=(59,),
        is_harmless=True,
    ),
)

ANSWER_CAUSES: Final[tuple[Cause, ...]] = (*_SENDERS, *_REPLIES, *_CONTACT, *_HARMLESS)
