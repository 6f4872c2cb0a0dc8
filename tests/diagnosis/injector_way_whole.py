"""Faults on the way: what happens to whole messages, to the cable, to the pace."""

from __future__ import annotations

from emulator.dump.capture import Direction, Passage
from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_family import (
    ANSWER_LOST,
    BOTH,
    HOST_ONLY,
    JUMP,
    JUMP_SOURCE,
    NOTHING,
    SILENT_HOST,
    SILENT_NOW,
    SILENT_NOW_HOST,
    UNANSWERED,
    Label,
    fault,
    names,
    told,
)
from tests.diagnosis.injector_play import HEADER_NS, MS, SECOND, Play
from tests.diagnosis.injector_tape import LOST
from tests.diagnosis.injector_way import LOST_END

CANCELLED = names("stopped at the unit", "memory full")


def inner(play: Play) -> int:
    """Throw a packet that is not the last."""
    return play.rng.randrange(max(play.dump.count - 1, 1))


@fault("a packet lost and sent again", 8, 25, goes_on=False)
def lost_again(play: Play) -> Label:
    place = play.rng.randrange(play.dump.count)
    play.until(place)
    play.send(place, LOST)
    play.again(place)
    play.rest(place + 1)
    pause = names("messages lost on the way", "cable out", "faulty pauses") | NOTHING
    return told(pause, UNANSWERED, place)


@fault("a packet lost and a unit that goes on", 25, goes_on=True, packets=(3, 8), plain=True)
def lost_stored(play: Play) -> Label:
    """The standard has a unit treat the next packet as good (M1 p. 39)."""
    place = inner(play)
    play.until(place)
    play.send(place, LOST)
    play.after_silence(place)
    return told(JUMP_SOURCE if play.sources else JUMP, UNANSWERED, place)


@fault("a packet lost and a unit that cancels", 8, 25, goes_on=True, packets=(3, 8), plain=True)
def lost_cancelled(play: Play) -> Label:
    """File Dump has a unit cancel where a number is passed over (M1 p. 45)."""
    place = inner(play)
    play.until(place)
    play.send(place, LOST)
    play.send(place + 1, after_ns=play.limit_ns())
    play.say("CANCEL", place + 1)
    play.lives()
    return told(JUMP_SOURCE if play.sources else JUMP, UNANSWERED | CANCELLED, place)


@fault("a packet lost and a unit that wants it", 25, goes_on=True, packets=(3, 8), plain=True)
def lost_refused(play: Play) -> Label:
    place = inner(play)
    play.until(place)
    play.send(place, LOST)
    play.send(place + 1, after_ns=play.limit_ns())
    for _ in range(2):
        play.say("NAK", place + 1)
        play.send(place + 1)
    play.say("CANCEL", place + 1)
    play.lives()
    rejects = names("unit rejects one packet for ever", "unit rejects good packets")
    causes = JUMP_SOURCE if play.sources else JUMP
    return told(causes, UNANSWERED | CANCELLED | rejects, place)


@fault("a packet doubled", plain=True, packets=(3, 7))
def doubled(play: Play) -> Label:
    place = inner(play)
    play.answers_ns = 3 * MS
    play.until(place)
    raw = play.send(place)
    end_ns = play.tape.now_ns
    play.accept(place)
    copy_ns = end_ns + len(raw) * b.BYTE_NS
    play.tape.arrived.append(Passage(Direction.TO_UNIT, copy_ns, raw))
    play.tape.now_ns = copy_ns
    play.say("ACK", place)
    play.rest(place + 1)
    twice = names("messages doubled on the way")
    file = twice if play.sources else twice | names("packet twice in the dump")
    return told(file, names("two answers to one message") | twice, place)


@fault("the cable out for a time", 8, goes_on=False, packets=(3, 7))
def out_for_a_time(play: Play) -> Label:
    """In the middle of a packet; what is sent again passes."""
    place = play.rng.randrange(play.dump.count)
    play.until(place)
    play.send(place, ((0, play.dump.packets[place][: play.rng.randrange(10, 120)]),))
    if play.rng.random() < 0.5:
        play.send(place, LOST, after_ns=500 * MS)
    play.again(place)
    play.rest(place + 1)
    both = LOST_END | names("cable out", "messages lost on the way")
    return told(both, UNANSWERED, place)


@fault("the cable out for good", 8, packets=(3, 8))
def out_for_good(play: Play) -> Label:
    place = play.rng.randrange(1, play.dump.count - 1)
    play.until(place)
    play.send(place, ((0, play.dump.packets[place][: play.rng.randrange(10, 120)]),))
    if play.goes_on:
        for each in range(place + 1, play.dump.count):
            play.send(each, LOST, after_ns=play.limit_ns())
    else:
        play.send(place, LOST, after_ns=500 * MS)
        play.send(place, LOST, after_ns=500 * MS)
    more = names("cable out", "messages lost on the way", "sender gave up")
    return told(LOST_END | more, SILENT_NOW_HOST, place)


@fault("the header lost", 8, packets=(2, 5))
def header_lost(play: Play) -> Label:
    play.open_loop(LOST)
    causes = names("header spoiled on the way", "messages lost on the way")
    return told(causes if play.sources else causes | names("header missing"), SILENT_HOST)


@fault("exclusive messages filtered", 2, 5, views=HOST_ONLY, packets=(2, 5))
def filtered(play: Play) -> Label:
    """Notes pass both ways, and nothing exclusive does."""
    note = bytes((0x90, play.rng.randrange(128), 80))
    play.tape.to(note)
    play.tape.come(bytes((0x90, play.rng.randrange(128), 70)), 90 * MS)
    play.tape.to(b.identity_request(), 400 * MS, LOST)
    play.silence(1000 * MS)
    play.send_header(LOST)
    play.silence(HEADER_NS)
    for place in range(play.dump.count):
        play.send(place, LOST, after_ns=play.limit_ns())
    play.tape.come(bytes((0x90, play.rng.randrange(128), 70)), 900 * MS)
    return told(SILENT_HOST)


@fault("a reset in a packet", 21, packets=(3, 7))
def reset(play: Play) -> Label:
    """FF may stand anywhere (M1 p. 30); a unit that obeys it has forgotten the dump."""
    place = inner(play)
    play.until(place)
    raw, at = play.dump.packets[place], play.rng.randrange(1, 126)
    play.tape.to(raw[:at] + b"\xff" + raw[at:], play.thinks_ns)
    if play.goes_on:
        for each in range(place + 1, play.dump.count):
            play.send(each, after_ns=play.limit_ns())
    else:
        play.send(place, after_ns=500 * MS)
        play.send(place, after_ns=500 * MS)
        play.host_says("CANCEL", place, 500 * MS)
    play.lives()
    ff = names("reset on the cable")
    return told(SILENT_NOW | ff, SILENT_NOW_HOST | ff, place)


@fault("packets faster than a line", 52, packets=(6, 9), plain=True)
def too_fast(play: Play) -> Label:
    """Through USB without a pace: a packet every few ms; the unit takes every so-many-th."""
    play.open()
    step_ns = play.rng.randrange(4, 20) * MS
    every = play.rng.randrange(3, 5)
    now_ns = play.tape.now_ns
    for place, raw in enumerate(play.dump.packets):
        now_ns += step_ns
        play.tape.beside(Direction.TO_UNIT, raw, now_ns)
        if place % every == 0:
            answer = b.handshake(play.unit, "ACK", place)
            play.tape.beside(Direction.FROM_UNIT, answer, now_ns + 4 * MS)
    play.tape.now_ns = now_ns
    play.lives()
    fast = names("line too fast", "sender does not wait", "unit input overruns")
    return told(fast, fast)


@fault("a pause that a unit does not outlast", 16, packets=(3, 7))
def long_pause(play: Play) -> Label:
    """Something holds a packet back in its middle for seconds, and the unit drops the dump."""
    place = inner(play)
    play.until(place)
    raw, cut = play.dump.packets[place], play.rng.randrange(10, 117)
    gap = play.rng.randrange(3, 8) * SECOND // b.BYTE_NS
    play.send(place, ((0, raw[:cut]), (cut + gap, raw[cut:])))
    for each in range(place + 1, play.dump.count):
        play.send(each, after_ns=play.limit_ns())
    play.lives()
    causes = names("faulty pauses")
    return told(SILENT_NOW | causes, SILENT_NOW_HOST | causes, place)


@fault("the cable back out for a time", 23, views=BOTH, goes_on=False, packets=(3, 7))
def back_out(play: Play) -> Label:
    place = inner(play)
    play.until(place)
    play.send(place)
    play.send(place, after_ns=500 * MS)
    play.again(place)
    play.rest(place + 1)
    return told(ANSWER_LOST, UNANSWERED, place)
