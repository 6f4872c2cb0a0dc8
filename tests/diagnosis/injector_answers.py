"""Faults on the way back, and in what the unit answers."""

from __future__ import annotations

from emulator.dump.capture import Direction
from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_family import (
    ANSWER_LOST,
    NAK_TO_GOOD,
    NOTHING,
    REJECTED,
    SILENT,
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
from tests.diagnosis.injector_way_whole import inner

LATE = names("answers late")
LATE_HOST = LATE | names("line speed off", "faulty pauses")
OTHER_ID = names("other device ID")


@fault("open loop to nobody", 1, packets=(2, 6))
def nothing_back(play: Play) -> Label:
    """The standard allows it, so nothing need be wrong."""
    play.open_loop()
    if play.rng.random() < 0.5:
        play.silence(3 * SECOND)
        play.tape.to(b"\x90\x3c\x40")
    return told(SILENT | NOTHING, SILENT_HOST | NOTHING)


@fault("nobody says who is there", 1, 2, packets=(2, 6))
def nobody(play: Play) -> Label:
    """Whoever is there has to answer this, whatever its ID (M1 p. 40)."""
    play.tape.to(b.identity_request())
    play.silence(SECOND)
    play.open_loop()
    play.tape.to(b.identity_request(), SECOND)
    play.silence(3 * SECOND)
    play.tape.to(b.identity_request())
    return told(SILENT, SILENT_HOST)


@fault("no answer to a dump, though it lives", 1, 59, mono_id=True, packets=(2, 6))
def hears_only(play: Play) -> Label:
    """A unit may be made for open loop only (M1 p. 39), so nothing need be wrong."""
    play.tape.to(b.identity_request())
    play.tape.come(b.identity_reply(play.dump.device), 3 * MS)
    play.silence(SECOND)
    play.open_loop()
    play.lives()
    causes = names("unit hears and does not answer packets", "answers lost on the way back")
    return told(causes | NOTHING, causes | NOTHING | SILENT_HOST - OTHER_ID)


@fault("only the header is answered", 59, goes_on=True, packets=(3, 7), plain=True)
def header_only(play: Play) -> Label:
    play.open()
    for place in range(play.dump.count):
        play.send(place, after_ns=play.limit_ns() if place else None)
    play.lives()
    return told(SILENT_NOW, SILENT_NOW_HOST)


@fault("another device ID", 3, 4, mono_id=True, packets=(2, 6))
def other_id(play: Play) -> Label:
    """The unit says who it is under its own ID and passes over what is for another one."""
    play.unit = play.dump.device + play.rng.choice((1, 2, 30))
    before = play.rng.random() < 0.5
    if before:
        play.tape.to(b.identity_request())
        play.tape.come(b.identity_reply(play.unit), 3 * MS)
        play.silence(SECOND)
    play.open_loop()
    if not before:
        play.lives()
    return told(OTHER_ID)


@fault("answers to 7F only", 3, mono_id=True, packets=(2, 5))
def all_call_only(play: Play) -> Label:
    """The header to one ID is passed over, the same to everybody is answered."""
    own = play.dump.device + play.rng.choice((1, 3, 20))
    play.send_header()
    play.silence(HEADER_NS + 100 * MS)
    play.host_says("CANCEL", 0)
    play.silence(SECOND)
    play.dump.device, play.unit = b.ALL_CALL, own
    play.dump.remake()
    play.sources = ()
    play.whole()
    return told(OTHER_ID)


@fault("an answer lost", 24, goes_on=False, packets=(2, 7))
def answer_lost(play: Play) -> Label:
    place = play.rng.randrange(play.dump.count)
    play.until(place)
    play.send(place)
    play.again(place)
    play.rest(place + 1)
    return told(ANSWER_LOST, UNANSWERED, place)


@fault("an answer lost and a sender that goes on", goes_on=True, packets=(3, 8), plain=True)
def answer_passed(play: Play) -> Label:
    place = inner(play)
    play.until(place)
    play.send(place)
    play.after_silence(place)
    return told(ANSWER_LOST, UNANSWERED, place)


@fault("no answers from some packet on", 1, packets=(3, 8))
def back_for_good(play: Play) -> Label:
    place = play.rng.randrange(1, play.dump.count - 1)
    play.until(place)
    play.give_up(place)
    if play.rng.random() < 0.5:
        play.lives()
    else:
        play.tape.to(b.identity_request(), 3 * SECOND)
    return told(SILENT_NOW, SILENT_NOW_HOST, place)


@fault("the last packet unanswered", 31, plain=True, packets=(2, 6))
def final_missing(play: Play) -> Label:
    last = play.dump.count - 1
    play.until(last)
    play.send(last)
    play.lives()
    missing = ANSWER_LOST | NOTHING | names("final answer missing", "unit fell silent")
    return told(missing, missing | UNANSWERED, last)


@fault("answers late", 23, goes_on=False, plain=True)
def late(play: Play) -> Label:
    play.answers_ns = play.rng.randrange(30, 400) * MS
    play.whole()
    return told(LATE, LATE_HOST)


@fault("late answers to a sender that goes on", 23, goes_on=True, plain=True, packets=(4, 8))
def late_meet(play: Play) -> Label:
    """The ACK to n is there while n + 1 is under way (M1 p. 39)."""
    late_ns = play.rng.randrange(23, 50) * MS
    play.open()
    for place in range(play.dump.count):
        play.send(place, after_ns=21 * MS if place else None)
        answer = b.handshake(play.unit, "ACK", place)
        play.tape.beside(Direction.FROM_UNIT, answer, play.tape.now_ns + late_ns)
    play.silence(late_ns)
    play.lives()
    return told(LATE, LATE_HOST)


@fault("an ACK that became NAK", 12, plain=True)
def ack_altered(play: Play) -> Label:
    """One bit turned over: 7F became 7E."""
    place = play.rng.randrange(play.dump.count)
    play.until(place)
    play.send(place)
    play.say("NAK", place)
    play.rest(place)
    return told(NAK_TO_GOOD, REJECTED, place)


@fault("an answer damaged", goes_on=False, plain=True)
def answer_damaged(play: Play) -> Label:
    """Not to be understood, so the sender hears none and sends again."""
    place = play.rng.randrange(play.dump.count)
    play.until(place)
    play.send(place)
    whole = b.handshake(play.unit, "ACK", place)
    cut = play.rng.randrange(3, 5)
    damaged = play.rng.choice((whole[:cut] + whole[cut + 1 :], whole[:3] + b"\x3f" + whole[4:]))
    play.tape.come(damaged, play.answers_ns)
    play.again(place)
    play.rest(place + 1)
    return told(names("answers altered on the way back"), None, place)


@fault("two units answer", 50, plain=True, packets=(3, 7))
def two_units(play: Play) -> Label:
    """They share an ID, or both take what is for everybody; the second a little later."""
    play.answers_ns = 2 * MS
    other = play.unit
    if play.rng.random() < 0.5:
        play.dump.device, other = b.ALL_CALL, play.unit + 1
        play.dump.remake()
        play.sources = ()
    play.thinks_ns = 12 * MS
    later_ns = play.rng.randrange(300_000, 8 * MS)

    def second(number: int) -> None:
        answer = b.handshake(other, "ACK", number)
        end_ns = play.tape.now_ns + later_ns + len(answer) * b.BYTE_NS
        play.tape.beside(Direction.FROM_UNIT, answer, end_ns)

    play.open()
    second(play.header_number)
    for place in range(play.dump.count):
        play.good(place)
        second(place)
    twice = names("two answers to one message")
    shared = twice | names("messages doubled on the way") if other == play.unit else twice
    return told(twice, shared)


@fault("all answers bear another ID", 3, mono_id=True, goes_on=True, plain=True, packets=(3, 7))
def id_in_answers(play: Play) -> Label:
    """A unit that hears the ID and answers under its own; the sender passes over that."""
    play.unit = play.dump.device + play.rng.choice((1, 2, 7, 30))
    play.header_ns = 5 * MS
    play.answers_ns = min(play.answers_ns, 10 * MS)
    play.send_header()
    end_ns = play.tape.now_ns
    play.accept_header()
    play.tape.now_ns = end_ns + HEADER_NS
    for place in range(play.dump.count):
        play.send(place, after_ns=1 * MS)
        end_ns = play.tape.now_ns
        play.accept(place)
        play.tape.now_ns = end_ns + 20 * MS
    return told(names("answers with another device ID", "other device ID"))


@fault("a wrong number in an answer", 28, goes_on=False, plain=True, packets=(3, 8))
def wrong_number(play: Play) -> Label:
    place = play.rng.randrange(1, play.dump.count)
    play.until(place)
    play.send(place)
    play.say("ACK", place + play.rng.randrange(20, 100))
    play.again(place)
    play.rest(place + 1)
    wrong = names("answers with a wrong number", "answers altered on the way back")
    return told(wrong, None, place)


@fault("an echo beside the answers", 48, plain=True, packets=(2, 6))
def echo(play: Play) -> Label:
    """Every byte comes back a little later; the answers come behind it, so no harm is done."""
    play.answers_ns = play.header_ns = 5 * MS
    delay_ns = play.rng.randrange(320_000, 2 * MS)
    play.whole()
    for passage in tuple(play.tape.sent):
        play.tape.beside(Direction.FROM_UNIT, passage.data, passage.end_ns + delay_ns)
    return told(names("messages come back") | NOTHING)


@fault("an echo and nothing else", 48, plain=True, packets=(3, 6))
def echo_only(play: Play) -> Label:
    delay_ns = play.rng.randrange(320_000, 2 * MS)
    play.open_loop()
    for passage in tuple(play.tape.sent):
        play.tape.beside(Direction.FROM_UNIT, passage.data, passage.end_ns + delay_ns)
    return told(names("messages come back"))


@fault("a request unanswered", 46, mono_id=True)
def request_unanswered(play: Play) -> Label:
    """An empty number gets silence by right (M1 p. 37), and the asker gets no sound."""
    play.sources = ()
    play.lives()
    play.tape.to(b.request(play.dump.device, play.dump.sample + 1), 400 * MS)
    play.silence(3 * SECOND)
    play.read_back(play.dump.header, play.dump.packets)
    return told(names("request unanswered") | NOTHING)


@fault("a request answered with another number", 47, mono_id=True)
def request_other(play: Play) -> Label:
    play.sources = ()
    wanted = play.dump.sample + play.rng.choice((1, -1))
    play.read_back(play.dump.header, play.dump.packets, sample=wanted)
    return told(names("request answered with another sample"))
