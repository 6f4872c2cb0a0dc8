"""Faults of the unit: it refuses, rejects, waits, falls silent, keeps something else."""

from __future__ import annotations

from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_family import (
    ANSWER_LOST,
    CLEAN,
    LINE_ONLY,
    NAK_TO_GOOD,
    REJECTED_OFTEN,
    SILENT,
    SILENT_HOST,
    UNANSWERED,
    Label,
    fault,
    names,
    told,
)
from tests.diagnosis.injector_play import HEADER_NS, MS, SECOND, Play
from tests.diagnosis.injector_way import ALTERED, changed
from tests.diagnosis.injector_way_whole import CANCELLED, inner

ALTERED_BACK = names("answers altered on the way back")
ONE_PACKET = names("unit rejects one packet for ever", "unit rejects good packets")


@fault("CANCEL to the header", 6, plain=True)
def refused(play: Play) -> Label:
    play.send_header()
    play.say("CANCEL", 0, play.rng.randrange(1, 1900) * MS)
    play.lives()
    return told(names("unit refuses the sample") | CANCELLED | ALTERED_BACK)


@fault("CANCEL at a packet", 7, 8, plain=True, packets=(3, 8))
def cancelled(play: Play) -> Label:
    place = inner(play)
    play.until(place)
    play.send(place)
    play.say("CANCEL", place)
    play.lives()
    return told(CANCELLED | ALTERED_BACK, None, place)


@fault("CANCEL at the same packet again", 7, plain=True, packets=(4, 8))
def full(play: Play) -> Label:
    place = play.rng.randrange(1, play.dump.count - 1)
    for _ in range(play.rng.randrange(2, 4)):
        play.until(place)
        play.send(place)
        play.say("CANCEL", place)
        play.silence(play.rng.randrange(1, 5) * SECOND)
    play.lives()
    return told(names("memory full"), None, place)


@fault("WAIT for ever", 9, plain=True, packets=(3, 7))
def waits_for_ever(play: Play) -> Label:
    place = inner(play)
    if play.rng.random() < 0.4:
        play.send_header()
        play.say("WAIT", 0)
        where = None
    else:
        play.until(place)
        play.send(place)
        play.say("WAIT", place)
        where = place
    play.host_says("CANCEL", 0, play.rng.randrange(30, 200) * SECOND)
    play.tape.to(b.identity_request(), 3 * SECOND)
    play.tape.come(b.identity_reply(play.unit), 3 * MS)
    stands = names("unit waits for somebody", "answers lost on the way back") | ALTERED_BACK
    return told(stands, None, where)


@fault("NAK for ever to one packet", 13, plain=True, packets=(3, 7))
def rejects_one(play: Play) -> Label:
    place = play.rng.randrange(1, play.dump.count)
    play.until(place)
    refuse(play, place)
    return told(ONE_PACKET, REJECTED_OFTEN, place)


@fault("NAK for ever from the first packet on", 11, plain=True, packets=(3, 7))
def rejects_all(play: Play) -> Label:
    play.open()
    refuse(play, 0)
    return told(ONE_PACKET, REJECTED_OFTEN, 0)


def refuse(play: Play, place: int) -> None:
    """Have a sound packet rejected until somebody breaks off."""
    for _ in range(play.rng.randrange(3, 7)):
        play.send(place)
        play.say("NAK", place)
    play.host_says("CANCEL", place)
    play.lives()


@fault("NAK to many sound packets", 11, plain=True, packets=(5, 8))
def rejects_many(play: Play) -> Label:
    play.open()
    for place in range(play.dump.count):
        for _ in range(play.rng.randrange(1, 3)):
            play.send(place)
            play.say("NAK", place)
        play.good(place)
    return told(NAK_TO_GOOD, REJECTED_OFTEN, 0)


@fault("a damaged packet taken", 58, plain=True, views=LINE_ONLY)
def takes_damage(play: Play) -> Label:
    """ACK only where the checksum is right (M1 p. 39)."""
    place = play.rng.randrange(play.dump.count)
    play.until(place)
    raw = changed(play.dump.packets[place], play.rng.randrange(5, 125), 1 << play.rng.randrange(7))
    play.send(place, ((0, raw),))
    play.accept(place)
    play.rest(place + 1)
    return told(ALTERED | names("unit takes damaged packets"), None, place)


@fault("other words are kept", 58, mono_id=True)
def stores_other(play: Play) -> Label:
    place = play.rng.randrange(play.dump.count)
    words = list(play.dump.words)
    per_packet = play.dump.per_packet
    at = play.rng.randrange(place * per_packet, min((place + 1) * per_packet, len(words)))
    words[at] += play.rng.randrange(1, 5) * (-1 if words[at] > 0 else 1)
    play.whole()
    play.read_back_words(words)
    return told(names("unit stores other words"), None, place)


@fault("nothing is kept", 58, mono_id=True)
def stores_nothing(play: Play) -> Label:
    """Everything was acknowledged; another sample is sent when asked for, and this one is not."""
    play.whole()
    dump = play.dump
    play.tape.to(b.request(dump.device, dump.sample), SECOND)
    play.silence(3 * SECOND)
    other = b.header(play.unit, 9, 16, 22676, length=40, loop=(0, 0, b.NO_LOOP))
    sound = b.packed_sound("arches", 60, 8, 16)[: b.DATA_BYTES]
    play.read_back(other, b.packets(play.unit, sound), sample=9)
    causes = names("unit stores nothing", "request unanswered", "unit puts it elsewhere")
    return told(causes)


@fault("a packet is kept twice", 24, mono_id=True, goes_on=False, plain=True)
def stores_twice(play: Play) -> Label:
    """Its ACK was lost, it came again, and was stored again (M1 p. 39: the number says so)."""
    place = play.rng.randrange(max(play.dump.count - 1, 1))
    play.until(place)
    play.send(place)
    play.again(place)
    play.rest(place + 1)
    step, words = play.dump.per_packet, play.dump.words
    play.read_back_words((*words[: (place + 1) * step], *words[place * step :]))
    twice = names("unit stores a packet twice")
    return told(ANSWER_LOST | twice, UNANSWERED | twice, place)


@fault("the filler is kept", 33, mono_id=True)
def keeps_filler(play: Play) -> Label:
    """00 is the deepest word and no silence (M1 p. 39)."""
    dump = play.dump
    play.whole()
    more = dump.count * dump.per_packet - len(dump.words)
    if not more:
        return told(CLEAN)
    play.read_back_words((*dump.words, *[-(1 << dump.bits - 1)] * more))
    return told(names("unit keeps the filler"))


@fault("the extended header is not known", 54, mono_id=True, packets=(2, 5))
def extended(play: Play) -> Label:
    """Two seconds, everything to nobody, then the same with the standard header is taken."""
    dump, standard = play.dump, play.dump.header
    play.sources = ()
    rate = 1_000_000_000 // dump.period
    dump.header = b.extended_header(
        dump.device, dump.sample, dump.bits, rate, length=len(dump.words), channels=1
    )
    play.open_loop()
    cause = names("extended header not known")
    if play.rng.random() < 0.5:
        play.lives()
        hears = names("unit hears and does not answer packets")
        return told(cause | hears | SILENT, cause | SILENT_HOST)
    play.silence(HEADER_NS)
    dump.header = standard
    play.whole()
    return told(cause)


@fault("it lands elsewhere", 45, mono_id=True)
def elsewhere(play: Play) -> Label:
    play.whole()
    dump = play.dump
    play.tape.to(b.request(dump.device, dump.sample), SECOND)
    play.silence(3 * SECOND)
    number = dump.sample + 1
    head = b.header(
        play.unit, number, dump.bits, dump.period, length=len(dump.words), loop=dump.loop
    )
    play.read_back(head, dump.packets, sample=number)
    return told(names("unit puts it elsewhere"))
