"""Faults on the way: what happens to the bytes of a message."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_family import (
    CLEAN,
    REJECTED,
    REJECTED_OFTEN,
    UNANSWERED,
    Label,
    fault,
    names,
    told,
)
from tests.diagnosis.injector_play import MS, Play

ALTERED = names("bytes altered on the way")
ADDED = names("bytes added on the way")
LOST = names("bytes lost on the way")
LOST_END = LOST | names("message ends lost", "messages cut at a length")
UNSEEN = ALTERED | names("damage that no receiver can see")
NOTE = names("another sender on the cable", "bytes added on the way")


def changed(raw: bytes, at: int, by: int) -> bytes:
    """Turn bits of one byte over."""
    return raw[:at] + bytes((raw[at] ^ by,)) + raw[at + 1 :]


def without(raw: bytes, at: int, count: int) -> Sequence[tuple[int, bytes]]:
    """Lose bytes: the others arrive when they would have."""
    return ((0, raw[:at]), (at + count, raw[at + count :]))


def with_more(raw: bytes, at: int, more: bytes) -> Sequence[tuple[int, bytes]]:
    """Add bytes: the others arrive later."""
    return ((0, raw[:at] + more + raw[at:]),)


def a_place(play: Play) -> int:
    """Throw a packet."""
    return play.rng.randrange(play.dump.count)


def rejected(play: Play, place: int, arrives: Sequence[tuple[int, bytes]]) -> None:
    """Have a packet arrive damaged, NAK said, and the packet sent again (M1 p. 39)."""
    play.until(place)
    play.send(place, arrives)
    play.say("NAK", place)
    play.rest(place)


@fault("a data byte altered", 12, 49)
def altered(play: Play) -> Label:
    place = a_place(play)
    raw = play.dump.packets[place]
    rejected(play, place, ((0, changed(raw, play.rng.randrange(5, 125), bit(play))),))
    return told(ALTERED, REJECTED, place)


def bit(play: Play) -> int:
    """Throw one of seven bits."""
    return 1 << play.rng.randrange(7)


@fault("a checksum altered", 12)
def sum_altered(play: Play) -> Label:
    place = a_place(play)
    rejected(play, place, ((0, changed(play.dump.packets[place], 125, bit(play))),))
    return told(ALTERED, REJECTED, place)


@fault("a byte altered in several packets", 12, 49, packets=(4, 8))
def altered_often(play: Play) -> Label:
    struck = sorted(play.rng.sample(range(play.dump.count), 2 + play.rng.randrange(2)))
    play.open()
    for place, raw in enumerate(play.dump.packets):
        if place in struck:
            play.send(place, ((0, changed(raw, play.rng.randrange(5, 125), bit(play))),))
            play.say("NAK", place)
        play.good(place)
    return told(ALTERED, REJECTED_OFTEN, struck[0])


@fault("a packet number altered", 12, goes_on=False, packets=(3, 7), plain=True)
def number_altered(play: Play) -> Label:
    """The unit rejects a number that was not sent; the sender passes over that and sends again."""
    place = a_place(play)
    play.until(place)
    by = bit(play)
    play.send(place, ((0, changed(play.dump.packets[place], 4, by)),))
    play.say("NAK", (place ^ by) & 0x7F)
    play.again(place)
    play.rest(place + 1)
    wrong = names("answers with a wrong number")
    return told(ALTERED, REJECTED | UNANSWERED | wrong, place)


@fault("two flips of one column", source=True, packets=(2, 6))
def unseen_flips(play: Play) -> Label:
    place = a_place(play)
    raw, by = play.dump.packets[place], bit(play)
    used = used_bytes(play, place)
    for at in play.rng.sample(range(5, 5 + used), 2):
        raw = changed(raw, at, by)
    play.until(place)
    play.send(place, ((0, raw),))
    play.accept(place)
    play.rest(place + 1)
    return told(UNSEEN, CLEAN, place)


def used_bytes(play: Play, place: int) -> int:
    """How many data bytes of a packet are sound and not filler; at least two."""
    return max(min(len(play.dump.data) - place * b.DATA_BYTES, b.DATA_BYTES), 2)


@fault("two bytes change places", source=True, packets=(2, 6))
def unseen_swap(play: Play) -> Label:
    place = a_place(play)
    raw = bytearray(play.dump.packets[place])
    for one in play.rng.sample(range(5, 124), 119):
        if raw[one] != raw[one + 1]:
            raw[one], raw[one + 1] = raw[one + 1], raw[one]
            break
    play.until(place)
    play.send(place, ((0, bytes(raw)),))
    play.accept(place)
    play.rest(place + 1)
    same = bytes(raw) == play.dump.packets[place]
    return told(CLEAN) if same else told(UNSEEN, CLEAN, place)


@fault("bytes lost in a packet", 12, 14)
def bytes_lost(play: Play) -> Label:
    place, count = a_place(play), play.rng.randrange(1, 9)
    at = play.rng.randrange(6, 126 - count)
    arrives = without(play.dump.packets[place], at, count)
    if play.rng.random() < 0.5:
        rejected(play, place, arrives)
        return told(LOST, REJECTED, place)
    play.until(place)
    play.send(place, arrives)
    play.again(place)
    play.rest(place + 1)
    return told(LOST, UNANSWERED, place)


@fault("the end of a packet lost", 14, goes_on=False)
def end_lost(play: Play) -> Label:
    place = a_place(play)
    play.until(place)
    play.send(place, ((0, play.dump.packets[place][: -play.rng.randrange(2, 60)]),))
    play.again(place)
    play.rest(place + 1)
    return told(LOST_END, UNANSWERED, place)


@fault("bytes added to a packet", 15)
def bytes_added(play: Play) -> Label:
    place = a_place(play)
    raw, at = play.dump.packets[place], play.rng.randrange(5, 125)
    more = bytes(play.rng.randrange(128) for _ in range(play.rng.randrange(1, 4)))
    rejected(play, place, with_more(raw, at, more))
    return told(ADDED, REJECTED, place)


@fault("every Nth byte lost", 53, packets=(6, 9), plain=True, goes_on=False)
def every_nth(play: Play) -> Label:
    """Counted over all that goes to the unit, as a buffer of the interface does."""
    step, passed, hits, first = play.rng.choice((96, 128, 160, 180, 200, 256)), 21, 0, None
    play.open()
    for place, raw in enumerate(play.dump.packets):
        for _ in range(4):
            struck = [at for at in range(127) if (passed + at + 1) % step == 0]
            passed += 127
            arrives = parts_without(raw, struck)
            play.send(place, arrives, after_ns=None)
            if not struck:
                play.accept(place)
                break
            hits += len(struck)
            first = place if first is None else first
            if struck[-1] == 126 or struck[0] == 0:
                play.silence(500 * MS)  # no message to be rejected: the sender sends again
            else:
                play.say("NAK", place)
        else:
            play.host_says("CANCEL", place)
            break
    sure = names("every Nth byte lost")
    return told(sure if hits > 3 else sure | LOST, REJECTED_OFTEN | UNANSWERED, first)


def parts_without(raw: bytes, struck: Sequence[int]) -> Sequence[tuple[int, bytes]]:
    """Return what arrives of a message without some of its bytes."""
    edges = [-1, *struck, len(raw)]
    parts = [(one + 1, raw[one + 1 : other]) for one, other in pairwise(edges)]
    return [(at, part) for at, part in parts if part]


@fault("a note inside a packet", 18)
def note_inside(play: Play) -> Label:
    place = a_place(play)
    raw = play.dump.packets[place]
    note = bytes((0x90 | play.rng.randrange(16), play.rng.randrange(128), 64))
    arrives = with_more(raw, play.rng.randrange(6, 120), note)
    if play.rng.random() < 0.5:
        rejected(play, place, arrives)
        return told(NOTE, REJECTED, place)
    play.until(place)
    play.send(place, arrives)
    play.again(place)
    play.rest(place + 1)
    return told(NOTE, UNANSWERED, place)


@fault("F8 taken for data", 15, 19, packets=(6, 9), plain=True)
def clock_taken(play: Play) -> Label:
    """The host's own clock: every packet with F8 inside is rejected, every other one taken."""
    play.thinks_ns, play.answers_ns = 500_000, 2 * MS
    play.tape.tick_ns = play.rng.randrange(90, 140) * MS
    play.tape.ticks_until(play.tape.now_ns)
    play.open()
    bad, first = 0, None
    for place in range(play.dump.count):
        while 0xF8 in play.send(place).lstrip(b"\xf8"):
            bad, first = bad + 1, place if first is None else first
            play.say("NAK", place)
        play.accept(place)
    sure = names("real-time bytes taken for data")
    loose = sure | names("answers altered on the way back", "unit rejects good packets")
    if not bad:
        return told(CLEAN)
    return told(sure if bad > 2 else loose, sure if bad > 2 else loose | REJECTED, first)
