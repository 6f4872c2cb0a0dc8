"""Faults of the sender: it does not wait, passes over answers, insists, hangs, falls silent."""

from __future__ import annotations

from dryload.emulator.dump.capture import Direction
from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_kinds import Struck, fault, twin
from tests.diagnosis.injector_play import MS, SECOND, Play
from tests.diagnosis.injector_way import changed


@fault("the timer runs from the call", "sender does not wait", 22, plain=True, packets=(4, 8))
def no_waiting(play: Play) -> int | None:
    """20 ms are over before the packet has left the line: the next one begins at once."""
    answers_ns = play.chance.randrange(9, 18) * MS
    play.open()
    for place in range(play.dump.count):
        gap_ns = play.chance.randrange(100_000, 4 * MS)
        play.send(place, after_ns=gap_ns)
        answer = b.handshake(play.unit, "ACK", place)
        play.tape.beside(Direction.FROM_UNIT, answer, play.tape.now_ns + answers_ns)
    play.silence(answers_ns)
    play.lives()
    return None


@fault(
    "a late ACK taken for the next",
    "sender does not wait",
    23,
    plain=True,
    packets=(5, 8),
    goes_on=True,
    also=("answers late",),
)
def late_taken(play: Play) -> int | None:
    """ACK n comes while n + 1 is under way, and n + 2 follows at once."""
    late_ns = play.chance.randrange(30, 55) * MS
    play.open()
    for place in range(play.dump.count):
        play.send(place, after_ns=21 * MS if place == 1 else play.thinks_ns)
        answer = b.handshake(play.unit, "ACK", place)
        play.tape.beside(Direction.FROM_UNIT, answer, play.tape.now_ns + late_ns)
    play.silence(late_ns)
    play.lives()
    return None


@fault("the header again within the dump", "header sent again in the middle", plain=True)
def header_again(play: Play) -> int | None:
    """For the unit each header begins a dump, and it answers it as one (M1 p. 39)."""
    every = play.chance.randrange(1, 3)
    play.open()
    for place in range(play.dump.count):
        if place and place % every == 0:
            play.send_header()
            play.accept_header()
        play.good(place)
    return None


@fault("WAIT passed over", "sender passes over an answer", 10, plain=True)
def over_wait(play: Play) -> int | None:
    place = play.inner()
    play.until(place)
    play.send(place)
    play.say("WAIT", place)
    play.silence(play.chance.randrange(22, 1500) * MS)
    play.send(place + 1)
    play.say("ACK", place + 1)
    play.rest(place + 2)
    return None


@fault("WAIT after the header passed over", "sender passes over an answer", 10, plain=True)
def over_header_wait(play: Play) -> int | None:
    """A timer of 2 s runs on though it has no place during WAIT (M1 p. 39)."""
    play.send_header()
    play.say("WAIT", 0)
    play.silence(play.chance.randrange(1900, 3000) * MS)
    play.rest(0)
    return None


@fault("CANCEL passed over", "sender passes over an answer", 8, plain=True, packets=(4, 8))
def over_cancel(play: Play) -> int | None:
    place = play.chance.randrange(play.dump.count - 2)
    play.until(place)
    play.send(place)
    play.say("CANCEL", place)
    play.unanswered(range(place + 1, play.dump.count))
    play.lives()
    return None


@fault(
    "NAK passed over",
    "sender passes over an answer",
    12,
    plain=True,
    also=("bytes altered on the way",),
)
def over_nak(play: Play) -> int | None:
    """A packet arrives damaged, is rejected, and the next one follows."""
    place = play.inner()
    play.until(place)
    raw = changed(
        play.dump.packets[place], play.chance.randrange(5, 125), 1 << play.chance.randrange(7)
    )
    play.send(place, ((0, raw),))
    play.say("NAK", place)
    play.rest(place + 1)
    return None


@fault(
    "it stops at the ACK to the header",
    "sender insists on a number",
    29,
    plain=True,
    group="it stops behind the header",
)
def insists(play: Play) -> Struck:
    """Which number it bears is free (M1 p. 44)."""
    play.header_number = play.chance.choice((0x7F, 0, play.chance.randrange(1, 128)))
    play.open()
    if play.chance.random() < 0.7:
        play.host_says("CANCEL", 0, play.chance.randrange(1, 30) * MS)
        play.lives()
        return Struck()
    play.lives()
    return Struck(None, () if play.sources else ("packets missing in the dump",))


@twin("somebody stops it behind the header", "sender gave up", "it stops behind the header")
def stopped_there(play: Play) -> Struck | int | None:
    """The number was one that it takes."""
    return insists(play)


@fault(
    "it hangs at the end",
    "sender waits at the end",
    31,
    plain=True,
    also=("answers lost on the way back",),
)
def hangs(play: Play) -> int | None:
    """The last packet gets no answer, and the sender stands until somebody stops it."""
    last = play.dump.count - 1
    play.until(last)
    play.send(last)
    play.host_says("CANCEL", last, play.chance.randrange(10, 60) * SECOND)
    play.lives()
    return None


@fault("it stops in the middle", "sender gave up", plain=True, packets=(4, 8))
def stops(play: Play) -> int | None:
    place = play.chance.randrange(1, play.dump.count - 1)
    play.until(place)
    play.host_says("CANCEL", place, play.chance.randrange(1, 3000) * MS)
    play.lives()
    return None


@fault(
    "active sensing falls silent", "sensing fell silent", 20, plain=True, also=("unit fell silent",)
)
def sensing_stops(play: Play) -> int | None:
    """FE every 250 ms, then none for over 330 ms, and the unit goes back to normal (M1 p. 32)."""
    place = play.inner()
    play.tape.tick, play.tape.tick_ns = 0xFE, 250 * MS
    play.tape.ticks_until(play.tape.now_ns + 2 * SECOND)
    play.tape.now_ns += 2 * SECOND
    play.until(place)
    play.tape.tick_ns = 0
    play.silence(play.chance.randrange(700, 2000) * MS)
    play.send(place)
    play.send(place, after_ns=500 * MS)
    play.send(place, after_ns=500 * MS)
    play.host_says("CANCEL", place, 500 * MS)
    return None


@fault("disturbed during WAIT", "disturbed while waiting", 60, plain=True)
def disturbed(play: Play) -> int | None:
    """A key is touched at the unit while it has the sender wait; the sender breaks off."""
    place = play.inner()
    play.until(place)
    play.send(place)
    play.say("WAIT", place)
    play.silence(play.chance.randrange(200, 4000) * MS)
    key = play.chance.randrange(128)
    touched = play.chance.choice((bytes((0x90, key, 64)), bytes((0xB0, 7, key))))
    play.tape.come(touched)
    play.host_says("CANCEL", place, play.chance.randrange(1, 20) * MS)
    play.lives()
    return None
