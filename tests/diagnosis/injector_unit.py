"""Faults of the unit: it refuses, rejects, waits, falls silent, keeps something else."""

from __future__ import annotations

from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_kinds import LINE, Struck, fault, twin
from tests.diagnosis.injector_play import HEADER_NS, MS, SECOND, Play
from tests.diagnosis.injector_tape import Arrival
from tests.diagnosis.injector_way import ALTERED, REJECTED, changed, rejected

REJECTED_FOR_EVER = "a packet rejected each time"


@fault("CANCEL to the header", "unit refuses the sample", 6, plain=True)
def refused(play: Play) -> int | None:
    play.send_header()
    play.say("CANCEL", 0, play.chance.randrange(1, 1900) * MS)
    play.lives()
    return None


@fault("CANCEL at a packet", "unit ended the dump", 7, 8, plain=True)
def cancelled(play: Play) -> int | None:
    place = play.inner()
    play.until(place)
    play.send(place)
    play.say("CANCEL", place)
    play.lives()
    return place


@fault("CANCEL at the same packet again", "unit ended the dump", 7, plain=True, packets=(4, 8))
def full(play: Play) -> int | None:
    place = play.chance.randrange(1, play.dump.count - 1)
    for _ in range(play.chance.randrange(2, 4)):
        play.until(place)
        play.send(place)
        play.say("CANCEL", place)
        play.silence(play.chance.randrange(1, 5) * SECOND)
    play.lives()
    return place


@fault(
    "WAIT for ever",
    "unit waits for somebody",
    9,
    plain=True,
    group="WAIT and no more",
)
def waits_for_ever(play: Play) -> int | None:
    place = play.inner()
    if play.chance.random() < 0.4:
        play.send_header()
        play.say("WAIT", 0)
        where = None
    else:
        play.until(place)
        play.send(place)
        play.say("WAIT", place)
        where = place
    play.host_says("CANCEL", 0, play.chance.randrange(30, 200) * SECOND)
    play.tape.to(b.identity_request(), 3 * SECOND)
    play.tape.come(b.identity_reply(play.unit), 3 * MS)
    return where


@twin("the ACK behind WAIT is lost", "answers lost on the way back", "WAIT and no more")
def ack_lost(play: Play) -> Struck | int | None:
    """The unit has done its work and said so."""
    return waits_for_ever(play)


@fault(
    "NAK for ever to one packet",
    "unit rejects good packets",
    13,
    plain=True,
    group=REJECTED_FOR_EVER,
)
def rejects_one(play: Play) -> int | None:
    place = play.chance.randrange(1, play.dump.count)
    play.until(place)
    refuse(play, place)
    return place


@fault(
    "NAK for ever from the first packet on",
    "unit rejects good packets",
    11,
    plain=True,
    views=LINE,
)
def rejects_all(play: Play) -> int | None:
    play.open()
    refuse(play, 0)
    return 0


@twin("a packet altered each time it comes", ALTERED, REJECTED_FOR_EVER)
def altered_each_time(play: Play) -> int:
    """Its bytes are a pattern that the way cannot bear."""
    place = play.chance.randrange(1, play.dump.count)
    play.until(place)
    refuse(play, place, ((0, changed(play.dump.packets[place], 40, 1)),))
    return place


@fault("NAK once to a sound packet", "unit rejects good packets", 11, group=REJECTED, views=LINE)
def rejects_once(play: Play) -> int:
    place = play.a_place()
    rejected(play, place, None)
    return place


def refuse(play: Play, place: int, arrives: Arrival | None = None) -> None:
    """Have a sound packet rejected until somebody breaks off."""
    for _ in range(play.chance.randrange(3, 7)):
        play.send(place, arrives)
        play.say("NAK", place)
    play.host_says("CANCEL", place)
    play.lives()


@fault(
    "NAK to many sound packets",
    "unit rejects good packets",
    11,
    plain=True,
    packets=(5, 8),
    views=LINE,
)
def rejects_many(play: Play) -> int | None:
    play.open()
    for place in range(play.dump.count):
        for _ in range(play.chance.randrange(1, 3)):
            play.send(place)
            play.say("NAK", place)
        play.good(place)
    return 0


@fault(
    "a damaged packet taken",
    "unit takes damaged packets",
    58,
    plain=True,
    views=LINE,
    also=("bytes altered on the way",),
)
def takes_damage(play: Play) -> int | None:
    """ACK only where the checksum is right (M1 p. 39)."""
    place = play.chance.randrange(play.dump.count)
    play.until(place)
    raw = changed(
        play.dump.packets[place], play.chance.randrange(5, 125), 1 << play.chance.randrange(7)
    )
    play.send(place, ((0, raw),))
    play.accept(place)
    play.rest(place + 1)
    return place


@fault("other words are kept", "unit stores other words", 58, mono_id=True)
def stores_other(play: Play) -> int | None:
    place = play.chance.randrange(play.dump.count)
    words = list(play.dump.words)
    per_packet = play.dump.per_packet
    at = play.chance.randrange(place * per_packet, min((place + 1) * per_packet, len(words)))
    words[at] += play.chance.randrange(1, 5) * (-1 if words[at] > 0 else 1)
    play.whole()
    play.read_back_words(words)
    return place


@fault("a data line of the memory reads 1", "memory at fault", 58, mono_id=True, packets=(4, 8))
def data_line_stuck(play: Play) -> None:
    """Half of the words differ, each in one and the same bit."""
    line = 1 << play.chance.randrange(play.dump.bits - 1)
    play.whole()
    play.read_back_words([word | line for word in play.dump.words])


@fault("nothing is kept", "unit stores nothing", 58, mono_id=True, also=("request unanswered",))
def stores_nothing(play: Play) -> int | None:
    """Everything was acknowledged; another sample is sent when asked for, and this one is not."""
    play.whole()
    dump = play.dump
    play.tape.to(b.request(dump.device, dump.sample), SECOND)
    play.silence(3 * SECOND)
    other = b.header(play.unit, 9, 16, 22676, length=40, loop=(0, 0, b.NO_LOOP))
    sound = b.packed_sound("arches", 60, 8, 16)[: b.DATA_BYTES]
    play.read_back(other, b.packets(play.unit, sound), sample=9)
    return None


@fault(
    "a packet is kept twice",
    "unit stores a packet twice",
    24,
    mono_id=True,
    goes_on=False,
    plain=True,
    also=("answers lost on the way back",),
)
def stores_twice(play: Play) -> int | None:
    """Its ACK was lost, it came again, and was stored again (M1 p. 39: the number says so)."""
    place = play.chance.randrange(max(play.dump.count - 1, 1))
    play.until(place)
    play.send(place)
    play.again(place)
    play.rest(place + 1)
    step, words = play.dump.per_packet, play.dump.words
    play.read_back_words((*words[: (place + 1) * step], *words[place * step :]))
    return place


@fault("the filler is kept", "unit keeps the filler", 33, mono_id=True)
def keeps_filler(play: Play) -> int | None:
    """00 is the deepest word and no silence (M1 p. 39)."""
    dump = play.dump
    play.whole()
    more = dump.count * dump.per_packet - len(dump.words)
    if not more:
        return None
    play.read_back_words((*dump.words, *[-(1 << dump.bits - 1)] * more))
    return None


@fault("the extended header is not known", "extended header not known", 54, mono_id=True)
def extended(play: Play) -> Struck:
    """Two seconds, everything to nobody, then the same with the standard header is taken."""
    dump, standard = play.dump, play.dump.header
    play.sources = ()
    rate = 1_000_000_000 // dump.period
    dump.header = b.extended_header(
        dump.device, dump.sample, dump.bits, rate, length=len(dump.words), channels=1
    )
    play.open_loop()
    if play.chance.random() < 0.5:
        play.lives()
        return Struck(None, ("unit hears and does not answer packets",))
    play.silence(HEADER_NS)
    dump.header = standard
    play.whole()
    return Struck()


@fault("it lands elsewhere", "unit puts it elsewhere", 45, mono_id=True)
def elsewhere(play: Play) -> int | None:
    play.whole()
    dump = play.dump
    play.tape.to(b.request(dump.device, dump.sample), SECOND)
    play.silence(3 * SECOND)
    number = dump.sample + 1
    head = b.header(
        play.unit, number, dump.bits, dump.period, length=len(dump.words), loop=dump.loop
    )
    play.read_back(head, dump.packets, sample=number)
    return None


@fault("the period comes back as another", "unit changes the header", 40, mono_id=True)
def other_period(play: Play) -> int | None:
    play.whole()
    dump = play.dump
    head = b.header(
        play.unit,
        dump.sample,
        dump.bits,
        dump.period + play.chance.randrange(100, 5_000),
        length=len(dump.words),
        loop=dump.loop,
    )
    play.read_back(head, dump.packets, sample=dump.sample)
    return None


@fault(
    "NAK to packets that come at once, ACK to those that come later",
    "unit rejects good packets",
    52,
    plain=True,
    packets=(4, 8),
    views=LINE,
    also=("unit rejects good packets",),
)
def overruns(play: Play) -> int:
    """The unit is still busy with the packet before and loses bytes of the next one."""
    play.thinks_ns = 300_000
    play.open()
    play.good(0)
    for place in range(1, play.dump.count):
        play.send(place)
        play.say("NAK", place)
        play.send(place, after_ns=play.chance.randrange(200, 400) * MS)
        play.accept(place)
    return 1
