"""What can be wrong with what a dump says: its words, its header and its name."""

from typing import Final

from harness.diagnose.cause import Cause, Where

VALIDATE: Final = "Run `dryload validate FILE` on the file that was sent."
SEE_FILE: Final = (
    "Run `dryload validate FILE` on the file that was sent: it finds the same there if the file "
    "has it, and nothing if it happened on the way."
)
ANEW: Final = "Make the dump anew: `dryload encode SOUND.wav -o FILE.syx`."
OTHER_PROGRAM: Final = "If the program that made it does it again, make dumps with another one."
MIND_EARS: Final = "Turn the level down before you listen to what is in the unit now."
COUNT_BROUGHT: Final = (
    "unit fell silent",
    "unit waits for somebody",
    "sender gave up",
    "stopped at the unit",
    "sender waits at the end",
    "messages lost on the way",
)
WORD_CAUSES: Final = (
    Cause(
        name="two's complement",
        where=Where.FILE,
        sentence="The words of the dump are in another notation (two's complement) than the "
        "standard has, so the sound comes out as a harsh buzz.",
        tells="In a dump silence is the middle of the range. Here it is sent as 0, which the unit "
        "takes for full scale.",
        remedy=(MIND_EARS, ANEW, "Turn over the top bit of every word in the program."),
        experiment="Run `dryload explain FILE` and look at a silent place: 40 00 is right, 00 00 "
        "is this fault.",
        faults=(35,),
        brings=("overload wraps", "unit stores other words"),
    ),
    Cause(
        name="word bytes reversed",
        where=Where.FILE,
        sentence="The bytes of every word stand in the wrong order, so the sound comes out as "
        "noise.",
        tells="The byte with the highest bits has to come first.",
        remedy=(MIND_EARS, ANEW, OTHER_PROGRAM),
        experiment=VALIDATE,
        faults=(36,),
        brings=("width not that of the words", "unit stores other words", "unit changes the width"),
    ),
    Cause(
        name="right-justified",
        where=Where.FILE,
        sentence="The words of the dump sit at the wrong end of their bytes, so the sound is very "
        "quiet and far off the middle.",
        tells="The bits of a word have to be pushed to the top of its bytes. Here they are at the "
        "bottom.",
        remedy=(ANEW, OTHER_PROGRAM, MIND_EARS),
        experiment="Run `dryload explain FILE` and look at a silent place of 12 bits: 40 00 is "
        "right, 10 00 is this fault.",
        faults=(36, 37),
        brings=("width not that of the words", "unit stores other words"),
    ),
    Cause(
        name="wrong bytes a word",
        where=Where.FILE,
        sentence="The words of the dump are packed into another number of bytes than their width "
        "asks for.",
        tells="Words of 8 to 14 bits take two bytes, of 15 to 21 three, of 22 to 28 four. The "
        "number of packets shows that others were used, so the sound comes out as noise.",
        remedy=(MIND_EARS, ANEW, "Or use 16 bits, which most programs do well."),
        experiment=VALIDATE,
        faults=(36,),
        brings=(
            *("length wrong", "packet too many", "filler not zero", "unit fell silent"),
            *("unit hears and does not answer packets", "answers lost on the way back"),
            *("stopped at the unit", "unit stores other words", "final answer missing"),
            *("packets missing in the dump", "unit rejects good packets"),
        ),
    ),
    Cause(
        name="width not that of the words",
        where=Where.FILE,
        sentence="The header says another number of bits than the words of the dump have.",
        tells="The width in the header decides how a unit reads the words: with a wrong one the "
        "sound is too loud, too quiet or noise.",
        remedy=(ANEW, "Set the width that the words really have.", MIND_EARS),
        experiment=VALIDATE,
        faults=(38,),
        brings=(
            *("length wrong", "filler not zero", "unit stores other words"),
            *("packets missing in the dump", "unit changes the width", *COUNT_BROUGHT),
        ),
    ),
    Cause(
        name="overload wraps",
        where=Where.FILE,
        sentence="The loudest places of the sound were too loud when the dump was made, and "
        "wrapped round to the other end of the range: it cracks there.",
        tells="What is too large for a word has to stay at full scale. Here it came out at the "
        "opposite end.",
        remedy=("Make the dump anew from the sound at a lower level.", ANEW, MIND_EARS),
        experiment="Make the dump from the same sound at half the level: the cracks are gone.",
        faults=(39,),
    ),
)
HEADER_CAUSES: Final = (
    Cause(
        name="header fields high byte first",
        where=Where.FILE,
        sentence="The bytes of the numbers in the header stand in the wrong order, so pitch, "
        "length and loop are wrong.",
        tells="In the header the lowest seven bits of a number come first. Whatever made this "
        "dump writes them last.",
        remedy=(ANEW, OTHER_PROGRAM),
        experiment=VALIDATE,
        faults=(40,),
        brings=(
            *("period wrong", "length wrong", "header wrong", "packets missing in the dump"),
            *("header spoiled on the way", "unit refuses the sample", "memory full"),
            *("loop end off by one", *COUNT_BROUGHT),
        ),
    ),
    Cause(
        name="sample number swapped",
        where=Where.FILE,
        sentence="The two bytes of the sample number stand in the wrong order, so the dump goes to "
        "a place that the unit hasn't.",
        tells="The lower seven bits of the number come first. The other way round sample 1 "
        "becomes sample 128.",
        remedy=("Send it under another number: `dryload replay FILE --number N`.", ANEW),
        experiment="Send the same dump under number 0, which is the same both ways: it is taken.",
        faults=(45,),
        brings=("unit refuses the sample", "unit puts it elsewhere", "memory full"),
    ),
    Cause(
        name="channels not counted",
        where=Where.FILE,
        sentence="The length in the header counts the words of all channels instead of those of "
        "one.",
        tells="With several channels the header gives the length of one. A unit waits for twice "
        "as many packets as there are.",
        remedy=(ANEW, "Set the length of one channel in the header."),
        experiment=VALIDATE,
        faults=(55,),
        brings=("length wrong", "packets missing in the dump", *COUNT_BROUGHT),
    ),
    Cause(
        name="length wrong",
        where=Where.FILE,
        sentence="The length in the header does not agree with the sound in the packets.",
        tells="A unit goes by the length in the header: it cuts the sound, or waits for what does "
        "not come.",
        remedy=(ANEW, "Set the number of words in the header."),
        experiment=VALIDATE,
        faults=(42,),
        brings=("packets missing in the dump", *COUNT_BROUGHT),
    ),
    Cause(
        name="period wrong",
        where=Where.FILE,
        sentence="The sample rate in the header is wrong, so the sound plays at the wrong pitch.",
        tells="The header has to say how many nanoseconds a word lasts: 22,676 for 44,100 Hz. "
        "Here stands something else, such as the rate itself.",
        remedy=(ANEW, "Or set the right rate at the unit."),
        experiment="Compare the rate that `dryload explain FILE` shows with that of the sound.",
        faults=(40,),
    ),
    Cause(
        name="loop from 0 to 0",
        where=Where.FILE,
        sentence="The loop is switched on and one word long, so the sound ends in a buzz or in "
        "nothing.",
        tells="A sound without a loop has loop type 7F. Here the loop is on, from word 0 to word "
        "0.",
        remedy=(ANEW, "Or switch the loop off at the unit.", MIND_EARS),
        experiment="Switch the loop off at the unit and play the sound: it dies away as it should.",
        faults=(43,),
        brings=("header wrong",),
    ),
    Cause(
        name="loop end off by one",
        where=Where.FILE,
        sentence="The loop ends one word behind the last word of the sound.",
        tells="Words are counted from 0, and the end of a loop is the last word played. Whatever "
        "made this dump names the word after it, so it clicks at each pass or the unit refuses "
        "it.",
        remedy=(ANEW, "Or set the end of the loop one lower at the unit."),
        experiment="Set the end of the loop one lower at the unit: the click is gone.",
        faults=(44,),
        brings=("header wrong",),
    ),
    Cause(
        name="header wrong",
        where=Where.FILE,
        sentence="The header says something that cannot be, so a unit refuses the dump or makes "
        "something else of it.",
        tells="A value in it is outside of what the standard has.",
        remedy=(ANEW, OTHER_PROGRAM),
        experiment=SEE_FILE,
        brings=("unit refuses the sample", "header spoiled on the way"),
    ),
    Cause(
        name="name shifted",
        where=Where.FILE,
        sentence="The message with the name is built wrongly, so the name is shifted or missing.",
        tells="Before the name stands how long its language tag is, and then how long the name "
        "is. One of the two is lacking.",
        remedy=("Type the name in at the unit.", ANEW),
        experiment=VALIDATE,
        faults=(56,),
    ),
    Cause(
        name="name number swapped",
        where=Where.FILE,
        sentence="The two bytes of the sample number stand in the wrong order in the name, so it "
        "goes to another sample.",
        tells="Units and programs do not agree about this order in names.",
        remedy=("Type the name in at the unit.", "Send it in the order that the unit knows."),
        experiment="Send names to samples 1 and 128 and see which of them gets which.",
        faults=(57,),
    ),
)
