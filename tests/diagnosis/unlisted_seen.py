"""Kinds that no list has: the half that may be looked at while rules are written."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from msgspec.structs import replace

from dryload.emulator.dump.capture import Direction
from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_file import refuse, remade
from tests.diagnosis.injector_kinds import BOTH, HOST, LINE
from tests.diagnosis.injector_play import MS, SECOND, Play
from tests.diagnosis.injector_way import changed, with_more
from tests.diagnosis.injector_words import send_data
from tests.diagnosis.unlisted import (
    ADDED,
    ALTERED,
    FINE,
    HEADER_ALTERED,
    LOST,
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

SEEN: Final = Half("seen")
fault, healthy = SEEN.fault, SEEN.healthy
Change = Callable[[bytes], bytes]


def each_packet_rejected(play: Play, change: Change) -> None:
    """Have every packet arrive changed; the sender stands at the first, which never passes."""
    play.open()
    for _ in range(3):
        play.send(0, ((0, change(play.dump.packets[0])),))
        play.say("NAK", 0)
    play.host_says("CANCEL", 0)
    play.lives()


def new_words(play: Play, words: list[int]) -> None:
    """Send other words than the source has, under right checksums."""
    top = (1 << play.dump.bits - 1) - 1
    send_data(play, b.pack((max(min(word, top), -top - 1) for word in words), play.dump.bits))


# On the way


@fault("the bits of every data byte are mirrored", plain=True)
def mirrored(play: Play) -> Label:
    turned = [int(f"{byte:07b}"[::-1], 2) for byte in range(128)]
    each_packet_rejected(
        play, lambda raw: raw[:5] + bytes(turned[byte] for byte in raw[5:125]) + raw[125:]
    )
    return told(ALTERED | WRONG_SUMS, REJECTED_OFTEN, 0)


@fault("two bytes change places at each block of 64", source=True, views=LINE)
def blocks_swapped(play: Play) -> Label:
    """A double buffer is emptied in the wrong order at its edge; no checksum shows it."""
    play.open()
    first = None
    for place, raw in enumerate(play.dump.packets):
        arrives = raw[:63] + raw[64:65] + raw[63:64] + raw[65:]
        first = place if first is None and arrives != raw else first
        play.send(place, ((0, arrives),))
        play.accept(place)
    return told(UNSEEN) if first is not None else told(UNSEEN | NOT_WRONG)


@fault("the byte behind each block of 48 comes twice", plain=True)
def blocks_doubled(play: Play) -> Label:
    each_packet_rejected(play, lambda raw: raw[:49] + raw[48:97] + raw[96:])
    return told(ADDED | names("packet damaged in the dump"), REJECTED_OFTEN, 0)


@fault("11 and 13 vanish, as flow control takes them", plain=True)
def flow_control(play: Play) -> Label:
    play.open()
    struck = None
    for place, raw in enumerate(play.dump.packets):
        left = raw[:5] + bytes(byte for byte in raw[5:125] if byte not in (0x11, 0x13)) + raw[125:]
        if left == raw:
            play.good(place)
            continue
        struck = place
        for _ in range(3):
            play.send(place, ((0, left),))
            play.say("NAK", place)
        play.host_says("CANCEL", place)
        break
    if struck is None:
        return FINE
    return told(LOST | names("packet damaged in the dump"), REJECTED_OFTEN, struck)


@fault(
    "the last bytes of a packet come behind the next header of one", goes_on=True, packets=(4, 7)
)
def tail_late(play: Play) -> Label:
    """A driver cuts at a block and sends the rest in the wrong turn."""
    place = play.rng.randrange(play.dump.count - 2)
    cut = play.rng.randrange(90, 124)
    raw, following = play.dump.packets[place], play.dump.packets[place + 1]
    play.until(place)
    play.send(place, ((0, raw[:cut]),))
    mixed = following[:8] + raw[cut:] + following[8:]
    play.send(place + 1, ((0, mixed),), after_ns=play.limit_ns())
    play.silence(play.limit_ns())
    play.rest(place + 2)
    return told(LOST | ADDED | names("bytes lost on the way", "interface loses bytes"), UNANSWERED)


@fault("a tune request inside a packet", goes_on=False)
def tune_request(play: Play) -> Label:
    """F6 is a message of one byte and ends what it stands in (M1 p. 29)."""
    place = play.rng.randrange(play.dump.count)
    play.until(place)
    cut = play.rng.randrange(8, 120)
    play.send(place, with_more(play.dump.packets[place], cut, b"\xf6"))
    play.again(place)
    play.rest(place + 1)
    return told(NOTE, UNANSWERED, place)


@fault("another exclusive message inside a packet", goes_on=False)
def exclusive_inside(play: Play) -> Label:
    """A merger that does not keep messages apart; 7D is for nobody in particular (M1 p. 34)."""
    place = play.rng.randrange(play.dump.count)
    play.until(place)
    cut = play.rng.randrange(8, 120)
    play.send(place, with_more(play.dump.packets[place], cut, b"\xf0\x7d\x01\x02\x03\xf7"))
    play.again(place)
    play.rest(place + 1)
    return told(NOTE | names("bytes lost on the way"), UNANSWERED, place)


@fault("every bit turned over on the way", views=BOTH)
def inverted(play: Play) -> Label:
    """A lead with its two wires exchanged behind an interface that bears it: no status is left."""
    play.tape.to(play.dump.header, 0, ((0, bytes(each ^ 0xFF for each in play.dump.header)),))
    play.silence(2 * SECOND)
    for raw in play.dump.packets:
        play.tape.to(raw, play.limit_ns(), ((0, bytes(each ^ 0xFF for each in raw)),))
    return told(ALTERED | names("nothing comes back", "line speed off"), SILENT_HOST)


@fault("two senders interleave their dumps", plain=True, packets=(4, 7), views=LINE)
def interleaved(play: Play) -> Label:
    """Both have the same device ID, so the unit takes the packets of both for one dump."""
    other = replace(play.dump, sample=play.dump.sample + 5, words=play.dump.words[::-1])
    other.data = b.pack(other.words, other.bits)
    other.remake()
    play.send_header()
    play.tape.to(other.header, 1 * MS)
    play.accept_header()
    for place in range(play.dump.count):
        play.good(place)
        play.send(place, raw=other.packets[place], after_ns=1 * MS)
        play.accept(place)
    return told(names("another sender on the cable"))


@fault("a second host asks for a sample meanwhile", plain=True, packets=(4, 7))
def asked_meanwhile(play: Play) -> Label:
    """The unit turns to the request and forgets the dump that was under way."""
    place = play.rng.randrange(1, play.dump.count - 1)
    play.until(place)
    play.tape.to(b.request(play.dump.device, 9), 2 * MS)
    sound = b.packed_sound("arches", 60, 8, 16)[: b.DATA_BYTES]
    head = b.header(play.unit, 9, 16, 22676, length=40, loop=(0, 0, b.NO_LOOP))
    play.tape.come(head, 8 * MS)
    play.tape.come(b.packets(play.unit, sound)[0], 2_010 * MS)
    play.give_up(place)
    return told(names("another sender on the cable") | SILENT_NOW, SILENT_NOW_HOST)


@fault("a damaged packet while the sample is read back", views=BOTH, mono_id=True)
def damaged_back(play: Play) -> Label:
    """The host rejects it, and the unit sends it again: the fault is on the way back."""
    play.whole()
    dump = play.dump
    struck = play.rng.randrange(dump.count)
    play.tape.to(b.request(dump.device, dump.sample), 300 * MS)
    play.tape.come(dump.header, 8 * MS)
    play.host_says("ACK", 0)
    for place, raw in enumerate(dump.packets):
        if place == struck:
            play.tape.come(changed(raw, play.rng.randrange(5, 125), 1), 2 * MS)
            play.host_says("NAK", place)
        play.tape.come(raw, 2 * MS)
        play.host_says("ACK", place)
    return told(ALTERED, None, struck)


@fault("the times are in microseconds and called nanoseconds", plain=True)
def other_unit_of_time(play: Play) -> Label:
    """The recorder is wrong and the transfer right, so that nothing is wrong is right as well."""
    play.whole()
    for track in (play.tape.sent, play.tape.arrived, play.tape.back):
        track[:] = [each._replace(end_ns=each.end_ns // 1000) for each in track]
    return told(names("line too fast", "line speed off") | NOT_WRONG)


# The unit


@fault("a unit that answers by its clock", plain=True, packets=(4, 8))
def by_the_clock(play: Play) -> Label:
    """ACK every 90 ms with a number that counts on, whatever has come."""
    play.send_header()
    began_ns = play.tape.now_ns
    sent = 0
    for turn in range(play.dump.count + 1):
        play.tape.now_ns = max(play.tape.now_ns, began_ns + turn * 90 * MS)
        play.tape.come(b.handshake(play.unit, "ACK", turn))
        if sent < play.dump.count and turn != 2:
            play.send(sent)
            sent += 1
    return told(names("answers altered on the way back", "answers late"))


@fault("replies of the dump before come first", plain=True)
def old_replies(play: Play) -> Label:
    """A buffer of the interface still held three of them."""
    play.send_header()
    for number in (17, 18, 19):
        play.tape.come(b.handshake(play.unit, "ACK", number), 1 * MS)
    play.accept_header()
    play.rest(0)
    return told(
        names("answers altered on the way back", "answers late", "two answers to one message")
    )


@fault("NAK and ACK to each packet", plain=True)
def nak_and_ack(play: Play) -> Label:
    play.open()
    for place in range(play.dump.count):
        play.send(place)
        play.say("NAK", place)
        play.say("ACK", place, 300_000)
    return told(
        names(
            "two answers to one message",
            "unit rejects good packets",
            "answers altered on the way back",
            "sender passes over an answer",
        ),
        names("messages doubled on the way", "two answers to one message") | REJECTED_OFTEN,
    )


@fault("EOF in place of every ACK", goes_on=True, plain=True)
def eof_for_ack(play: Play) -> Label:
    """7B for 7F: a message that a receiver never says in a sample dump (M1 p. 45)."""
    play.open()
    for place in range(play.dump.count):
        play.send(place, after_ns=play.limit_ns() if place else None)
        end_ns = play.tape.now_ns
        play.say("EOF", place)
        play.tape.now_ns = end_ns
    play.silence(20 * MS)
    return told(names("answers altered on the way back") | SILENT_NOW, SILENT_NOW_HOST)


@fault("every second packet is answered", goes_on=True, plain=True, packets=(5, 8))
def every_second(play: Play) -> Label:
    play.open()
    for place in range(play.dump.count):
        play.send(place, after_ns=play.limit_ns() if place % 2 == 0 and place else None)
        if place % 2 == 0:
            play.accept(place)
    play.lives()
    lost = names("answers lost on the way back", "cable out", "unit rejects good packets")
    return told(lost, lost | UNANSWERED)


@fault("CANCEL behind the last ACK", plain=True)
def late_cancel(play: Play) -> Label:
    play.whole()
    play.say("CANCEL", play.dump.count - 1, 150 * MS)
    play.lives()
    return told(names("unit ended the dump", "unit ended the dump"))


@fault("the power of the unit fails", plain=True, packets=(4, 8))
def power(play: Play) -> Label:
    """It falls silent in the dump and says that it is there again half a minute later."""
    place = play.rng.randrange(1, play.dump.count - 1)
    play.until(place)
    play.give_up(place)
    play.tape.to(b.identity_request(), 1 * SECOND)
    play.tape.to(b.identity_request(), 30 * SECOND)
    play.tape.come(b.identity_reply(play.unit), 3 * MS)
    return told(SILENT_NOW, SILENT_NOW_HOST)


@fault("the slot keeps the tail of an older sample", mono_id=True)
def old_tail(play: Play) -> Label:
    play.whole()
    words = play.dump.words
    play.read_back_words((*words, *(word // 3 for word in words[: len(words) // 2 or 1])))
    return told(names("unit stores other words"))


@fault("what is read back is 6 dB softer", mono_id=True)
def softer_back(play: Play) -> Label:
    play.whole()
    play.read_back_words([word // 2 for word in play.dump.words])
    return told(names("unit stores other words"))


@fault("the unit forgets the last packet", mono_id=True)
def last_forgotten(play: Play) -> Label:
    play.whole()
    play.read_back_words(play.dump.words[: (play.dump.count - 1) * play.dump.per_packet])
    return told(names("unit stores other words"))


# The sender and the dump


@fault("numbers are counted down", source=False, plain=True, packets=(4, 8))
def counted_down(play: Play) -> Label:
    """00, 7F, 7E ...; a unit that cannot put in order takes each as good (M1 p. 39)."""
    dump = play.dump
    blocks = [raw[5:125] for raw in dump.packets]
    dump.packets = [b.packet(dump.device, -at % 128, data) for at, data in enumerate(blocks)]
    play.open()
    for place in range(dump.count):
        play.send(place)
        play.say("ACK", -place)
    return told(NUMBERED | names("packets out of order in the dump"))


@fault("checksums without the device ID, and an ID rewritten", plain=True, mono_id=True)
def sums_and_id(play: Play) -> Label:
    """Two things at once: the sum leaves the ID out, so rewriting it does not show in the sum."""
    dump, other = play.dump, (play.dump.device + 9) % 127
    play.sources = ()
    dump.packets = b.packets(dump.device, dump.data, lambda front: b.checksum_of(front[3:]))
    play.unit = other
    play.send_header(((0, dump.header[:2] + bytes((other,)) + dump.header[3:]),))
    play.accept_header()
    for _ in range(3):
        raw = dump.packets[0]
        play.send(0, ((0, raw[:2] + bytes((other,)) + raw[3:]),))
        play.say("NAK", 0)
    play.host_says("CANCEL", 0)
    rewritten = names("device ID rewritten on the way", "answers with another device ID")
    return told(WRONG_SUMS | rewritten, WRONG_SUMS | rewritten, 0)


@fault("every checksum is that of the packet before", source=False, plain=True)
def sums_late(play: Play) -> Label:
    dump = play.dump
    sums = [0, *(raw[125] for raw in dump.packets[:-1])]
    dump.packets = [
        raw[:125] + bytes((total, 0xF7)) for raw, total in zip(dump.packets, sums, strict=True)
    ]
    play.open()
    refuse(play, 0)
    return told(WRONG_SUMS | ALTERED, WRONG_SUMS, 0)


@fault("the sound is 6 dB louder than the source", source=True)
def louder(play: Play) -> Label:
    new_words(play, [word * 2 for word in play.dump.words])
    return told(OTHER_SOUND | names("overload wraps"))


@fault("the sound runs backwards", source=True)
def backwards(play: Play) -> Label:
    new_words(play, list(play.dump.words[::-1]))
    return told(OTHER_SOUND)


@fault("one packet of the sound is silence", source=True, packets=(4, 7))
def dropout(play: Play) -> Label:
    """The encoder's reader came too late; the sums are right."""
    words, step = list(play.dump.words), play.dump.per_packet
    place = play.rng.randrange(1, play.dump.count - 1)
    words[place * step : (place + 1) * step] = [0] * step
    if words == list(play.dump.words):
        return FINE
    new_words(play, words)
    return told(OTHER_SOUND | UNSEEN, None, place)


@fault("a block of the sound is left out, and the numbers run on", source=False, packets=(4, 8))
def block_left_out(play: Play) -> Label:
    dump = play.dump
    place = play.rng.randrange(1, dump.count - 1)
    data = dump.data[: place * b.DATA_BYTES] + dump.data[(place + 1) * b.DATA_BYTES :]
    dump.packets = b.packets(dump.device, data)
    play.whole()
    play.silence(3 * SECOND)
    play.lives()
    few = names("packets missing in the dump", "length wrong", "sender gave up")
    return told(few | names("messages lost on the way", "cable out") | HEADER_ALTERED, few)


@fault("the length counts packets", source=False, plain=True, packets=(4, 8))
def length_of_packets(play: Play) -> Label:
    play.dump.header = remade(play, length=play.dump.count)
    play.open()
    play.good(0)
    play.unanswered(range(1, play.dump.count))
    play.lives()
    own = names("length wrong", "packet too many")
    return told(own | HEADER_ALTERED, own)


@fault("the period is in microseconds", source=False, plain=True)
def microseconds(play: Play) -> Label:
    play.dump.header = remade(play, period=play.dump.period // 1000)
    play.whole()
    own = names("period wrong", "header wrong")
    return told(own | HEADER_ALTERED, own)


@fault("the loop starts behind its end", source=False)
def loop_turned(play: Play) -> Label:
    play.dump.loop = (len(play.dump.words) - 2, 3, 0)
    play.dump.remake()
    play.whole()
    return told(names("loop wrong") | HEADER_ALTERED, names("loop wrong"))


@fault("a packet that was rejected gets the next number", plain=True, packets=(4, 8))
def new_number(play: Play) -> Label:
    """The sender counts sendings and not packets."""
    dump = play.dump
    place = play.rng.randrange(1, dump.count - 1)
    play.until(place)
    play.send(place, ((0, changed(dump.packets[place], 40, 4)),))
    play.say("NAK", place)
    for at in range(place, dump.count):
        play.send(at, raw=b.packet(dump.device, at + 1, dump.packets[at][5:125]))
        play.say("ACK", at + 1)
    wrong = names("sender passes over an answer", "packet too many", "packets missing in the dump")
    return told(ALTERED | NUMBERED | wrong, REJECTED | NUMBERED | wrong)


@fault("packets begin before the header is answered", plain=True, goes_on=True)
def no_two_seconds(play: Play) -> Label:
    """ACK takes 300 ms and packet 0 begins after 100 (M1 p. 39: 2 s)."""
    play.send_header()
    end_ns = play.tape.now_ns
    play.tape.beside(Direction.FROM_UNIT, b.handshake(play.unit, "ACK", 0), end_ns + 300 * MS)
    for place in range(play.dump.count):
        play.send(place, after_ns=100 * MS if place == 0 else play.limit_ns())
    play.silence(400 * MS)
    play.lives()
    early = names("sender does not wait")
    return told(early | SILENT_NOW, early | SILENT_NOW_HOST)


@fault("everything is held back and comes at once", plain=True, views=HOST, packets=(4, 8))
def in_one_go(play: Play) -> Label:
    """The interface collects for 300 ms and delivers what came from the unit in one piece."""
    play.whole()
    play.tape.back[:] = [
        each._replace(end_ns=-(-each.end_ns // (300 * MS)) * 300 * MS + at * 6 * b.BYTE_NS)
        for at, each in enumerate(play.tape.back)
    ]
    return told(names("answers late", "faulty pauses", "sender does not wait", "line too fast"))


@fault("the dump is begun again from its header", plain=True, packets=(4, 8))
def begun_again(play: Play) -> Label:
    """Somebody starts the sender anew; the first dump stays a piece."""
    place = play.rng.randrange(1, play.dump.count - 1)
    play.until(place)
    play.silence(play.rng.randrange(1, 9) * SECOND)
    play.whole()
    return told(names("sender gave up"))


# Nothing wrong


@healthy("somebody goes for a coffee between two packets", goes_on=False)
def coffee(play: Play) -> Label:
    place = play.rng.randrange(play.dump.count)
    play.until(place)
    play.silence(play.rng.randrange(25, 300) * SECOND)
    play.rest(place)
    return FINE


@healthy("WAIT again every two seconds", plain=True)
def wait_again(play: Play) -> Label:
    place = play.rng.randrange(play.dump.count)
    play.until(place)
    play.send(place)
    for _ in range(play.rng.randrange(2, 9)):
        play.say("WAIT", place)
        play.silence(2 * SECOND)
    play.say("ACK", place)
    play.rest(place + 1)
    return FINE


@healthy("a flood of controllers between packets", plain=True)
def controllers(play: Play) -> Label:
    play.open()
    for place in range(play.dump.count):
        for value in range(play.rng.randrange(1, 20)):
            play.tape.to(bytes((0xB0, 1, value * 5)), 400_000)
        play.good(place)
    return FINE


@healthy("start, continue and stop inside packets")
def transport(play: Play) -> Label:
    """FA, FB and FC are real-time bytes and may stand anywhere (M1 p. 30)."""
    play.open()
    for place, raw in enumerate(play.dump.packets):
        at, sign = play.rng.randrange(1, 126), bytes((play.rng.choice((0xFA, 0xFB, 0xFC)),))
        play.send(place, raw=raw[:at] + sign + raw[at:])
        play.accept(place)
    return FINE


@healthy("8 bits in words of 16", bits=(16,))
def eight_in_sixteen(play: Play) -> Label:
    words = tuple(word >> 8 << 8 for word in play.dump.words)
    play.dump.words, play.dump.data = words, b.pack(words, 16)
    play.dump.remake()
    play.sources = ()
    play.whole()
    return FINE


@healthy("noise is the sound", bits=(16, 12, 24))
def noise(play: Play) -> Label:
    half = 1 << play.dump.bits - 1
    words = tuple(play.rng.randrange(-half, half) for _ in play.dump.words)
    play.new_sound(words)
    play.whole()
    return FINE


@healthy("a square at full scale", bits=(8, 16, 24))
def square(play: Play) -> Label:
    half = 1 << play.dump.bits - 1
    words = tuple(half - 1 if at // 25 % 2 else -half for at in range(len(play.dump.words)))
    play.new_sound(words)
    play.whole()
    return FINE


@healthy("the largest and the smallest sample number", mono_id=True)
def numbers_at_ends(play: Play) -> Label:
    play.dump.sample = play.rng.choice((0, 16_383))
    play.dump.remake()
    play.sources = ()
    play.whole()
    return FINE


@healthy("the header is answered in the last tenth of its two seconds", plain=True)
def header_late(play: Play) -> Label:
    play.header_ns = play.rng.randrange(1_900, 1_990) * MS
    play.whole()
    return FINE


@healthy("a name in another language", mono_id=True)
def tagged_name(play: Play) -> Label:
    """A language tag stands before the name (CA-019 p. 4)."""
    play.whole()
    number = b.low_first(play.dump.sample, 2)
    play.tape.to(
        b.message(play.dump.device, b"\x05\x03", number, b"\x02fr\x07", b"mouette"), 60 * MS
    )
    return FINE


@healthy("the keys of the unit are played meanwhile", plain=True)
def keys_played(play: Play) -> Label:
    play.open()
    for place in range(play.dump.count):
        play.send(place)
        if play.rng.random() < 0.5:
            play.tape.come(bytes((0x90, play.rng.randrange(128), 80)), 200_000)
        play.accept(place)
    return FINE


@healthy("the host asks for time while it reads back", mono_id=True)
def host_waits(play: Play) -> Label:
    """Either end may be the receiver, and a receiver may say WAIT (M1 p. 36)."""
    dump = play.dump
    play.whole()
    play.tape.to(b.request(dump.device, dump.sample), 300 * MS)
    play.tape.come(dump.header, 8 * MS)
    play.host_says("ACK", 0)
    for place, raw in enumerate(dump.packets):
        play.tape.come(raw, 2 * MS)
        play.host_says("WAIT", place)
        play.host_says("ACK", place, play.rng.randrange(30, 900) * MS)
    return FINE


@healthy("three samples for three numbers")
def three(play: Play) -> Label:
    play.sources = ()
    for _ in range(3):
        play.whole()
        play.silence(play.rng.randrange(10, 4000) * MS)
        play.dump.sample += 1
        play.dump.remake()
    return FINE


@healthy("a message of another family between two dumps")
def foreign_between(play: Play) -> Label:
    play.sources = ()
    play.whole()
    play.tape.to(b"\xf0\x7d\x01\x02\x03\x04\xf7", 90 * MS)
    play.dump.sample += 1
    play.dump.remake()
    play.whole()
    return FINE


@healthy("two units in turn, each under its own ID", mono_id=True, plain=True)
def two_units_in_turn(play: Play) -> Label:
    play.sources = ()
    play.whole()
    play.silence(700 * MS)
    play.dump.device = play.unit = (play.dump.device + 3) % 127
    play.dump.remake()
    play.whole()
    return FINE
