"""Faults of whoever wrote the dump: numbers, sizes, sums, order, header."""

from __future__ import annotations

from functools import reduce
from operator import xor

from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_family import (
    HOST_ONLY,
    JUMP,
    Label,
    fault,
    names,
    told,
)
from tests.diagnosis.injector_play import MS, Play

SUMS = names("checksum of the wrong range", "checksums wrong in the dump")


def refuse(play: Play, place: int) -> None:
    """Reject a packet three times, then cancel, as File Dump has it (M1 p. 44)."""
    for _ in range(2):
        play.send(place)
        play.say("NAK", place)
    play.send(place)
    play.say("CANCEL", place)
    play.lives()


@fault("numbers from 01", 27, source=False, plain=True, packets=(3, 8))
def from_one(play: Play) -> Label:
    """A unit that cannot put in order takes an unexpected number as good (M1 p. 39)."""
    dump = play.dump
    blocks = [each[5:125] for each in dump.packets]
    dump.packets = [b.packet(dump.device, at + 1, data) for at, data in enumerate(blocks)]
    own = names("numbers begin at 1")
    play.open()
    if play.rng.random() < 0.7:
        for place in range(dump.count):
            play.send(place)
            play.say("ACK", place + 1)
        return told(own)
    for kind in ("NAK", "NAK", "CANCEL"):
        play.send(0)
        play.say(kind, 1)
    play.lives()
    return told(own | JUMP, own | names("packets missing in the dump"))


@fault("80 after 7F", 26, source=False, plain=True, packets=(130, 131), bits=(16,), goes_on=False)
def no_wrap(play: Play) -> Label:
    """80 is a status byte and ends the message (M1 p. 29): the 129th packet is torn."""
    dump = play.dump
    front = b"\xf0\x7e" + bytes((dump.device, 2, 0x80)) + dump.packets[128][5:125]
    dump.packets[128] = front + bytes((b.right_sum(front) & 0x7F, 0xF7))
    play.until(128)
    play.give_up(128)
    play.lives()
    return told(names("numbers do not wrap"))


@fault("the last packet is short", 30, source=False, plain=True, packets=(2, 6))
def last_short(play: Play) -> Label:
    dump, last = play.dump, play.dump.count - 1
    rest = dump.data[last * b.DATA_BYTES :]
    if len(rest) == b.DATA_BYTES:
        dump.words = dump.words[: -dump.per_packet // 2]
        dump.data = dump.data[: len(dump.words) * b.bytes_a_word(dump.bits)]
        dump.loop = (0, 0, b.NO_LOOP)
        dump.remake()
        rest = dump.data[last * b.DATA_BYTES :]
    front = b"\xf0\x7e" + bytes((dump.device, 2, last)) + rest
    dump.packets[last] = front + bytes((b.right_sum(front), 0xF7))
    play.until(last)
    if play.rng.random() < 0.5:
        refuse(play, last)
    else:
        play.give_up(last)
        play.lives()
    return told(names("last packet short"), None, last)


@fault("one packet too many", 32, source=False, plain=True, packets=(2, 6))
def too_many(play: Play) -> Label:
    """The sound fills its last packet, and an empty one follows (M1 p. 39)."""
    dump = play.dump
    full = dump.count * dump.per_packet
    if len(dump.words) < full:
        words = dump.words[: full - dump.per_packet]
        if not words:
            words = (0,) * dump.per_packet
        dump.words, dump.data = words, b.pack(words, dump.bits)
        dump.loop = (0, 0, b.NO_LOOP)
        dump.remake()
    play.whole()
    extra = b.packet(dump.device, dump.count, b"")
    play.send(0, raw=extra)
    if (kind := play.rng.choice(("NAK", "CANCEL", ""))) and kind:
        play.say(kind, dump.count)
    play.lives()
    return told(names("packet too many"), None, dump.count)


def _from(start: int) -> b.Sum:
    return lambda front: reduce(xor, front[start:])


WRONG_SUMS: dict[str, b.Sum] = {
    "F0 as well": _from(0),
    "from the device ID on": _from(2),
    "from 02 on": _from(3),
    "from the number on": _from(4),
    "the data only": _from(5),
    "added up": lambda front: sum(front[1:]),
    "added up, negative": lambda front: -sum(front[5:]),
}


def wrong_sums(play: Play) -> None:
    """Give every packet a checksum of another range, one that shows in nearly all of them."""
    dump, right = play.dump, play.dump.packets
    for total in play.rng.sample(list(WRONG_SUMS.values()), len(WRONG_SUMS)):
        dump.packets = b.packets(dump.device, dump.data, total)
        wrong = [one != other for one, other in zip(dump.packets, right, strict=True)]
        if wrong[0] and sum(wrong) >= len(wrong) - 1:
            return


@fault("checksums of another range, rejected", 11, source=False, plain=True, packets=(2, 6))
def range_rejected(play: Play) -> Label:
    """The sender stands at packet 0, and its one sum fits another device ID as well."""
    wrong_sums(play)
    play.open()
    refuse(play, 0)
    return told(SUMS | names("device ID rewritten on the way"), SUMS, 0)


@fault("checksums of another range, to nobody", 11, source=False, packets=(4, 7))
def range_open(play: Play) -> Label:
    wrong_sums(play)
    play.open_loop()
    return told(names("checksum of the wrong range"))


@fault("one checksum wrong in the dump", 11, source=False, plain=True, packets=(3, 7))
def one_sum(play: Play) -> Label:
    """The same wrong byte each time."""
    place = play.rng.randrange(1, play.dump.count)
    raw = play.dump.packets[place]
    by = play.rng.randrange(1, 128)
    play.dump.packets[place] = raw[:125] + bytes((raw[125] ^ by, 0xF7))
    play.until(place)
    refuse(play, place)
    own = names("checksums wrong in the dump", "packet damaged in the dump")
    return told(own | names("bytes altered on the way"), own, place)


@fault("a packet missing in the dump", 25, source=False, plain=True, packets=(4, 8))
def missing(play: Play) -> Label:
    """The next one follows at once, so none was lost between."""
    place = play.rng.randrange(1, play.dump.count - 1)
    play.until(place)
    play.rest(place + 1)
    return told(JUMP, names("packets missing in the dump"), place)


@fault("two packets in the wrong order", source=False, views=HOST_ONLY, plain=True, packets=(4, 8))
def order(play: Play) -> Label:
    place = play.rng.randrange(1, play.dump.count - 2)
    play.until(place)
    play.good(place + 1)
    play.good(place)
    play.rest(place + 2)
    return told(names("packets out of order in the dump"), None, place)


@fault("a packet twice in the dump", source=False, plain=True, packets=(3, 7))
def twice(play: Play) -> Label:
    place = inner_place(play)
    play.until(place)
    play.good(place)
    play.rest(place)
    own = names("packet twice in the dump")
    return told(own | names("messages doubled on the way"), own, place)


def inner_place(play: Play) -> int:
    """Throw a packet that is not the last."""
    return play.rng.randrange(play.dump.count - 1)


@fault("no header in the dump", source=False, packets=(2, 6))
def no_header(play: Play) -> Label:
    play.silence(100 * MS)
    play.unanswered(range(play.dump.count))
    own = names("header missing")
    return told(own | names("header spoiled on the way", "messages lost on the way"), own)
