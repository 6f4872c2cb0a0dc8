"""Kinds that no list has: the half that is diagnosed for a figure alone.

Nobody looks at a single run of these while the diagnosis is written.
"""

from __future__ import annotations

from typing import Final

from dryload.emulator.dump.capture import Direction
from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_file import refuse, remade
from tests.diagnosis.injector_kinds import HOST, LINE
from tests.diagnosis.injector_play import MS, SECOND, Play
from tests.diagnosis.injector_tape import LOST as GONE
from tests.diagnosis.injector_way import changed, with_more
from tests.diagnosis.injector_words import send_data
from tests.diagnosis.unlisted import (
    ADDED,
    ALTERED,
    FINE,
    HEADER_ALTERED,
    LOST,
    NO_ROW,
    NOT_WRONG,
    NOTE,
    NUMBERED,
    OTHER_SOUND,
    REJECTED,
    REJECTED_OFTEN,
    SILENT_HOST,
    SILENT_NOW,
    SILENT_NOW_HOST,
    UNANSWERED,
    UNSEEN,
    WRONG_SUMS,
    Half,
    Label,
    names,
    told,
)
from tests.diagnosis.unlisted_seen import new_words

UNSEEN_HALF: Final = Half("unseen")
fault, healthy = UNSEEN_HALF.fault, UNSEEN_HALF.healthy

# On the way


@fault("every data byte loses its lowest bit", plain=True)
def lowest_bit(play: Play) -> Label:
    play.open()
    for place, raw in enumerate(play.dump.packets):
        arrives = raw[:5] + bytes(byte & 0x7E for byte in raw[5:125]) + raw[125:]
        if b.right_sum(arrives[:125]) == arrives[125]:
            play.send(place, ((0, arrives),))
            play.accept(place)
            continue
        for _ in range(3):
            play.send(place, ((0, arrives),))
            play.say("NAK", place)
        play.host_says("CANCEL", place)
        return told(ALTERED | names("stuck data bit") | WRONG_SUMS, REJECTED_OFTEN)
    return told(ALTERED | UNSEEN | names("stuck data bit") | NOT_WRONG, NOT_WRONG)


@fault("two packets are exchanged on the way", plain=True, views=LINE, packets=(4, 8))
def exchanged(play: Play) -> Label:
    """A network carries the cable and delivers out of order; the unit takes what comes."""
    place = play.rng.randrange(1, play.dump.count - 2)
    play.until(place)
    for at in (place + 1, place):
        play.send(at)
        play.accept(at)
    play.rest(place + 2)
    late = names("packets out of order in the dump", "messages lost on the way")
    return told(late if not play.sources else names("messages lost on the way") | NO_ROW)


@fault("the first bytes of every packet are lost", plain=True)
def fronts_lost(play: Play) -> Label:
    """The interface wakes up too late; without F0 nothing is a message (M1 p. 29)."""
    count = play.rng.randrange(1, 4)
    play.open()
    for place, raw in enumerate(play.dump.packets):
        play.send(place, ((count, raw[count:]),), after_ns=play.limit_ns() if place else None)
    play.silence(20 * MS)
    play.lives()
    return told(LOST, SILENT_NOW_HOST | REJECTED_OFTEN)


@fault("F0 in place of every F7", plain=True)
def start_for_end(play: Play) -> Label:
    play.open()
    for place, raw in enumerate(play.dump.packets):
        arrives = ((0, raw[:126] + b"\xf0"),)
        play.send(place, arrives, after_ns=play.limit_ns() if place else None)
    play.silence(20 * MS)
    play.lives()
    return told(ALTERED | names("bytes lost on the way"), SILENT_NOW_HOST | REJECTED_OFTEN)


@fault("a quarter frame of a tape machine inside packets", goes_on=False)
def quarter_frame(play: Play) -> Label:
    """F1 is no real-time byte: it ends what it stands in (M1 p. 29)."""
    place = play.rng.randrange(play.dump.count)
    play.until(place)
    more = bytes((0xF1, play.rng.randrange(128)))
    play.send(place, with_more(play.dump.packets[place], play.rng.randrange(8, 120), more))
    play.again(place)
    play.rest(place + 1)
    return told(NOTE, UNANSWERED, place)


@fault("the highest bit of one byte is set", goes_on=False)
def high_bit(play: Play) -> Label:
    place = play.rng.randrange(play.dump.count)
    play.until(place)
    at = play.rng.randrange(6, 124)
    play.send(place, ((0, changed(play.dump.packets[place], at, 0x80)),))
    play.again(place)
    play.rest(place + 1)
    return told(ALTERED | NOTE, UNANSWERED, place)


@fault("the packets of one second are lost", plain=True, goes_on=True, packets=(7, 9))
def one_second(play: Play) -> Label:
    """In open loop nobody notices; the header arrived."""
    play.send_header()
    play.silence(2 * SECOND)
    start = play.rng.randrange(1, play.dump.count - 4)
    for place in range(play.dump.count):
        gone = GONE if start <= place < start + 3 else None
        play.send(place, gone, after_ns=play.limit_ns())
    play.silence(20 * MS)
    play.lives()
    jump = names("messages lost on the way", "cable out", "packets missing in the dump")
    silent = names("unit hears and does not answer packets", "answers lost on the way back")
    return told(jump | silent, SILENT_HOST | silent)


@fault("every answer bears an ID at random", plain=True, mono_id=True)
def random_ids(play: Play) -> Label:
    own = play.unit
    play.open()
    for place in range(play.dump.count):
        play.send(place)
        play.unit = play.rng.choice([each for each in range(127) if each != own])
        play.accept(place)
    return told(
        names(
            "answers with another device ID",
            "answers altered on the way back",
            "two answers to one message",
            "other device ID",
        )
    )


@fault("each answer comes in two pieces a second apart", plain=True, goes_on=False)
def answers_torn_in_time(play: Play) -> Label:
    play.open()
    for place in range(play.dump.count):
        play.send(place)
        whole = b.handshake(play.unit, "ACK", place)
        play.tape.come(whole[:3], play.answers_ns)
        play.tape.come(whole[3:], 1 * SECOND)
    return told(names("answers late", "faulty pauses"))


@fault("the way back is cut while the sample is read", views=HOST, mono_id=True, packets=(4, 7))
def cut_while_read(play: Play) -> Label:
    play.whole()
    dump = play.dump
    stop = play.rng.randrange(1, dump.count - 1)
    play.tape.to(b.request(dump.device, dump.sample), 300 * MS)
    play.tape.come(dump.header, 8 * MS)
    play.host_says("ACK", 0)
    for place, raw in enumerate(dump.packets[:stop]):
        play.tape.come(raw, 2 * MS)
        play.host_says("ACK", place)
    play.tape.come(dump.packets[stop][:50], 2 * MS)
    play.silence(5 * SECOND)
    play.tape.to(b.identity_request())
    cut = names("cable out", "bytes lost on the way", "interface loses bytes")
    gone = names("messages lost on the way", "unit fell silent", "sender gave up")
    return told(LOST | cut | gone)


@fault("the clock of the recorder runs a tenth too fast", plain=True, packets=(4, 8))
def slow_clock(play: Play) -> Label:
    """The transfer is right; only the recording is not."""
    play.whole()
    for track in (play.tape.sent, play.tape.arrived, play.tape.back):
        track[:] = [each._replace(end_ns=each.end_ns * 9 // 10) for each in track]
    return told(names("line too fast", "line speed off") | NOT_WRONG)


@fault("stray data bytes between messages", plain=True, packets=(4, 8))
def stray(play: Play) -> Label:
    """Bytes without a status are ignored (M1 p. 6), and something puts them there."""
    play.open()
    for place in range(play.dump.count):
        play.good(place)
        play.tape.to(bytes(play.rng.randrange(128) for _ in range(3)), 300_000)
    return told(NOTE | ADDED)


# The unit


@fault("ACK while the packet is still under way", plain=True)
def too_early(play: Play) -> Label:
    """It cannot know the checksum yet."""
    play.open()
    for place in range(play.dump.count):
        play.send(place)
        answer = b.handshake(play.unit, "ACK", place)
        play.tape.beside(Direction.FROM_UNIT, answer, play.tape.now_ns - 20 * b.BYTE_NS)
    return told(NO_ROW)


@fault("the number in ACK changes between two manners", plain=True, packets=(5, 8), goes_on=True)
def two_manners(play: Play) -> Label:
    play.open()
    for place in range(play.dump.count):
        play.send(place)
        play.tape.come(b.handshake(play.unit, "ACK", place + place % 2), play.answers_ns)
    return told(names("answers altered on the way back", "answers altered on the way back"))


@fault("a unit rejects each third packet once", plain=True, packets=(6, 9))
def each_third(play: Play) -> Label:
    play.open()
    for place in range(play.dump.count):
        if place % 3 == 1:
            play.send(place)
            play.say("NAK", place)
        play.good(place)
    rejects = names("unit rejects good packets", "answers altered on the way back")
    return told(rejects, REJECTED_OFTEN | rejects)


@fault("ACK twice behind each WAIT", plain=True)
def ack_twice(play: Play) -> Label:
    play.thinks_ns = 4 * MS
    play.open()
    for place in range(play.dump.count):
        play.send(place)
        play.say("WAIT", place)
        play.say("ACK", place, 200 * MS)
        play.say("ACK", place, 500_000)
    return told(names("two answers to one message", "messages doubled on the way"))


@fault("the unit says who it is in the middle and forgets the dump", plain=True, packets=(4, 8))
def restarted(play: Play) -> Label:
    """It has started anew, and what comes is for no dump."""
    place = play.rng.randrange(1, play.dump.count - 1)
    play.until(place)
    play.send(place)
    play.tape.come(b.identity_reply(play.unit), 100 * MS)
    play.give_up(place)
    return told(SILENT_NOW, SILENT_NOW_HOST)


@fault("what is read back begins one word later", mono_id=True)
def one_word_later(play: Play) -> Label:
    play.whole()
    words = play.dump.words
    play.read_back_words((*words[1:], words[0]))
    return told(names("unit stores other words"))


@fault("the period comes back another", mono_id=True)
def other_period(play: Play) -> Label:
    dump = play.dump
    play.whole()
    head = b.header(
        play.unit, dump.sample, dump.bits, dump.period * 2, length=len(dump.words), loop=dump.loop
    )
    play.read_back(head, b.packets(play.unit, dump.data))
    return told(names("unit stores other words") | NO_ROW)


@fault("a request is answered without a header", mono_id=True)
def packets_alone(play: Play) -> Label:
    dump = play.dump
    play.sources = ()
    play.tape.to(b.request(dump.device, dump.sample))
    for raw in dump.packets:
        play.tape.come(raw, 21 * MS)
    play.silence(1 * SECOND)
    gone = names("header missing", "header spoiled on the way", "messages lost on the way")
    return told(gone | names("request unanswered"))


@fault("every packet is answered with CANCEL and the next one comes", plain=True, packets=(4, 7))
def cancels_all(play: Play) -> Label:
    play.open()
    for place in range(play.dump.count):
        play.send(place)
        play.say("CANCEL", place)
    play.lives()
    over = names("sender passes over an answer", "unit ended the dump", "unit ended the dump")
    return told(over | names("answers altered on the way back"))


# The sender and the dump


@fault("numbers go up by two", source=False, plain=True, packets=(4, 8))
def by_two(play: Play) -> Label:
    dump = play.dump
    blocks = [raw[5:125] for raw in dump.packets]
    dump.packets = [b.packet(dump.device, at * 2 % 128, data) for at, data in enumerate(blocks)]
    play.open()
    for place in range(dump.count):
        play.send(place)
        play.say("ACK", place * 2)
    return told(NUMBERED)


@fault("every packet is number 00", source=False, plain=True, packets=(4, 8))
def all_zero(play: Play) -> Label:
    """The unit takes each for the one before sent again, and stores one."""
    dump = play.dump
    dump.packets = [b.packet(dump.device, 0, raw[5:125]) for raw in dump.packets]
    play.open()
    for place in range(dump.count):
        play.send(place)
        play.say("ACK", 0)
    play.silence(3 * SECOND)
    play.lives()
    return told(NUMBERED)


@fault("the checksum is always 00", source=False, plain=True)
def sum_zero(play: Play) -> Label:
    dump = play.dump
    dump.packets = [raw[:125] + b"\x00\xf7" for raw in dump.packets]
    play.open()
    if b.right_sum(dump.packets[0][:125]) == 0:
        play.good(0)
        refuse(play, 1)
        return told(WRONG_SUMS | ALTERED, WRONG_SUMS, 1)
    refuse(play, 0)
    return told(WRONG_SUMS | ALTERED, WRONG_SUMS, 0)


@fault("checksums turned over by one bit", source=False, packets=(4, 7))
def sums_by_one_bit(play: Play) -> Label:
    dump = play.dump
    dump.packets = [raw[:125] + bytes((raw[125] ^ 0x20, 0xF7)) for raw in dump.packets]
    play.open_loop()
    return told(WRONG_SUMS | ALTERED, WRONG_SUMS)


@fault("packets of the real-time family", source=False, plain=True)
def real_time_family(play: Play) -> Label:
    """7F in place of 7E behind F0 (M1 p. 35): no unit takes them for packets."""
    dump = play.dump
    dump.packets = [raw[:1] + b"\x7f" + raw[2:] for raw in dump.packets]
    play.open()
    play.unanswered(range(dump.count))
    play.silence(20 * MS)
    play.lives()
    return told(ALTERED | names("packet damaged in the dump", "packets missing in the dump"))


@fault("packets have 122 bytes of data", source=False, plain=True)
def long_packets(play: Play) -> Label:
    dump = play.dump
    fronts = [
        b"\xf0\x7e"
        + bytes((dump.device, 2, at % 128))
        + dump.data[at * 122 :][:122].ljust(122, b"\0")
        for at in range(-(-len(dump.data) // 122))
    ]
    dump.packets = [front + bytes((b.right_sum(front), 0xF7)) for front in fronts]
    play.open()
    refuse(play, 0)
    own = names("packet damaged in the dump", "words packed wrongly")
    return told(ADDED | own, own, 0)


@fault("a block of the sound comes twice under two numbers", source=False, packets=(4, 7))
def block_twice(play: Play) -> Label:
    """The numbers run on, so there is a packet too many."""
    dump = play.dump
    place = play.rng.randrange(dump.count - 1)
    size, data = b.DATA_BYTES, dump.data
    dump.packets = b.packets(dump.device, data[: (place + 1) * size] + data[place * size :])
    planned = dump.count - 1
    play.open()
    play.through(range(planned))
    play.send(planned, after_ns=play.limit_ns())
    play.lives()
    own = names("packet too many", "length wrong", "packet twice in the dump")
    return told(own | HEADER_ALTERED, own)


@fault("the sound is soft by 12 dB", source=True)
def softer(play: Play) -> Label:
    words = [word >> 2 for word in play.dump.words]
    new_words(play, words)
    return told(OTHER_SOUND)


@fault("an offset lifts the sound", source=True)
def lifted(play: Play) -> Label:
    new_words(play, [word + (1 << play.dump.bits - 4) for word in play.dump.words])
    return told(OTHER_SOUND)


@fault("the bits of each word are mirrored", source=True, bits=(12, 16, 24))
def words_mirrored(play: Play) -> Label:
    bits, half = play.dump.bits, 1 << play.dump.bits - 1
    turned = [int(f"{word + half:0{bits}b}"[::-1], 2) - half for word in play.dump.words]
    send_data(play, b.pack(turned, bits))
    return told(OTHER_SOUND | names("words packed wrongly"))


@fault("the length has its first group alone", source=False, plain=True, packets=(6, 9), bits=(16,))
def length_low(play: Play) -> Label:
    """Length modulo 128: a byte where three belong."""
    length = len(play.dump.words) % 128
    if not length:
        play.whole()
        return FINE
    play.dump.header = remade(play, length=length)
    kept = -(-length // play.dump.per_packet)
    play.open()
    play.through(range(kept))
    play.unanswered(range(kept, play.dump.count))
    play.lives()
    own = names("length wrong", "packet too many")
    return told(own | HEADER_ALTERED, own)


@fault("the period alone has its high byte first", source=False, plain=True)
def period_turned(play: Play) -> Label:
    raw = play.dump.header
    play.dump.header = raw[:7] + raw[7:10][::-1] + raw[10:]
    play.whole()
    own = names("header fields high byte first", "period wrong", "header wrong")
    return told(own | HEADER_ALTERED, own)


@fault("the loop lies a thousand words behind the end", source=False)
def loop_far(play: Play) -> Label:
    length = len(play.dump.words)
    play.dump.loop = (length + 10, length + 1000, 0)
    play.dump.remake()
    play.whole()
    return told(names("loop wrong") | HEADER_ALTERED, names("loop wrong"))


@fault("the header comes behind the packets", source=False, plain=True)
def header_last(play: Play) -> Label:
    play.silence(100 * MS)
    play.unanswered(range(play.dump.count))
    play.send_header(after_ns=play.limit_ns())
    play.accept_header()
    play.silence(3 * SECOND)
    play.lives()
    gone = names("header missing", "packets out of order in the dump", "messages lost on the way")
    more = names("header spoiled on the way", "sender gave up", "packets missing in the dump")
    return told(gone | more, gone | more)


@fault("after NAK the dump is begun again at packet 0", plain=True, packets=(4, 8))
def from_the_start(play: Play) -> Label:
    place = play.rng.randrange(1, play.dump.count - 1)
    play.until(place)
    play.send(place, ((0, changed(play.dump.packets[place], 60, 2)),))
    play.say("NAK", place)
    play.rest(0)
    wrong = names("sender passes over an answer", "packet twice in the dump")
    return told(ALTERED | wrong, REJECTED | wrong)


@fault("the rejected packet comes behind the next one", plain=True, packets=(4, 8))
def late_again(play: Play) -> Label:
    place = play.rng.randrange(1, play.dump.count - 2)
    play.until(place)
    play.send(place, ((0, changed(play.dump.packets[place], 60, 2)),))
    play.say("NAK", place)
    play.good(place + 1)
    play.good(place)
    play.rest(place + 2)
    wrong = names("sender passes over an answer", "packets out of order in the dump")
    return told(ALTERED | wrong, REJECTED | wrong)


# Nothing wrong


@healthy("clock on the way there and active sensing back", plain=True)
def clock_and_sensing(play: Play) -> Label:
    play.tape.tick_ns = 60_000 * MS // 24 // 120
    play.whole()
    for at in range(200, play.tape.now_ns // MS, 250):
        if not any(
            p.end_ns - len(p.data) * b.BYTE_NS < (at + 1) * MS and at * MS < p.end_ns
            for p in play.tape.back
        ):
            play.tape.beside(Direction.FROM_UNIT, b"\xfe", at * MS + b.BYTE_NS)
    return FINE


@healthy("silence is the sound")
def silence_sent(play: Play) -> Label:
    play.new_sound([0] * len(play.dump.words))
    play.whole()
    return FINE


@healthy("one click in silence is the sound")
def click(play: Play) -> Label:
    words = [0] * len(play.dump.words)
    words[play.rng.randrange(len(words))] = (1 << play.dump.bits - 1) - 1
    play.new_sound(words)
    play.whole()
    return FINE


@healthy("a sound as soft as its last bits")
def very_soft(play: Play) -> Label:
    words = tuple(play.rng.randrange(-3, 4) for _ in play.dump.words)
    play.new_sound(words)
    play.whole()
    return FINE


@healthy("the slowest and the fastest period")
def periods(play: Play) -> Label:
    """476 Hz and 192 kHz (M1 p. 37)."""
    play.dump.period = play.rng.choice((2_097_151, 5_208))
    play.dump.remake()
    play.sources = ()
    play.whole()
    return FINE


@healthy("a loop to and fro over all of it")
def whole_loop(play: Play) -> Label:
    play.dump.loop = (0, len(play.dump.words) - 1, 1)
    play.dump.remake()
    play.sources = ()
    play.whole()
    return FINE


@healthy("who is there is asked between two dumps, again and again")
def asked_often(play: Play) -> Label:
    play.sources = ()
    play.whole()
    for _ in range(play.rng.randrange(2, 8)):
        play.tape.to(b.identity_request(), 500 * MS)
        play.tape.come(b.identity_reply(play.unit), 3 * MS)
    play.dump.sample += 1
    play.dump.remake()
    play.whole()
    return FINE


@healthy("its loops are asked for and told", mono_id=True)
def loops_told(play: Play) -> Label:
    play.whole()
    dump = play.dump
    number = b.low_first(dump.sample, 2)
    play.tape.to(b.message(dump.device, b"\x05\x02", number, b"\x7f\x7f"), 80 * MS)
    points = b.low_first(1, 3) + b.low_first(len(dump.words) - 1, 3)
    play.tape.come(b.message(play.unit, b"\x05\x01", number, b"\x00\x00\x00", points), 5 * MS)
    return FINE


@healthy("the same sample is asked for twice", mono_id=True)
def asked_twice(play: Play) -> Label:
    play.sources = ()
    dump = play.dump
    for _ in range(2):
        play.read_back(dump.header, dump.packets)
        play.silence(2 * SECOND)
    return FINE


@healthy("the unit has the asker wait before its header", mono_id=True)
def request_waits(play: Play) -> Label:
    play.sources = ()
    dump = play.dump
    play.tape.to(b.request(dump.device, dump.sample), 300 * MS)
    play.say("WAIT", 0)
    play.tape.come(dump.header, 3 * SECOND)
    play.host_says("ACK", 0)
    for place, raw in enumerate(dump.packets):
        play.tape.come(raw, 2 * MS)
        play.host_says("ACK", place)
    return FINE


@healthy("device 126", mono_id=True)
def last_device(play: Play) -> Label:
    play.dump.device = play.unit = 126
    play.dump.remake()
    play.sources = ()
    play.whole()
    return FINE


@healthy("every ACK says 7F", plain=True)
def all_ones(play: Play) -> Label:
    """A manner of its own that a tolerant sender bears."""
    play.open()
    for place in range(play.dump.count):
        play.send(place)
        play.tape.come(b.handshake(play.unit, "ACK", 0x7F), play.answers_ns)
    return FINE


@healthy("pauses of a quarter of a second inside every message", views=LINE, goes_on=False)
def quarter_pauses(play: Play) -> Label:
    """Gaps inside a message are legal (M1 p. 29)."""
    play.open()
    for place, raw in enumerate(play.dump.packets):
        cut = play.rng.randrange(1, 126)
        play.send(place, ((0, raw[:cut]), (cut + 780, raw[cut:])))
        play.accept(place)
    return FINE


@healthy("an extended header with a fraction of a hertz", mono_id=True)
def fraction(play: Play) -> Label:
    """44,100 / 1.001 Hz: 44,055 and 253,418,088 of 2 to the 28 (CA-019 p. 2)."""
    dump, play.sources = play.dump, ()
    head = b.extended_header(
        dump.device, dump.sample, dump.bits, 44_055, length=len(dump.words), channels=1
    )
    dump.header = head[:12] + b.low_first(253_418_088, 4) + head[16:]
    play.whole()
    return FINE


@healthy("steps as large as half of full scale")
def steps(play: Play) -> Label:
    quarter = 1 << play.dump.bits - 2
    words = tuple((quarter, 0, -quarter, 0)[at // 40 % 4] for at in range(len(play.dump.words)))
    play.new_sound(words)
    play.whole()
    return FINE
