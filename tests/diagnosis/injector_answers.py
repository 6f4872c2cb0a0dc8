"""Faults on the way back, and in what the unit answers."""

from __future__ import annotations

from dryload.emulator.dump.capture import Direction
from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_kinds import LINE, NOTHING, Struck, fault, twin
from tests.diagnosis.injector_play import HEADER_NS, MS, SECOND, Play
from tests.diagnosis.injector_tape import LOST
from tests.diagnosis.injector_way import (
    NOBODY,
    PASSED,
    REJECTED,
    SILENT_FROM,
    SLACK_NS,
    UNANSWERED,
    changed,
    unanswered,
)

ANSWERS_LOST = "answers lost on the way back"
ALTERED_BACK = "answers altered on the way back"
SILENT = "open loop to a unit that says nothing"
HEARS = "unit hears and does not answer packets"


# Nothing comes back.  The standard allows open loop, so nothing need be wrong (M1 p. 39).


@fault("open loop to nobody", "nothing comes back", 1, group=SILENT)
def nothing_back(play: Play) -> None:
    play.open_loop()


@twin("a unit for open loop", NOTHING, SILENT)
def open_loop_only(play: Play) -> None:
    play.open_loop()


@twin("a filter on the way back", "exclusive messages filtered out", SILENT)
def filter_back(play: Play) -> None:
    """The unit answers every packet, and no answer passes."""
    play.open_loop()


@twin("a dump for another unit", "other device ID", SILENT)
def for_another(play: Play) -> None:
    play.open_loop()


@twin("the cable there is out from the start", "cable out", SILENT)
def nothing_there(play: Play) -> None:
    play.send_header(LOST)
    play.silence(HEADER_NS)
    for place in range(play.dump.count):
        play.send(place, LOST, after_ns=play.limit_ns())


@fault("nobody says who is there", "nothing comes back", 1, 2, group=NOBODY)
def nobody(play: Play) -> None:
    """Whoever is there has to answer this, whatever its ID (M1 p. 40)."""
    _asked_and_sent(play)


@twin(
    "a filter on the way back of a unit that would say who it is",
    "exclusive messages filtered out",
    NOBODY,
)
def nobody_passes(play: Play) -> None:
    _asked_and_sent(play)


def _asked_and_sent(play: Play) -> None:
    play.tape.to(b.identity_request())
    play.silence(SECOND)
    play.open_loop()
    play.tape.to(b.identity_request(), SECOND)
    play.silence(3 * SECOND)
    play.tape.to(b.identity_request())


@fault("no answer to a dump, though it lives", HEARS, 1, 59, mono_id=True, group="lives")
def hears_only(play: Play) -> None:
    play.tape.to(b.identity_request())
    play.tape.come(b.identity_reply(play.dump.device), 3 * MS)
    play.silence(SECOND)
    play.open_loop()
    play.lives()


@twin("a unit for open loop that says who it is", NOTHING, "lives")
def lives_in_open_loop(play: Play) -> None:
    """A unit may be made for open loop only (M1 p. 39)."""
    hears_only(play)


@fault(
    "only the header is answered",
    HEARS,
    59,
    goes_on=True,
    plain=True,
    group="the header alone is answered",
    views=LINE,
)
def header_only(play: Play) -> None:
    play.open()
    play.unanswered(range(play.dump.count))
    play.lives()


@twin(
    "a unit that falls silent behind the header", "unit fell silent", "the header alone is answered"
)
def silent_at_once(play: Play) -> None:
    """It has forgotten the dump."""
    header_only(play)


@fault("another device ID", "other device ID", 3, 4, mono_id=True)
def other_id(play: Play) -> None:
    """The unit says who it is under its own ID and passes over what is for another one."""
    play.unit = play.dump.device + play.chance.choice((1, 2, 30))
    before = play.chance.random() < 0.5
    if before:
        play.tape.to(b.identity_request())
        play.tape.come(b.identity_reply(play.unit), 3 * MS)
        play.silence(SECOND)
    play.open_loop()
    if not before:
        play.lives()


@fault("answers to 7F only", "other device ID", 3, mono_id=True)
def all_call_only(play: Play) -> None:
    """The header to one ID is passed over, the same to everybody is answered."""
    own = play.dump.device + play.chance.choice((1, 3, 20))
    play.send_header()
    play.silence(HEADER_NS + 100 * MS)
    play.host_says("CANCEL", 0)
    play.silence(SECOND)
    play.dump.device, play.unit = b.ALL_CALL, own
    play.dump.remake()
    play.sources = ()
    play.whole()


# Some answers are lost


@fault("an answer lost", ANSWERS_LOST, 24, goes_on=False, group=UNANSWERED, views=LINE)
def answer_lost(play: Play) -> int:
    place = play.a_place()
    unanswered(play, place, None)
    return place


@fault(
    "an answer lost and a sender that goes on",
    ANSWERS_LOST,
    goes_on=True,
    plain=True,
    group=PASSED,
    views=LINE,
)
def answer_passed(play: Play) -> int:
    place = play.middle()
    play.until(place)
    play.send(place)
    play.after_silence(place)
    return place


@fault(
    "two answers lost",
    ANSWERS_LOST,
    23,
    goes_on=False,
    group="two answers lost",
    views=LINE,
)
def back_out(play: Play) -> int:
    place = play.inner()
    play.until(place)
    play.send(place)
    play.send(place, after_ns=500 * MS)
    play.again(place)
    play.rest(place + 1)
    return place


@twin("the cable back out for a time", "cable out", "two answers lost")
def back_out_for_a_time(play: Play) -> Struck | int | None:
    """Long enough for two answers."""
    return back_out(play)


@fault("no answers from some packet on", "unit fell silent", 1, group=SILENT_FROM)
def for_good(play: Play) -> int:
    return _silent_from(play, None)


@twin("the cable back out for good", "cable out", SILENT_FROM)
def back_for_good(play: Play) -> int:
    return _silent_from(play, None)


@twin("every answer lost from some packet on", ANSWERS_LOST, SILENT_FROM)
def answers_lost_for_good(play: Play) -> int:
    return _silent_from(play, None)


@twin("packets lost from some packet on", "messages lost on the way", SILENT_FROM)
def there_for_good(play: Play) -> int:
    return _silent_from(play, LOST)


def _silent_from(play: Play, arrives: tuple[tuple[int, bytes], ...] | None) -> int:
    place = play.rng.randrange(1, play.dump.count - 1)
    play.until(place)
    play.give_up(place, arrives=arrives)
    play.tape.to(b.identity_request(), 3 * SECOND)
    return place


@fault("the last packet unanswered", ANSWERS_LOST, 31, plain=True, group="last")
def final_missing(play: Play) -> int:
    last = play.dump.count - 1
    play.until(last)
    play.send(last)
    play.lives()
    return last


@twin("a unit that answers no last packet", NOTHING, "last")
def no_final(play: Play) -> Struck | int | None:
    """Only a should has it answered (HSK-13)."""
    return final_missing(play)


# Answers come late, altered, twice, or under another ID


@fault("answers late", "answers late", 23, goes_on=False, plain=True)
def late(play: Play) -> None:
    play.answers_ns = play.chance.randrange(30, 400) * MS
    play.whole()


@fault(
    "late answers to a sender that goes on",
    "answers late",
    23,
    goes_on=True,
    plain=True,
    packets=(4, 8),
)
def late_meet(play: Play) -> None:
    """The ACK to n is there while n + 1 is under way (M1 p. 39)."""
    late_ns = play.chance.randrange(23, 50) * MS
    play.open()
    for place in range(play.dump.count):
        play.send(place, after_ns=21 * MS if place else None)
        answer = b.handshake(play.unit, "ACK", place)
        play.tape.beside(Direction.FROM_UNIT, answer, play.tape.now_ns + late_ns)
    play.silence(late_ns)
    play.lives()


@fault("one answer late", "answers late", 23, goes_on=False, plain=True)
def late_once(play: Play) -> int:
    place = play.a_place()
    play.until(place)
    play.send(place)
    play.say("ACK", place, play.chance.randrange(30, 400) * MS)
    play.rest(place + 1)
    return place


@fault("an ACK that became NAK", ALTERED_BACK, 12, group=REJECTED, views=LINE)
def ack_altered(play: Play) -> int:
    """One bit turned over: 7F became 7E."""
    place = play.a_place()
    play.until(place)
    play.send(place)
    ack = b.handshake(play.unit, "ACK", place)
    play.tape.come(changed(ack, 3, 1), SLACK_NS + play.answers_ns)
    play.rest(place)
    return place


@fault("an answer damaged", ALTERED_BACK, goes_on=False, plain=True)
def answer_damaged(play: Play) -> int:
    """Not to be understood, so the sender hears none and sends again."""
    place = play.a_place()
    play.until(place)
    play.send(place)
    whole = b.handshake(play.unit, "ACK", place)
    cut = play.chance.randrange(3, 5)
    damaged = play.chance.choice((whole[:cut] + whole[cut + 1 :], whole[:3] + b"\x3f" + whole[4:]))
    play.tape.come(damaged, play.answers_ns)
    play.again(place)
    play.rest(place + 1)
    return place


@fault("two units answer", "two answers to one message", 50, plain=True)
def two_units(play: Play) -> None:
    """They share an ID, or both take what is for everybody; the second a little later."""
    play.answers_ns = 2 * MS
    other = play.unit
    if play.chance.random() < 0.5:
        play.dump.device, other = b.ALL_CALL, play.unit + 1
        play.dump.remake()
        play.sources = ()
    play.thinks_ns = 12 * MS
    later_ns = play.chance.randrange(300_000, 8 * MS)

    def second(number: int) -> None:
        answer = b.handshake(other, "ACK", number)
        end_ns = play.tape.now_ns + later_ns + len(answer) * b.BYTE_NS
        play.tape.beside(Direction.FROM_UNIT, answer, end_ns)

    play.open()
    second(play.header_number)
    for place in range(play.dump.count):
        play.good(place)
        second(place)


@fault("one answer comes twice", "two answers to one message", 50, plain=True)
def answer_twice(play: Play) -> int:
    place = play.a_place()
    play.until(place)
    play.send(place)
    play.say("ACK", place)
    play.say("ACK", place, play.chance.randrange(300_000, 5 * MS))
    play.rest(place + 1)
    return place


@fault(
    "all answers bear another ID",
    "answers with another device ID",
    3,
    mono_id=True,
    goes_on=True,
    plain=True,
    also=("other device ID",),
)
def id_in_answers(play: Play) -> None:
    """A unit that hears the ID and answers under its own; the sender passes over that."""
    play.unit = play.dump.device + play.chance.choice((1, 2, 7, 30))
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


def answered_with(play: Play, place: int, answer: bytes) -> None:
    """Have a packet answered so that the sender passes over it and sends the packet again."""
    play.until(place)
    play.send(place)
    play.tape.come(answer, play.answers_ns)
    play.again(place)
    play.rest(place + 1)


@fault(
    "one answer bears another ID",
    "answers with another device ID",
    3,
    mono_id=True,
    goes_on=False,
    plain=True,
    group="another ID",
)
def id_in_one_answer(play: Play) -> int:
    place = play.a_place()
    other = play.unit ^ (1 << play.chance.randrange(6))
    answered_with(play, place, b.handshake(other, "ACK", place))
    return place


@twin("the ID in an answer altered", ALTERED_BACK, "another ID")
def id_altered(play: Play) -> int:
    place = play.a_place()
    whole = b.handshake(play.unit, "ACK", place)
    answered_with(play, place, changed(whole, 2, 1 << play.chance.randrange(6)))
    return place


@fault(
    "a wrong number in an answer",
    "answers altered on the way back",
    28,
    goes_on=False,
    plain=True,
    group="another number",
)
def wrong_number(play: Play) -> int:
    place = play.rng.randrange(play.done or 1, play.dump.count)
    other = place ^ (1 << play.chance.randrange(3, 7))
    answered_with(play, place, b.handshake(play.unit, "ACK", other))
    return place


@twin("the number in an answer altered", ALTERED_BACK, "another number")
def number_altered_back(play: Play) -> int:
    place = play.rng.randrange(play.done or 1, play.dump.count)
    whole = b.handshake(play.unit, "ACK", place)
    answered_with(play, place, changed(whole, 4, 1 << play.chance.randrange(3, 7)))
    return place


# Echoes and requests


@fault("an echo beside the answers", "messages come back", 48, plain=True, also=(NOTHING,))
def echo(play: Play) -> None:
    """Every byte comes back a little later; the answers come behind it, so no harm is done."""
    play.answers_ns = play.header_ns = 5 * MS
    delay_ns = play.chance.randrange(320_000, 2 * MS)
    play.whole()
    for passage in tuple(play.tape.sent):
        play.tape.beside(Direction.FROM_UNIT, passage.data, passage.end_ns + delay_ns)


@fault("an echo and nothing else", "messages come back", 48, plain=True)
def echo_only(play: Play) -> None:
    delay_ns = play.chance.randrange(320_000, 2 * MS)
    play.open_loop()
    for passage in tuple(play.tape.sent):
        play.tape.beside(Direction.FROM_UNIT, passage.data, passage.end_ns + delay_ns)


@fault("a request unanswered", "request unanswered", 46, mono_id=True, also=(NOTHING,))
def request_unanswered(play: Play) -> None:
    """An empty number gets silence by right (M1 p. 37), and the asker gets no sound."""
    play.sources = ()
    play.lives()
    play.tape.to(b.request(play.dump.device, play.dump.sample + 1), 400 * MS)
    play.silence(3 * SECOND)
    play.read_back(play.dump.header, play.dump.packets)


@fault(
    "a request answered with another number",
    "request answered with another sample",
    47,
    mono_id=True,
)
def request_other(play: Play) -> None:
    play.sources = ()
    wanted = play.dump.sample + play.chance.choice((1, -1))
    play.read_back(play.dump.header, play.dump.packets, sample=wanted)
