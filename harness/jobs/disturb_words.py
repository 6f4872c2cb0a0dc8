"""The vocabulary of disturbances: what can go wrong, in words, and what is known of it.

This table is the one home of the grammar: the parser reads it, `dryload disturbances` lists it, and
the help text quotes it.  In a form N is a whole number, Nth one such as 5th, P a number that may
have decimals, TIME one such as 60 ms, 2 s or 320 us, XX bytes in hexadecimal, KIND ack, nak, wait,
cancel or eof, THING one of packet, reply, message, request or header.

Nothing here is imported from the line: the way to a help text stays short.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Group(StrEnum):
    """Where a disturbance comes from."""

    CABLE = "on the cable"
    TIME = "in time"
    NEIGHBOURS = "from neighbours"
    REPLIES = "in the replies"
    UNIT = "in the unit"
    HOST = "in the host"


class Reach(StrEnum):
    """What a disturbance is done to."""

    LINE = "line"  # to messages on the line
    REPLY = "reply"  # to answers on the line
    UNIT = "unit"  # to the unit, as a message arrives
    WHOLE = "whole"  # from beginning to end: no place can be named


@dataclass(frozen=True, slots=True, kw_only=True)
class Word:
    """One disturbance."""

    name: str
    forms: tuple[str, ...] = ()
    """How it is asked for; none: it is another one, used as the example shows."""
    more: tuple[str, ...] = ()
    """What may be said of it behind that, wherever it stands."""
    group: Group
    reach: Reach = Reach.LINE
    usual: str = ""
    """Where it strikes if no place is named; "": one has to be."""
    does: str
    shows: str
    """What a receiver can see of it."""
    must: str
    """What the receiver, or of an answer the sender, does by the clause."""
    clause: str
    cause: str
    """The everyday situation."""
    example: str


_C, _T, _N, _R, _U, _H = Group

WORDS: Final[tuple[Word, ...]] = (
    Word(
        name="flip a bit",
        forms=("flip a bit", "flip bit N"),
        group=_C,
        does="Turns one bit of a byte over.",
        shows="The checksum of a packet does not fit; in a header or an answer nothing shows it.",
        must="Answer the packet with NAK.",
        clause="HSK-06",
        cause="A cable beside a mains lead, or one that is too long.",
        example="flip a bit in packet 7",
    ),
    Word(
        name="flip two bits of a column",
        forms=("flip two bits of a column", "flip two bits"),
        group=_C,
        does="Turns the same bit over in two bytes of a message.",
        shows="Nothing: the checksum fits. Only comparing the words finds it.",
        must="Acknowledge the packet; no receiver can know better.",
        clause="PKT-05",
        cause="A bad contact that spoils bytes by the dozen.",
        example="flip two bits of a column in packet 3",
    ),
    Word(
        name="lose a byte",
        forms=("lose a byte", "lose N bytes"),
        group=_C,
        does="Lets bytes of a message vanish; the line is silent for their time.",
        shows="The message is too short.",
        must="Not act on it; NAK is what File Dump asks for.",
        clause="FRM-05",
        cause="An interface with too small a buffer.",
        example="lose 3 bytes in packet 5",
    ),
    Word(
        name="add a byte",
        forms=("add a byte", "add XX"),
        group=_C,
        does="Puts bytes into a message, in front of one of its bytes.",
        shows="The message is too long; a byte from F8 on is none of its own, and any other status "
        "byte ends it.",
        must="Set real-time bytes aside and not act on a message of wrong length.",
        clause="FRM-03",
        cause="Firmware that repeats bytes when it is busy.",
        example="add F8 in packets 3 to 9",
    ),
    Word(
        name="swap two bytes",
        forms=("swap two bytes",),
        group=_C,
        does="Lets a byte and the next one change places.",
        shows="Nothing: the checksum fits. Only comparing the words finds it.",
        must="Acknowledge the packet; no receiver can know better.",
        clause="PKT-05",
        cause="A driver that puts pieces together in the wrong order.",
        example="swap two bytes in packet 4, byte 20",
    ),
    Word(
        name="set a high bit",
        forms=("set a high bit",),
        group=_C,
        does="Makes a data byte a status byte by setting its eighth bit.",
        shows="A message that breaks off; what follows is loose data. From F8 on: a byte is missing.",
        must="Not act on the fragment.",
        clause="FRM-04",
        cause="A slow optocoupler at the end of a chain.",
        example="set a high bit in packet 2, byte 40",
    ),
    Word(
        name="noise",
        forms=("noise of N bytes", "noise"),
        group=_C,
        usual="messages",
        does="Makes some bytes in a row any others, status bytes among them; 5 unless it is said.",
        shows="A wrong checksum, a wrong length, or pieces that are no messages.",
        must="Answer with NAK where a packet can be told, and act on none of the pieces.",
        clause="HSK-06",
        cause="A dimmer on the same socket as the lights go down.",
        example="noise of 5 bytes at 2 s",
    ),
    Word(
        name="lose",
        forms=("lose",),
        group=_C,
        does="Lets a whole message vanish.",
        shows="A jump in the packet numbers, or silence.",
        must="After a jump: store it as good, answer NAK, or cancel; the standard leaves it open.",
        clause="HSK-16",
        cause="A router that drops what it has no time for.",
        example="lose packet 7",
    ),
    Word(
        name="repeat",
        forms=("repeat",),
        group=_C,
        does="Sends a message twice, back to back.",
        shows="The same packet number twice.",
        must="Acknowledge it again and not store it again.",
        clause="HSK-15",
        cause="Two routes in a patch bay that lead to the same socket.",
        example="repeat every 4th packet",
    ),
    Word(
        name="reorder",
        forms=("reorder",),
        group=_C,
        does="Keeps a message back until the next one and lets it arrive behind that one.",
        shows="Packet numbers that jump, and jump back.",
        must="Treat what it does not expect as the unit always does after a jump.",
        clause="HSK-16",
        cause="A driver with two queues.",
        example="reorder packet 6",
    ),
    Word(
        name="cut",
        forms=("cut",),
        more=("after N bytes",),
        group=_C,
        does="Lets only the beginning of a message through; without a number the seed says how much.",
        shows="A message without its end, cut short by the next one.",
        must="Not act on it.",
        clause="FRM-05",
        cause="An interface that stops at a certain length.",
        example="cut packet 3 after 60 bytes",
    ),
    Word(
        name="join",
        forms=("join",),
        more=("to the next",),
        group=_C,
        does="Keeps a message back and lets it arrive together with the next one.",
        shows="Two messages without a pause between them, the first one late.",
        must="Find the same messages however they are delivered.",
        clause="FRM-11",
        cause="A driver that collects messages before it hands them over.",
        example="join packet 2 to the next",
    ),
    Word(
        name="split",
        forms=("split",),
        more=("into pieces of N bytes", "with pauses of TIME"),
        group=_C,
        does="Lets a message arrive in pieces, of 32 bytes with pauses of 1 ms unless it is said.",
        shows="Gaps inside a message.",
        must="Put the pieces together.",
        clause="FRM-11",
        cause="A driver that works in blocks.",
        example="split packets 2 to 5 into pieces of 16 bytes with pauses of 5 ms",
    ),
    Word(
        name="unplug",
        forms=("unplug the cable", "unplug"),
        more=("for TIME",),
        group=_C,
        usual="messages",
        does="Lets nothing arrive from an instant on, for a time or for good.",
        shows="Silence.",
        must="Give the dump up after a while; how long is open in the standard.",
        clause="STA-03",
        cause="Somebody's foot.",
        example="unplug the cable at 1.5 s for 300 ms",
    ),
    Word(
        name="delay",
        forms=("delay",),
        more=("by TIME",),
        group=_T,
        does="Lets a message arrive later; what follows it queues behind.",
        shows="Nothing at the receiver; the sender may have gone on.",
        must="Take it as if nothing had been.",
        clause="TIM-08",
        cause="A wireless bridge.",
        example="delay every 3rd packet by 30 ms",
    ),
    Word(
        name="jitter",
        forms=("jitter of up to TIME", "jitter of TIME", "jitter up to TIME"),
        group=_T,
        usual="messages",
        does="Lets each message arrive later by a time of its own.",
        shows="Distances that vary.",
        must="Take it as if nothing had been.",
        clause="TIM-08",
        cause="A computer that has other things to do.",
        example="jitter of up to 12 ms",
    ),
    Word(
        name="slow line",
        forms=("slow line at P percent", "slow line"),
        group=_T,
        usual="messages",
        does="Carries bytes with less than full speed, half of it unless it is said.",
        shows="Gaps between all bytes; the sender believes that the message has long arrived.",
        must="Take the message: gaps are legal.",
        clause="TIM-08",
        cause="An interface that looks at its buffer too seldom.",
        example="slow line at 60 percent",
    ),
    Word(
        name="no spacing",
        forms=("no spacing",),
        group=_T,
        reach=Reach.WHOLE,
        does="The sender waits for no answer to a packet: the next one follows at once.",
        shows="Packets without the 20 ms between them that belong there.",
        must="The sender leaves at least 20 ms to a receiver that does not answer.",
        clause="TIM-03",
        cause="A program that counts its time from handing a message over.",
        example="no spacing",
    ),
    Word(
        name="pause",
        forms=("pause of TIME",),
        group=_T,
        does="Lets the line be silent inside a message.",
        shows="A gap between two bytes.",
        must="Go on with the message after it.",
        clause="TIM-08",
        cause="A computer that was about to save a file.",
        example="pause of 250 ms in packet 3, byte 64",
    ),
    Word(
        name="drift",
        forms=("drift of P percent",),
        group=_T,
        usual="messages",
        does="Lets the clock of the line wander between too slow and too fast, to and fro in 20 s.",
        shows="A packet that lasts longer or shorter than 40.64 ms; 1 percent is allowed.",
        must="Take it: only times differ here, and no byte.",
        clause="TIM-06",
        cause="A box with a resonator instead of a crystal.",
        example="drift of 2.5 percent",
    ),
    Word(
        name="clock",
        forms=("clock at N beats per minute", "clock at N", "clock"),
        group=_N,
        usual="messages",
        does="Puts the timing clock, F8, into messages 24 times a beat; 120 beats unless it is said.",
        shows="F8 inside messages, which get longer by its time.",
        must="Set it aside before counting and summing.",
        clause="FRM-03",
        cause="A drum machine on the same cable, running.",
        example="clock at 140 beats per minute",
    ),
    Word(
        name="active sensing",
        forms=("active sensing",),
        group=_N,
        usual="messages",
        does="Puts active sensing, FE, into messages every 270 ms.",
        shows="FE inside messages.",
        must="Set it aside before counting and summing.",
        clause="FRM-03",
        cause="A keyboard on the same cable that nobody touches.",
        example="active sensing",
    ),
    Word(
        name="reset",
        forms=("reset",),
        group=_N,
        does="Puts a system reset, FF, into a message.",
        shows="FF inside a message.",
        must="Say so; a unit that obeys it loses the dump.",
        clause="FRM-12",
        cause="A controller that is switched on.",
        example="reset in packet 4",
    ),
    Word(
        name="notes between",
        forms=("notes in front of", "a note in front of"),
        group=_N,
        does="Puts a note (90 3C 40) in front of a message.",
        shows="Short messages between those of the dump.",
        must="Go on with the dump; during WAIT a sender may abort.",
        clause="HSK-22",
        cause="Somebody who tries the keyboard meanwhile.",
        example="notes in front of every 6th packet",
    ),
    Word(
        name="a note inside",
        forms=("a note inside", "notes inside"),
        group=_N,
        does="Puts a note (90 3C 40) inside a message, which its status byte ends.",
        shows="A message that breaks off; what follows is loose data.",
        must="Not act on the fragment.",
        clause="FRM-04",
        cause="A merger that does not wait for the end of a message.",
        example="a note inside packet 5",
    ),
    Word(
        name="lost replies",
        group=_R,
        does="Lets answers vanish.",
        shows="The sender hears nothing and sends the packet again, or goes on.",
        must="Leave at least 20 ms; two seconds after a header.",
        clause="TIM-03",
        cause="The second cable is missing, or leads to the wrong socket.",
        example="lose every 5th reply",
    ),
    Word(
        name="late replies",
        group=_R,
        does="Lets answers come later.",
        shows="Answers to one packet while the next one is under way.",
        must="The sender does not take them for answers to the next packet.",
        clause="TIM-10",
        cause="A busy interface on the way back.",
        example="delay replies by 60 ms",
    ),
    Word(
        name="wrong number",
        forms=("wrong number",),
        more=("by N",),
        group=_R,
        reach=Reach.REPLY,
        usual="replies",
        does="Adds to the packet number of an answer, 1 unless it is said.",
        shows="Answers with a number that was not asked for.",
        must="An ACK carries the number of the packet that it accepts.",
        clause="HSK-02",
        cause="A unit that says which packet it wants next.",
        example="wrong number in every 3rd reply",
    ),
    Word(
        name="wrong device",
        forms=("wrong device",),
        more=("by N",),
        group=_R,
        reach=Reach.REPLY,
        usual="replies",
        does="Adds to the device ID of an answer, 1 unless it is said.",
        shows="Answers that seem to come from another unit.",
        must="One device ID is used throughout a dump.",
        clause="DEV-03",
        cause="Two units that share a cable.",
        example="wrong device in the reply to the header",
    ),
    Word(
        name="answer",
        forms=("answer KIND",),
        group=_R,
        reach=Reach.REPLY,
        usual="replies",
        does="Makes every answer this handshake instead, for ever if nothing else is said.",
        shows="The same answer again and again.",
        must="Send the packet again after NAK, wait without limit after WAIT, stop after CANCEL.",
        clause="HSK-10",
        cause="A unit that has lost its way.",
        example="answer NAK to packets 3 to 4",
    ),
    Word(
        name="endless WAIT",
        group=_R,
        does="Makes every answer from some packet on WAIT.",
        shows="WAIT, and then nothing.",
        must="The sender sends nothing until another message comes, however long that takes.",
        clause="HSK-09",
        cause="A unit that asks something on its display.",
        example="answer WAIT to packets from 5 on",
    ),
    Word(
        name="CANCEL",
        group=_R,
        does="Makes one answer CANCEL.",
        shows="The end of the dump.",
        must="The sender begins no further packet.",
        clause="HSK-11",
        cause="Somebody presses stop at the unit.",
        example="answer CANCEL to packet 6",
    ),
    Word(
        name="echo",
        forms=("echo",),
        group=_R,
        usual="messages",
        does="Lets what goes out come back as well.",
        shows="The sender hears its own messages between the answers.",
        must="Take an echo for no answer.",
        clause="HSK-21",
        cause="A unit or a patch bay that passes its input on.",
        example="echo every 2nd packet",
    ),
    Word(
        name="acknowledge bad packets",
        forms=("acknowledge bad packets",),
        group=_U,
        reach=Reach.WHOLE,
        does="The unit stores packets whatever their checksum, and answers ACK.",
        shows="Nothing on the line: ACK for a packet that came wrong.",
        must="Send ACK only where the checksum is right.",
        clause="HSK-05",
        cause="A unit whose maker saved the sum.",
        example="acknowledge bad packets",
    ),
    Word(
        name="forget the header",
        forms=("forget the header",),
        group=_U,
        reach=Reach.UNIT,
        does="As a message arrives the unit knows of no dump any more.",
        shows="Packets get no answer from here on.",
        must="A packet outside a dump changes nothing.",
        clause="STA-01",
        cause="Somebody turns a page on the unit's display.",
        example="forget the header at packet 3",
    ),
    Word(
        name="memory ends",
        forms=("memory ends after N words",),
        group=_U,
        reach=Reach.WHOLE,
        does="The unit has so many words of memory and notices as it fills.",
        shows="CANCEL in the middle of a dump.",
        must="Send CANCEL when there is no memory left.",
        clause="HSK-12",
        cause="A unit with less memory fitted than everybody thought.",
        example="memory ends after 100 words",
    ),
    Word(
        name="power fails",
        forms=("power fails",),
        more=("for TIME",),
        group=_U,
        reach=Reach.UNIT,
        does="The unit goes off as a message arrives, and comes back after a time, if at all.",
        shows="Silence; then a unit that knows of no dump.",
        must="A packet outside a dump changes nothing.",
        clause="STA-01",
        cause="Somebody leans on the mains switch.",
        example="power fails at packet 3 for 2 s",
    ),
    Word(
        name="store wrong",
        forms=("store wrong",),
        group=_U,
        reach=Reach.UNIT,
        does="The unit acknowledges a packet and keeps another byte than came.",
        shows="Nothing on the line. Only reading back finds it.",
        must="Hold the words that were sent.",
        clause="WRD-12",
        cause="A memory chip that has grown old.",
        example="store wrong in packet 2",
    ),
    Word(
        name="buffer overruns",
        forms=("buffer of N bytes",),
        group=_U,
        reach=Reach.WHOLE,
        does="What can wait at the unit's input is no more than so many bytes.",
        shows="Packets that come while it works lose bytes.",
        must="Not act on a message of wrong length.",
        clause="FRM-05",
        cause="An old unit and a sender that does not wait.",
        example="buffer of 128 bytes",
    ),
    Word(
        name="habit",
        forms=("habit KEY VALUE",),
        group=_U,
        reach=Reach.WHOLE,
        does="Gives the unit another habit or trait: any key of a profile.",
        shows="What the profile's key says.",
        must="What the key's clause says.",
        clause="HSK-16",
        cause="Another unit.",
        example="habit number_jump cancel",
    ),
    Word(
        name="link",
        forms=("link NAME",),
        group=_H,
        reach=Reach.WHOLE,
        does="Puts an interface between the host and the cable, with one habit.",
        shows="What dryload replay --link with a wrong name tells of each.",
        must="Find the same messages however they are delivered.",
        clause="FRM-11",
        cause="Any interface but a good one.",
        example="link every-256th",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Phrase:
    """One way to say where or when."""

    form: str
    does: str


PLACES: Final[tuple[Phrase, ...]] = (
    Phrase(form="packet N", does="that packet, counted from 0, as it first goes out in a dump"),
    Phrase(form="packets N to N", does="those packets, each as it first goes out"),
    Phrase(
        form="packets from N on", does="that packet and all behind it, each as it first goes out"
    ),
    Phrase(form="header", does="the header, as it first goes out"),
    Phrase(form="reply to packet N", does="the first answer to that packet"),
    Phrase(form="replies to packets N to N", does="the first answers to those packets"),
    Phrase(form="reply to header", does="the first answer to the header"),
    Phrase(form="message N", does="that message in its direction, counted from 0"),
    Phrase(form="messages N to N", does="those messages"),
    Phrase(form="every Nth THING", does="5th, 10th, 15th and so on, those sent again counted too"),
    Phrase(form="every THING", does="every one, those sent again too"),
    Phrase(form="THINGS", does="the same: packets, replies, messages, requests or headers"),
    Phrase(form="byte N", does="that byte of the message, counted from 0 at F0"),
    Phrase(form="with chance 1 in N", does="one in so many, as the seed decides"),
    Phrase(form="seed N", does="another number decides otherwise; the same one always alike"),
    Phrase(form="each time", does="also when the same message goes out again"),
    Phrase(form="once", does="one time and no more"),
    Phrase(form="at most N times", does="so often and no more"),
    Phrase(
        form="at TIME", does="the first one on its way then or later; time begins with the dump"
    ),
    Phrase(form="from TIME on", does="from that instant on"),
    Phrase(form="until TIME", does="up to that instant"),
    Phrase(form="between TIME and TIME", does="within that time"),
    Phrase(form="to the unit", does="in that direction"),
    Phrase(form="from the unit", does="in that direction: answers, and what is read back"),
    Phrase(form="both ways", does="in both directions"),
)
"""Where and when, longest forms first where one begins another; "the" may stand anywhere."""

FILLERS: Final = ("in", "of", "on", "to", "at", "with", "and", "inside", "for")
"""Little words that may stand between, and mean nothing by themselves."""
