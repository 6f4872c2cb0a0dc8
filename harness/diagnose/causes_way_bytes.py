"""Causes on the way to the unit that spoil the bytes of messages.

They stand in the order in which they are told where as much speaks for one as for another.
"""

from typing import Final

from harness.diagnose.cause import Cause, Where

_CABLE: Final = (
    "Push the plugs in firmly, then try another cable, a short one, straight from the interface "
    "to the unit.",
    "Leave out what stands between: a thru box, a switch, a long chain of devices.",
)
_INTERFACE: Final = (
    "Try another interface, or another program to send with: dryload replay FILE --to midi:PORT.",
    "Send packets with time between them: with answers coming back dryload waits for each.",
)
_ALONE: Final = (
    "Unplug keyboards, drum machines and everything else that shares the cable, for as long as "
    "dumps are sent.",
)
_SPOILED: Final = (
    "unit rejects good packets",
    "unit rejects one packet for ever",
    "answers lost on the way back",
    "sender passes over NAK",
    "sender gave up",
    "stopped at the unit",
    "unit fell silent",
)

WAY_BYTES_CAUSES: Final[tuple[Cause, ...]] = (
    Cause(
        name="message ends lost",
        where=Where.WAY_THERE,
        sentence="The last byte of packets, which says that they end, does not arrive.",
        tells="Some interfaces swallow a byte that travels alone. Packets and requests lose their "
        "end and headers keep it, so the unit hears a header and then nothing that is whole.",
        remedy=_INTERFACE,
        experiment="Rehearse it: dryload replay FILE --link usb-lost-ends. If the unit takes a "
        "short sample over another interface, it was this one.",
        faults=(51,),
        brings=(*_SPOILED, "bytes lost on the way", "messages cut at a length"),
    ),
    Cause(
        name="messages cut at a length",
        where=Where.WAY_THERE,
        sentence="Messages arrive only up to a certain length; the rest of each is missing.",
        tells="An interface, a driver or a small buffer that takes no more than so many bytes at "
        "once lets go of everything behind them.",
        remedy=_INTERFACE,
        experiment="Rehearse it: dryload replay FILE --link at-most-64. Look whether every packet "
        "ends at the same byte: dryload validate CAPTURE.",
        faults=(14,),
        brings=(*_SPOILED, "bytes lost on the way", "message ends lost", "last packet short"),
    ),
    Cause(
        name="every Nth byte lost",
        where=Where.WAY_THERE,
        sentence="The way to the unit loses a byte at regular distances.",
        tells="A buffer that runs over each time it is full loses one byte in so many. Single "
        "packets pass, and in a long dump packets at regular distances are damaged.",
        remedy=_INTERFACE,
        experiment="Rehearse it: dryload replay FILE --link every-256th. Send packets one at a "
        "time: if they all arrive whole, it is the buffer.",
        faults=(53,),
        brings=(*_SPOILED, "bytes lost on the way", "bytes altered on the way"),
    ),
    Cause(
        name="device ID rewritten on the way",
        where=Where.WAY_THERE,
        sentence="Something between sender and unit puts another device ID into the messages.",
        tells="The checksum of a packet counts the device ID in and the header has none, so every "
        "packet is wrong and the header passes.",
        remedy=(
            "Turn off what changes device IDs in the router or program between.",
            "Or send for the ID that it writes: dryload replay FILE --device-id N.",
            "If the file has it so already (dryload validate FILE), make the dump anew: dryload "
            "encode.",
        ),
        experiment="Leave the router out: if the packets are right then, it was the router.",
        faults=(11,),
        brings=(*_SPOILED, "bytes altered on the way", "checksums wrong in the dump"),
    ),
    Cause(
        name="stuck data bit",
        where=Where.WAY_THERE,
        sentence="One and the same bit of the bytes always arrives with the same value.",
        tells="A fault in the electronics of an input or output holds one bit fast. Bytes that "
        "have it that way anyhow pass.",
        remedy=(
            "Try another interface, then another input: it is a fault of the hardware.",
            "Inside a unit there is mains voltage, and parts that static kills: leave it to "
            "somebody who is qualified.",
        ),
        experiment="Send a sample of silence and one of noise: dryload replay FILE --to midi:PORT. "
        "With a stuck bit all packets of noise fail.",
        faults=(11,),
        brings=(
            *_SPOILED,
            "bytes altered on the way",
            "checksums wrong in the dump",
            "damage that no receiver can see",
            "width not that of the words",
        ),
    ),
    Cause(
        name="real-time bytes taken for data",
        where=Where.UNIT,
        sentence="The unit counts the clock of another device as part of the packets.",
        tells="A clock byte may stand anywhere, even inside a packet, and a unit has to set it "
        "aside. This one rejects just the packets that have one inside.",
        remedy=(
            "Stop the clock, or unplug what sends it, for as long as dumps are sent.",
            "Ask the unit's maker for newer firmware.",
        ),
        experiment='Rehearse it: dryload replay FILE --disturb "clock". With the clock stopped the '
        "same packets pass.",
        faults=(15, 19),
        brings=(*_SPOILED, "bytes altered on the way", "answers altered on the way back"),
    ),
    Cause(
        name="another sender on the cable",
        where=Where.WAY_THERE,
        sentence="Somebody else sends on the same cable, into the middle of packets.",
        tells="A box that joins two cables lets notes or other messages into a packet, and each of "
        "them ends the packet that it gets into.",
        remedy=_ALONE,
        experiment="The evidence names the channel: play on that device and see whether packets "
        'break off. Rehearse it: dryload replay FILE --disturb "a note inside packet 3".',
        faults=(18,),
        brings=(*_SPOILED, "bytes lost on the way", "bytes added on the way", "cable out"),
    ),
    Cause(
        name="reset on the cable",
        where=Where.WAY_THERE,
        sentence="A reset command passed on the cable, and the dump was over for the unit.",
        tells="Programs and controllers send it when they start, or when somebody presses a panic "
        "button. A unit that obeys it forgets the dump.",
        remedy=(
            *_ALONE,
            "Do not start or switch on anything while a dump runs.",
            "Let the unit receive again, and send the whole dump.",
        ),
        experiment='Rehearse it: dryload replay FILE --disturb "reset in packet 3".',
        faults=(21,),
        brings=(
            "unit fell silent",
            "answers lost on the way back",
            "sender gave up",
            "cable out",
            "request unanswered",
            "unit stores nothing",
        ),
    ),
    Cause(
        name="header spoiled on the way",
        where=Where.WAY_THERE,
        sentence="The header, which announces the dump, did not arrive as it was sent.",
        tells="Without a whole header the unit knows of no dump and passes over every packet; it "
        "says nothing about it.",
        remedy=(*_CABLE, "Then send the whole dump again."),
        experiment="Send it again: dryload replay FILE --to midi:PORT. A header that is wrong in "
        "the file is wrong each time: dryload validate FILE.",
        faults=(12, 14),
        brings=(
            *_SPOILED,
            "nothing comes back",
            "unit hears and does not answer packets",
            "bytes lost on the way",
            "bytes altered on the way",
            "bytes added on the way",
            "header wrong",
            "header missing",
            "messages cut at a length",
            "message ends lost",
            "messages lost on the way",
        ),
    ),
    Cause(
        name="bytes lost on the way",
        where=Where.WAY_THERE,
        sentence="Bytes get lost on the way to the unit.",
        tells="A bad contact, an interface with too small a buffer or a driver that is late drops "
        "bytes of a packet.",
        remedy=(*_CABLE, *_INTERFACE),
        experiment="Send it again: dryload replay FILE --to midi:PORT. Losses that move point to "
        "the cable, losses at one place to the driver or the data.",
        faults=(12, 14),
        brings=(
            *_SPOILED,
            "messages lost on the way",
            "packet damaged in the dump",
            "unit stores other words",
        ),
    ),
    Cause(
        name="bytes added on the way",
        where=Where.WAY_THERE,
        sentence="Bytes arrive at the unit that nobody sent.",
        tells="Firmware that repeats bytes when it is busy, or a device that mixes its own in, "
        "makes packets longer than they are.",
        remedy=(*_INTERFACE, *_ALONE),
        experiment="Send it over another interface: dryload replay FILE --to midi:PORT.",
        faults=(15,),
        brings=(*_SPOILED, "packet damaged in the dump"),
    ),
    Cause(
        name="bytes altered on the way",
        where=Where.WAY_THERE,
        sentence="Bytes arrive at the unit other than they were sent.",
        tells="Noise on the cable, a plug with a bad contact or a chain of devices that is too "
        "long turns bits over. The unit notices by the checksum and asks for the packet again.",
        remedy=_CABLE,
        experiment="Send it again: dryload replay FILE --to midi:PORT. Damage that moves is the "
        "line; the same packet each time is the file or the driver.",
        faults=(12, 49),
        brings=(*_SPOILED, "packet damaged in the dump"),
    ),
    Cause(
        name="others talk on the cable",
        where=Where.WAY_THERE,
        sentence="Somebody else sends on the same cable, between the packets.",
        tells="Between messages that is allowed, and it did no harm here.",
        remedy=_ALONE,
        experiment="",
        is_harmless=True,
    ),
    Cause(
        name="clock on the cable",
        where=Where.WAY_THERE,
        sentence="A clock runs on the cable, inside packets too.",
        tells="That is allowed, costs a little time, and every unit has to cope with it.",
        remedy=_ALONE,
        experiment="",
        faults=(19,),
        is_harmless=True,
    ),
    Cause(
        name="reset passed by",
        where=Where.WAY_THERE,
        sentence="A reset command passed on the cable, and the dump went on all the same.",
        tells="A unit that obeys it would have lost the dump.",
        remedy=_ALONE,
        experiment="",
        faults=(21,),
        is_harmless=True,
    ),
)
