"""What can be wrong with the dump itself: the same every time it is sent."""

from typing import Final

from harness.diagnose.cause import Cause, Where
from harness.diagnose.causes_file_content import (
    ANEW,
    COUNT_BROUGHT,
    HEADER_CAUSES,
    MIND_EARS,
    OTHER_PROGRAM,
    SEE_FILE,
    WORD_CAUSES,
)

_DAMAGE_BROUGHT: Final = (
    "bytes altered on the way",
    "bytes lost on the way",
    "bytes added on the way",
    "another sender on the cable",
    "message ends lost",
    "messages cut at a length",
    "unit rejects one packet for ever",
    "unit rejects good packets",
    "stopped at the unit",
    "sender gave up",
    "sender passes over NAK",
)
_NUMBERS_BROUGHT: Final = (
    *("messages lost on the way", "messages out of order", "bytes altered on the way"),
    *("unit rejects good packets", "unit goes on after a jump", "stopped at the unit"),
    *("answers with a wrong number", "sender gave up", "unit rejects one packet for ever"),
    *("message ends lost", "messages cut at a length"),
)
_PACKETS: Final = (
    Cause(
        name="numbers do not wrap",
        where=Where.FILE,
        sentence="The packets of the dump are numbered past 127 instead of beginning again at 0.",
        tells="The numbers of packets run from 0 to 127 and then from 0 again. Whatever made this "
        "dump counts on, and the byte that comes out ends the message in its middle.",
        remedy=(
            ANEW,
            OTHER_PROGRAM,
            "Until then cut the sound: up to 128 packets go well.",
        ),
        experiment="Send a dump of 128 packets and one of 129: the first goes well, the other "
        "does not.",
        faults=(26,),
        brings=_NUMBERS_BROUGHT + _DAMAGE_BROUGHT,
    ),
    Cause(
        name="numbers begin at 1",
        where=Where.FILE,
        sentence="The packets of the dump are numbered from 1 on instead of from 0.",
        tells="The first packet has to bear the number 0. A unit that minds the numbers takes "
        "the first packet for lost.",
        remedy=(ANEW, OTHER_PROGRAM),
        experiment=SEE_FILE,
        faults=(27,),
        brings=(*_NUMBERS_BROUGHT, "packets missing in the dump"),
    ),
    Cause(
        name="checksum of the wrong range",
        where=Where.FILE,
        sentence="The checksums of the dump are made from the wrong bytes, so the unit takes every "
        "packet for damaged.",
        tells="A checksum counts every byte from the one after F0 to the last data byte. Whatever "
        "made this dump counts others, or adds where it should combine.",
        remedy=(ANEW, OTHER_PROGRAM),
        experiment="Run `dryload validate FILE`: it names the bytes that the checksums were made "
        "from.",
        faults=(11,),
        brings=(*_DAMAGE_BROUGHT, "device ID rewritten on the way", "stuck data bit"),
    ),
    Cause(
        name="last packet short",
        where=Where.FILE,
        sentence="The last packet of the dump ends with the sound instead of being filled up to "
        "its full length.",
        tells="Every packet has 127 bytes; where the sound ends before, zeros have to follow. "
        "Whatever made this dump leaves them out.",
        remedy=(ANEW, OTHER_PROGRAM, "Or make the sound fill its last packet with silence."),
        experiment="Send a sound whose last packet is just full (40 words of 16 bits): it goes "
        "well.",
        faults=(30,),
        brings=_DAMAGE_BROUGHT,
    ),
    Cause(
        name="packet damaged in the dump",
        where=Where.FILE,
        sentence="A packet is damaged in the dump itself: it is sent that way every time.",
        tells="The file was probably recorded over a bad connection, or cut and joined: a packet "
        "in it is too long, too short, or has something else in its middle.",
        remedy=(
            "Take a good copy of the file, or record the dump again: `dryload read --from TARGET "
            "--sample N -o FILE.syx`.",
            ANEW,
        ),
        experiment=SEE_FILE,
        faults=(13, 14, 15, 18),
        brings=_DAMAGE_BROUGHT,
    ),
    Cause(
        name="checksums wrong in the dump",
        where=Where.FILE,
        sentence="A packet of the dump has a wrong checksum in the dump itself, so sending it "
        "again cannot help.",
        tells="The file was damaged after it was made, or recorded over a bad connection.",
        remedy=(
            "Take a good copy of the file, or record the dump again: `dryload read --from TARGET "
            "--sample N -o FILE.syx`.",
            ANEW,
        ),
        experiment=SEE_FILE,
        faults=(11, 13),
        brings=(*_DAMAGE_BROUGHT, "unit takes damaged packets"),
    ),
    Cause(
        name="packet for another device in the dump",
        where=Where.FILE,
        sentence="Not all messages of the dump are meant for the same device, so the unit passes "
        "over some of them.",
        tells="Header and packets each name the device they are for. In this dump the numbers "
        "differ, perhaps because it was put together from two.",
        remedy=(ANEW, "Give every message the device ID that is set at the unit."),
        experiment=SEE_FILE,
        faults=(3, 4),
        brings=(
            *_NUMBERS_BROUGHT,
            *("unit fell silent", "unit hears and does not answer packets", "other device ID"),
            *("nothing comes back", "answers lost on the way back", "cable out"),
            "header spoiled on the way",
        ),
    ),
    Cause(
        name="packet too many",
        where=Where.FILE,
        sentence="The dump has an empty packet after the one that holds the end of the sound.",
        tells="A sound that just fills its last packet gets no further one. Whatever made this "
        "dump counts one too many.",
        remedy=("Most units pass over it: nothing needs doing if the sound is there.", ANEW),
        experiment="Send sounds of 39, 40 and 41 words of 16 bits: only the one of 40 gets a "
        "packet too many.",
        faults=(32,),
        brings=(
            *("final answer missing", "stopped at the unit", "unit rejects good packets"),
            *("sender waits at the end", "unit fell silent", "length wrong", "sender gave up"),
            *("unit rejects one packet for ever", "unit hears and does not answer packets"),
            "answers lost on the way back",
        ),
    ),
    Cause(
        name="packets missing in the dump",
        where=Where.FILE,
        sentence="The dump has fewer packets than its header calls for: they were never sent.",
        tells="The file was cut short, or the dump was recorded over a connection that lost "
        "messages.",
        remedy=(
            "Take a good copy of the file, or record the dump again: `dryload read --from TARGET "
            "--sample N -o FILE.syx`.",
            ANEW,
            "If the file is whole, they were lost on the way: try another cable to the unit.",
        ),
        experiment=SEE_FILE,
        faults=(25,),
        brings=(*COUNT_BROUGHT, "unit goes on after a jump", "cable out", "length wrong"),
    ),
    Cause(
        name="packets out of order in the dump",
        where=Where.FILE,
        sentence="Two packets of the dump have changed places in the dump itself.",
        tells="The file was put together wrongly. Some units notice the numbers, others store the "
        "sound in the wrong order.",
        remedy=(
            "Take a good copy of the file.",
            ANEW,
        ),
        experiment=SEE_FILE,
        brings=(*_NUMBERS_BROUGHT, "packets missing in the dump"),
    ),
    Cause(
        name="packet twice in the dump",
        where=Where.FILE,
        sentence="A packet stands twice in the dump itself.",
        tells="The file is perhaps a recording of a transfer in which a packet had to be sent "
        "again. Some units store such a packet twice: the sound gets longer, and a bit of it is "
        "heard twice.",
        remedy=(
            "Take a good copy of the file.",
            ANEW,
        ),
        experiment=SEE_FILE,
        faults=(24,),
        brings=(
            *("messages doubled on the way", "two answers to one message"),
            *("sender takes a late answer for the next", "unit stores a packet twice"),
            *("answers late", "answers lost on the way back"),
        ),
    ),
    Cause(
        name="header missing",
        where=Where.FILE,
        sentence="The dump has no header, so the unit does not know what the packets are.",
        tells="The beginning of the file was lost, or the recording began too late.",
        remedy=(
            "Take a good copy of the file, or record the dump again from before it begins.",
            ANEW,
        ),
        experiment=SEE_FILE,
        brings=("header spoiled on the way", "messages lost on the way", "nothing comes back"),
    ),
    Cause(
        name="filler not zero",
        where=Where.FILE,
        sentence="Behind the end of the sound the last packet of the dump is filled with old bytes "
        "instead of zeros.",
        tells="Zeros have to follow the last word. Whatever made this dump left there what was in "
        "its memory, and a unit that plays the whole packet gives a bang at the end.",
        remedy=("If the sound ends with a bang, make the dump anew.", ANEW, MIND_EARS),
        experiment="Listen to the end of the sound: without a bang the unit leaves the filler "
        "out, and nothing needs doing.",
        faults=(33,),
    ),
    Cause(
        name="last packet spoiled",
        where=Where.FILE,
        sentence="The end of the sound is wrong: the last packet that was sent is not that of the "
        "source.",
        tells="Some programs spoil a last packet that is not quite full. The checksum fits, so "
        "the unit cannot notice.",
        remedy=(
            "Make the dump with another program, or lengthen the sound to full packets.",
            ANEW,
        ),
        experiment="Run `dryload diff SOURCE SENT` on the two: only the last packet differs.",
        faults=(34,),
        brings=("unit stores other words",),
    ),
)
_SOURCE: Final = (
    Cause(
        name="sent other than the source",
        where=Where.SENDER,
        sentence="What was sent is another dump than the source.",
        tells="Another file or an older version of it was sent, or a program made other words of "
        "it.",
        remedy=("Send the right file.", "Compare the two: `dryload diff SOURCE SENT`."),
        experiment="Send the source itself: `dryload replay SOURCE --to midi:PORT`.",
        brings=("damage that no receiver can see", "unit stores other words"),
    ),
    Cause(
        name="damage that no receiver can see",
        where=Where.WAY_THERE,
        sentence="Bytes were altered in a way that leaves the checksum as it was, so nobody could "
        "notice.",
        tells="A checksum does not notice two bytes that changed places, or the same bit turned "
        "over twice; a header has none at all. A bad contact or a driver that puts pieces "
        "together wrongly does such things.",
        remedy=(
            "Send the dump again and read it back: `dryload read --from TARGET --sample N`.",
            "Use a shorter cable and no box in between; try another interface.",
        ),
        experiment="Send the same dump again and compare: damage on the way is somewhere else "
        "each time, a fault of the file or the sender stays where it is.",
        faults=(12, 49),
        brings=("unit stores other words",),
    ),
    Cause(
        name="period rounded",
        where=Where.FILE,
        sentence="The rate in the header is rounded down by less than a nanosecond, which nobody "
        "hears.",
        tells="A rate such as 44,100 Hz is no whole number of nanoseconds.",
        remedy=("Nothing needs doing.",),
        experiment="Run `dryload explain FILE` and see the rate it shows.",
        faults=(41,),
        is_harmless=True,
    ),
)
FILE_CAUSES: Final[tuple[Cause, ...]] = (
    *_PACKETS,
    *WORD_CAUSES,
    *HEADER_CAUSES,
    *_SOURCE,
)
