"""Faults of the sender: it does not wait, passes over answers, insists, hangs, falls silent."""

from __future__ import annotations

from emulator.dump.capture import Direction
from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_family import ANSWER_LOST, UNANSWERED, Label, fault, names, told
from tests.diagnosis.injector_play import MS, SECOND, Play
from tests.diagnosis.injector_way import changed
from tests.diagnosis.injector_way_whole import inner


@fault("the timer runs from the call", 22, plain=True, packets=(4, 8))
def no_waiting(play: Play) -> Label:
    """20 ms are over before the packet has left the line: the next one begins at once."""
    answers_ns = play.rng.randrange(9, 18) * MS
    play.open()
    for place in range(play.dump.count):
        gap_ns = play.rng.randrange(100_000, 4 * MS)
        play.send(place, after_ns=gap_ns)
        answer = b.handshake(play.unit, "ACK", place)
        play.tape.beside(Direction.FROM_UNIT, answer, play.tape.now_ns + answers_ns)
    play.silence(answers_ns)
    play.lives()
    return told(names("sender does not wait"))


@fault("a late ACK taken for the next", 23, plain=True, packets=(5, 8), goes_on=True)
def late_taken(play: Play) -> Label:
    """ACK n comes while n + 1 is under way, and n + 2 follows at once."""
    late_ns = play.rng.randrange(30, 55) * MS
    play.open()
    for place in range(play.dump.count):
        play.send(place, after_ns=21 * MS if place == 1 else play.thinks_ns)
        answer = b.handshake(play.unit, "ACK", place)
        play.tape.beside(Direction.FROM_UNIT, answer, play.tape.now_ns + late_ns)
    play.silence(late_ns)
    play.lives()
    taken = names("sender takes a late answer for the next", "sender does not wait")
    return told(taken | names("answers late"))


@fault("WAIT passed over", 10, plain=True, packets=(3, 7))
def over_wait(play: Play) -> Label:
    place = inner(play)
    play.until(place)
    play.send(place)
    play.say("WAIT", place)
    play.silence(play.rng.randrange(22, 1500) * MS)
    play.send(place + 1)
    play.say("ACK", place + 1)
    play.rest(place + 2)
    return told(names("sender passes over WAIT"))


@fault("WAIT after the header passed over", 10, plain=True, packets=(3, 7))
def over_header_wait(play: Play) -> Label:
    """A timer of 2 s runs on though it has no place during WAIT (M1 p. 39)."""
    play.send_header()
    play.say("WAIT", 0)
    play.silence(play.rng.randrange(1900, 3000) * MS)
    play.rest(0)
    return told(names("sender passes over WAIT"))


@fault("CANCEL passed over", 8, plain=True, packets=(4, 8))
def over_cancel(play: Play) -> Label:
    place = play.rng.randrange(play.dump.count - 2)
    play.until(place)
    play.send(place)
    play.say("CANCEL", place)
    for each in range(place + 1, play.dump.count):
        play.send(each, after_ns=play.limit_ns())
    play.lives()
    return told(names("sender passes over CANCEL"))


@fault("NAK passed over", 12, plain=True, packets=(3, 7))
def over_nak(play: Play) -> Label:
    """A packet arrives damaged, is rejected, and the next one follows."""
    place = inner(play)
    play.until(place)
    raw = changed(play.dump.packets[place], play.rng.randrange(5, 125), 1 << play.rng.randrange(7))
    play.send(place, ((0, raw),))
    play.say("NAK", place)
    play.rest(place + 1)
    return told(names("sender passes over NAK", "bytes altered on the way"))


@fault("it stops at the ACK to the header", 29, plain=True, packets=(2, 6))
def insists(play: Play) -> Label:
    """Which number it bears is free (M1 p. 44)."""
    play.header_number = play.rng.choice((0x7F, 0, play.rng.randrange(1, 128)))
    play.open()
    stops = names("sender insists on a number", "sender gave up")
    if play.rng.random() < 0.7:
        play.host_says("CANCEL", 0, play.rng.randrange(1, 30) * MS)
    elif not play.sources:
        stops |= names("packets missing in the dump")  # as if it were a header alone
    play.lives()
    return told(stops)


@fault("it hangs at the end", 31, plain=True, packets=(2, 6))
def hangs(play: Play) -> Label:
    """The last packet gets no answer, and the sender stands until somebody stops it."""
    last = play.dump.count - 1
    play.until(last)
    play.send(last)
    play.host_says("CANCEL", last, play.rng.randrange(10, 60) * SECOND)
    play.lives()
    stands = ANSWER_LOST | names(
        "sender waits at the end", "sender gave up", "final answer missing"
    )
    return told(stands, stands | UNANSWERED)


@fault("it stops in the middle", plain=True, packets=(4, 8))
def stops(play: Play) -> Label:
    place = play.rng.randrange(1, play.dump.count - 1)
    play.until(place)
    play.host_says("CANCEL", place, play.rng.randrange(1, 3000) * MS)
    play.lives()
    return told(names("sender gave up"))


@fault("active sensing falls silent", 20, plain=True, packets=(3, 7))
def sensing_stops(play: Play) -> Label:
    """FE every 250 ms, then none for over 330 ms, and the unit goes back to normal (M1 p. 32)."""
    place = inner(play)
    play.tape.tick, play.tape.tick_ns = 0xFE, 250 * MS
    play.tape.ticks_until(play.tape.now_ns + 2 * SECOND)
    play.tape.now_ns += 2 * SECOND
    play.until(place)
    play.tape.tick_ns = 0
    play.silence(play.rng.randrange(700, 2000) * MS)
    play.send(place)
    play.send(place, after_ns=500 * MS)
    play.send(place, after_ns=500 * MS)
    play.host_says("CANCEL", place, 500 * MS)
    silent = names("sensing fell silent", "unit fell silent")
    return told(silent)


@fault("disturbed during WAIT", 60, plain=True, packets=(3, 7))
def disturbed(play: Play) -> Label:
    """A key is touched at the unit while it has the sender wait; the sender breaks off."""
    place = inner(play)
    play.until(place)
    play.send(place)
    play.say("WAIT", place)
    play.silence(play.rng.randrange(200, 4000) * MS)
    key = play.rng.randrange(128)
    touched = play.rng.choice((bytes((0x90, key, 64)), bytes((0xB0, 7, key))))
    play.tape.come(touched)
    play.host_says("CANCEL", place, play.rng.randrange(1, 20) * MS)
    play.lives()
    return told(names("disturbed while waiting"))
