"""Faults on the way there: what happens to bytes, messages, the cable, the pace."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from dryload.emulator.dump.capture import Direction, Passage
from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_kinds import (
    ARRIVED,
    BOTH,
    HOST,
    LINE,
    NOTHING,
    Struck,
    View,
    fault,
    twin,
)
from tests.diagnosis.injector_play import AGAIN_NS, HEADER_NS, MS, SECOND, Play
from tests.diagnosis.injector_tape import LOST, Arrival

ALTERED = "bytes altered on the way"
BYTES_LOST = "bytes lost on the way"
ADDED = "bytes added on the way"
OTHERS = "another sender on the cable"
UNSEEN = "damage that no receiver can see"
LOST_THERE = "messages lost on the way"
REJECTED = "a packet rejected once"
UNANSWERED = "a packet unanswered once"
PASSED = "a packet unanswered, and the next one comes"
SILENT_FROM = "no answer from some packet on"
NO_HEADER = "packets without a header"
TWO_ANSWERS = "two answers to one packet"
EACH_TIME = "a packet that arrives wrong each time"
UNSEEN_LAST = "a last packet that is another"
REWRITTEN = "an ID that the sums are not for"
REWRITTEN_PACKETS = "an ID that the header has not"
NOBODY = "nothing at all comes back"
SLACK_NS = 4 * b.BYTE_NS
"""What was added on the way has arrived by then."""


ALL = (*ARRIVED, View.HOST)


def changed(raw: bytes, at: int, by: int) -> bytes:
    """Turn bits of one byte over."""
    return raw[:at] + bytes((raw[at] ^ by,)) + raw[at + 1 :]


def without(raw: bytes, at: int, count: int) -> Arrival:
    """Lose bytes: the others arrive when they would have."""
    return ((0, raw[:at]), (at + count, raw[at + count :]))


def with_more(raw: bytes, at: int, more: bytes) -> Arrival:
    """Add bytes: the others arrive later."""
    return ((0, raw[:at] + more + raw[at:]),)


def bit(play: Play) -> int:
    """Throw one of seven bits."""
    return 1 << play.chance.randrange(7)


def rejected(play: Play, place: int, arrives: Arrival | None) -> None:
    """Have a packet arrive damaged, NAK said, and the packet sent again (M1 p. 39)."""
    play.until(place)
    play.send(place, arrives)
    play.tape.now_ns = play.tape.sent[-1].end_ns + SLACK_NS
    play.say("NAK", place)
    play.rest(place)


def unanswered(play: Play, place: int, arrives: Arrival | None) -> None:
    """Have a packet arrive so that the unit says nothing, and the sender send it again."""
    play.until(place)
    play.send(place, arrives)
    play.tape.now_ns = play.tape.sent[-1].end_ns + SLACK_NS
    play.again(place)
    play.rest(place + 1)


# Bytes of a packet


@fault(
    "a data byte altered",
    ALTERED,
    12,
    49,
    packets=(1, 8),
    group=REJECTED,
    views=ALL,
)
def altered(play: Play) -> int:
    place = play.a_place()
    raw = play.dump.packets[place]
    rejected(play, place, ((0, changed(raw, play.chance.randrange(5, 125), bit(play))),))
    return place


@fault("a checksum altered", ALTERED, 12, group=REJECTED, views=ARRIVED)
def sum_altered(play: Play) -> int:
    place = play.a_place()
    rejected(play, place, ((0, changed(play.dump.packets[place], 125, bit(play))),))
    return place


@fault("a run of bytes altered", ALTERED, 49, group=REJECTED, views=ARRIVED)
def run_altered(play: Play) -> int:
    """A burst of noise; its last byte differs, so that the checksum does."""
    place = play.a_place()
    raw, count = play.dump.packets[place], play.chance.randrange(2, 9)
    at = play.chance.randrange(5, 125 - count)
    burst = bytearray(play.chance.randrange(128) for _ in range(count))
    if b.checksum_of(bytes(burst)) == b.checksum_of(raw[at : at + count]):
        burst[-1] ^= 1
    rejected(play, place, ((0, raw[:at] + bytes(burst) + raw[at + count :]),))
    return place


@fault("a packet number altered", ALTERED, 12, goes_on=False, plain=True, views=LINE)
def number_altered(play: Play) -> int:
    """The unit rejects a number that was not sent; the sender passes over that and sends again."""
    place = play.a_place()
    play.until(place)
    by = bit(play)
    play.send(place, ((0, changed(play.dump.packets[place], 4, by)),))
    play.say("NAK", (place ^ by) & 0x7F)
    play.again(place)
    play.rest(place + 1)
    return place


@fault("two flips of one column", UNSEEN, source=True, also=(ALTERED,), views=LINE)
def unseen_flips(play: Play) -> int:
    place = play.a_place()
    raw, by = play.dump.packets[place], bit(play)
    for at in play.chance.sample(range(5, 5 + used_bytes(play, place)), 2):
        raw = changed(raw, at, by)
    play.until(place)
    play.send(place, ((0, raw),))
    play.accept(place)
    play.rest(place + 1)
    return place


def used_bytes(play: Play, place: int) -> int:
    """How many data bytes of a packet are sound and not filler; at least two."""
    return max(min(len(play.dump.data) - place * b.DATA_BYTES, b.DATA_BYTES), 2)


@fault("two bytes change places", UNSEEN, source=True, also=(ALTERED,), views=LINE)
def unseen_swap(play: Play) -> int:
    place = play.a_place()
    raw = bytearray(play.dump.packets[place])
    for one in play.chance.sample(range(5, 124), 119):
        if raw[one] != raw[one + 1]:
            raw[one], raw[one + 1] = raw[one + 1], raw[one]
            break
    play.until(place)
    play.send(place, ((0, bytes(raw)),))
    play.accept(place)
    play.rest(place + 1)
    return place


def some_lost(play: Play, place: int) -> Arrival:
    """Lose one to eight bytes inside a packet."""
    count = play.chance.randrange(1, 9)
    return without(play.dump.packets[place], play.chance.randrange(6, 126 - count), count)


@fault("bytes lost in a packet", BYTES_LOST, 12, 14, packets=(1, 8), group=REJECTED, views=ARRIVED)
def bytes_lost(play: Play) -> int:
    place = play.a_place()
    rejected(play, place, some_lost(play, place))
    return place


@fault(
    "bytes lost in a packet, and no answer",
    BYTES_LOST,
    14,
    group=UNANSWERED,
    views=ARRIVED,
    goes_on=False,
)
def bytes_lost_quietly(play: Play) -> int:
    place = play.a_place()
    unanswered(play, place, some_lost(play, place))
    return place


@fault("the end of a packet lost", BYTES_LOST, 14, group=UNANSWERED, views=ARRIVED, goes_on=False)
def end_lost(play: Play) -> int:
    place = play.a_place()
    unanswered(play, place, ((0, play.dump.packets[place][: -play.chance.randrange(2, 60)]),))
    return place


@fault("bytes added to a packet", ADDED, 15, group=REJECTED, views=ARRIVED)
def bytes_added(play: Play) -> int:
    place = play.a_place()
    at = play.chance.randrange(5, 125)
    more = bytes(play.chance.randrange(128) for _ in range(play.chance.randrange(1, 4)))
    rejected(play, place, with_more(play.dump.packets[place], at, more))
    return place


def note_in(play: Play, place: int) -> Arrival:
    """Put a note into a packet."""
    note = bytes((0x90 | play.chance.randrange(16), play.chance.randrange(128), 64))
    return with_more(play.dump.packets[place], play.chance.randrange(6, 120), note)


@fault("a note inside a packet", OTHERS, 18, group=REJECTED, views=ARRIVED)
def note_inside(play: Play) -> int:
    place = play.a_place()
    rejected(play, place, note_in(play, place))
    return place


@fault(
    "a note inside a packet, and no answer",
    OTHERS,
    18,
    group=UNANSWERED,
    views=ARRIVED,
    goes_on=False,
)
def note_inside_quietly(play: Play) -> int:
    place = play.a_place()
    unanswered(play, place, note_in(play, place))
    return place


@fault(
    "every Nth byte lost",
    "bytes lost on the way",
    53,
    packets=(6, 9),
    plain=True,
    goes_on=False,
    views=ARRIVED,
)
def every_nth(play: Play) -> Struck:
    """Counted over all that goes to the unit, as a buffer of the interface does."""
    step, passed, hits, first = play.chance.choice((96, 128, 160, 180, 200, 256)), 21, 0, None
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
    return Struck(first, () if hits > 3 else (BYTES_LOST,))


def parts_without(raw: bytes, struck: Sequence[int]) -> Arrival:
    """Return what arrives of a message without some of its bytes."""
    edges = [-1, *struck, len(raw)]
    parts = [(one + 1, raw[one + 1 : other]) for one, other in pairwise(edges)]
    return [(at, part) for at, part in parts if part]


@fault(
    "F8 taken for data",
    "real-time bytes taken for data",
    15,
    19,
    packets=(6, 9),
    plain=True,
    views=BOTH,
)
def clock_taken(play: Play) -> Struck:
    """The host's own clock: every packet with F8 inside is rejected, every other one taken."""
    play.thinks_ns, play.answers_ns = 500_000, 2 * MS
    play.tape.tick_ns = play.chance.randrange(90, 140) * MS
    play.tape.ticks_until(play.tape.now_ns)
    play.open()
    bad, first = 0, None
    for place in range(play.dump.count):
        while 0xF8 in play.send(place).lstrip(b"\xf8"):
            bad, first = bad + 1, place if first is None else first
            play.say("NAK", place)
        play.accept(place)
    if not bad:
        return Struck(None, (NOTHING,))
    return Struck(first, () if bad > 2 else ("unit rejects good packets",))


@fault(
    "a stuck data bit",
    "stuck data bit",
    11,
    packets=(4, 8),
    plain=True,
    goes_on=False,
    views=ARRIVED,
)
def stuck_bit(play: Play) -> Struck:
    """One bit of all data is set: where that turns an even number over, the checksum is right."""
    by, refused, seen = bit(play), None, 0
    play.open()
    for place, raw in enumerate(play.dump.packets):
        stuck = raw[:5] + bytes(byte | by for byte in raw[5:125]) + raw[125:]
        seen += stuck != raw
        play.send(place, ((0, stuck),))
        if b.right_sum(stuck[:125]) == stuck[125]:
            play.accept(place)
            continue
        refused = place
        for _ in range(2):
            play.say("NAK", place)
            play.send(place, ((0, stuck),))
        play.say("CANCEL", place)
        break
    if refused is None:
        return Struck(None, (NOTHING, UNSEEN))
    return Struck(None, (ALTERED,) if seen < 3 else ())


# Headers, ends and device IDs


@fault("F7 missing from packets", "bytes lost on the way", 51, plain=True, views=ARRIVED)
def ends_lost(play: Play) -> None:
    """Lost where F7 travels alone in an event of USB: in packets and not in headers or ACKs."""
    dies_on_the_way(play, 126)


@fault(
    "every packet cut at one length",
    "bytes lost on the way",
    14,
    plain=True,
    views=ARRIVED,
    goes_on=True,
)
def cut_at_a_length(play: Play) -> None:
    """A buffer of the interface holds so much and no more."""
    dies_on_the_way(play, play.chance.choice((32, 48, 64, 96, 100, 120)))


def dies_on_the_way(play: Play, length: int) -> None:
    """Have so many bytes of every packet arrive, and the unit say nothing to what has no end."""
    play.open()
    last = play.dump.count if play.goes_on else 1
    for place in range(last):
        for time in range(1 if play.goes_on else 3):
            arrives = ((0, play.dump.packets[place][:length]),)
            play.send(place, arrives, after_ns=500 * MS if time else 21 * MS)
    play.host_says("CANCEL", 0, 500 * MS)
    play.lives()


@fault("a header that arrives damaged", "header spoiled on the way", 8, views=LINE)
def header_damaged(play: Play) -> Struck:
    raw = play.dump.header
    how, at = play.chance.randrange(3), play.chance.randrange(4, 19)
    arrives = (
        without(raw, at, play.chance.randrange(1, 3)),
        with_more(raw, at, bytes((play.chance.randrange(128),))),
        ((0, raw[: play.chance.randrange(8, 20)]),),
    )[how]
    play.open_loop(arrives)
    return Struck(None, ((BYTES_LOST,), (ADDED,), (BYTES_LOST,))[how])


@fault(
    "a period altered on the way",
    "header spoiled on the way",
    40,
    source=True,
    views=LINE,
    also=(ALTERED, UNSEEN),
)
def period_altered(play: Play) -> None:
    raw = changed(play.dump.header, 8, 1 << play.chance.randrange(3, 7))
    play.send_header(((0, raw),))
    play.accept_header()
    play.rest(0)


@fault(
    "device ID rewritten, all of it",
    "device ID rewritten on the way",
    11,
    plain=True,
    views=LINE,
    group=REWRITTEN,
)
def id_rewritten(play: Play) -> int:
    """A router gives 7F, which calls everybody, the ID of one unit; no header carries a sum."""
    header, raw = _for_all(play)
    play.send_header(((0, header),))
    _stands_at_first(play, ((0, raw),))
    return 0


@twin("a dump with the sums of another ID", "checksums wrong in the dump", REWRITTEN)
def sums_of_another_id(play: Play) -> int:
    """It leaves as it arrives; whoever has the source knows better."""
    play.dump.header, play.dump.packets[0] = _for_all(play)
    play.sources = ()
    play.send_header()
    _stands_at_first(play, None)
    return 0


def _for_all(play: Play) -> tuple[bytes, bytes]:
    """Make the dump one for everybody; return header and first packet with the ID of one unit."""
    other = play.chance.randrange(1, 100)
    play.dump.device, play.unit = b.ALL_CALL, other
    play.dump.remake()
    play.sources = (play.dump.source(),) if play.sources else ()
    return renamed(play.dump.header, other), renamed(play.dump.packets[0], other)


def _stands_at_first(play: Play, arrives: Arrival | None) -> None:
    play.accept_header()
    for _ in range(3):
        play.send(0, arrives)
        play.say("NAK", 0)
    # whoever breaks off is the same sender in both
    play.tape.to(b.handshake(b.ALL_CALL, "CANCEL", 0), 2 * MS)


@fault(
    "device ID rewritten in packets",
    "device ID rewritten on the way",
    11,
    mono_id=True,
    goes_on=True,
    views=LINE,
    group=REWRITTEN_PACKETS,
)
def id_rewritten_packets(play: Play) -> None:
    """The header keeps its ID and is answered; packets for another unit are passed over."""
    _passed_over(play, leave=False)


@twin(
    "a dump with another ID in its packets",
    "packet for another device in the dump",
    REWRITTEN_PACKETS,
)
def another_id_inside(play: Play) -> None:
    """They leave as they arrive; whoever has the source knows better."""
    play.sources = ()
    _passed_over(play, leave=True)


def _passed_over(play: Play, *, leave: bool) -> None:
    other = (play.dump.device + play.chance.randrange(1, 100)) % 127
    play.open()
    for place, raw in enumerate(play.dump.packets):
        after_ns, changed_raw = play.limit_ns() if place else None, renamed(raw, other)
        arrives = None if leave else ((0, changed_raw),)
        play.send(place, arrives, after_ns=after_ns, raw=changed_raw if leave else None)
    play.silence(HEADER_NS)
    play.lives()


def renamed(raw: bytes, device: int) -> bytes:
    """Return a message for another device, its checksum as it was."""
    return raw[:2] + bytes((device,)) + raw[3:]


# Whole messages


@fault("a packet lost and sent again", LOST_THERE, 8, 25, goes_on=False, group=UNANSWERED)
def lost_again(play: Play) -> int:
    place = play.a_place()
    unanswered(play, place, LOST)
    return place


@twin("a sender that pauses before a packet", NOTHING, UNANSWERED)
def pauses_before(play: Play) -> None:
    """As long as a lost packet and the patience of a sender, so the line shows the same."""
    place = play.a_place()
    play.until(place)
    play.silence(127 * b.BYTE_NS + SLACK_NS + AGAIN_NS + play.thinks_ns)
    play.good(place, after_ns=0)
    play.rest(place + 1)


@fault(
    "a packet lost and a unit that goes on", LOST_THERE, 25, goes_on=True, plain=True, group=PASSED
)
def lost_stored(play: Play) -> int:
    """The standard has a unit treat the next packet as good (M1 p. 39)."""
    place = play.middle()
    play.until(place)
    play.send(place, LOST)
    play.after_silence(place)
    return place


@fault(
    "a packet lost and a unit that cancels", LOST_THERE, 8, 25, goes_on=True, plain=True, views=LINE
)
def lost_cancelled(play: Play) -> int:
    """File Dump has a unit cancel where a number is passed over (M1 p. 45)."""
    place = play.inner()
    play.until(place)
    play.send(place, LOST)
    play.send(place + 1, after_ns=play.limit_ns())
    play.say("CANCEL", place + 1)
    play.lives()
    return place


@fault(
    "a packet lost and a unit that wants it", LOST_THERE, 25, goes_on=True, plain=True, views=LINE
)
def lost_refused(play: Play) -> int:
    place = play.inner()
    play.until(place)
    play.send(place, LOST)
    play.send(place + 1, after_ns=play.limit_ns())
    for _ in range(2):
        play.say("NAK", place + 1)
        play.send(place + 1)
    play.say("CANCEL", place + 1)
    play.lives()
    return place


@fault("a packet doubled", "messages doubled on the way", plain=True, group=TWO_ANSWERS)
def doubled(play: Play) -> int:
    place, copy_ns = _twice(play)
    raw = play.dump.packets[place]
    play.tape.arrived.append(Passage(Direction.TO_UNIT, copy_ns, raw))
    play.rest(place + 1)
    return place


@twin("a second unit answers one packet", "two answers to one message", TWO_ANSWERS)
def second_answer(play: Play) -> int:
    place, _ = _twice(play)
    play.rest(place + 1)
    return place


def _twice(play: Play) -> tuple[int, int]:
    """Have a packet answered twice; return its place and when a copy of it would have ended."""
    place = play.inner()
    play.answers_ns = 3 * MS
    play.until(place)
    play.send(place)
    copy_ns = play.tape.now_ns + 127 * b.BYTE_NS
    play.accept(place)
    play.tape.now_ns = copy_ns
    play.say("ACK", place)
    return place, copy_ns


@fault(
    "two packets overtake one another",
    "messages out of order",
    plain=True,
    packets=(4, 8),
    views=LINE,
)
def overtaken(play: Play) -> int:
    """The host has sent them in their order, in open loop; a network between turned them round."""
    place = play.chance.randrange(play.dump.count - 2)
    play.send_header()
    play.silence(HEADER_NS)
    for at in range(play.dump.count):
        play.send(at, LOST if at == place else None, after_ns=80 * MS)
        if at == place + 1:
            late_ns = play.tape.now_ns + 130 * b.BYTE_NS
            late = Passage(Direction.TO_UNIT, late_ns, play.dump.packets[place])
            play.tape.arrived.append(late)
    play.lives()
    return place


@fault("the cable out for a time", "cable out", 8, goes_on=False, views=LINE, also=(BYTES_LOST,))
def out_for_a_time(play: Play) -> int:
    """In the middle of a packet; what is sent again passes."""
    place = play.a_place()
    play.until(place)
    play.send(place, ((0, play.dump.packets[place][: play.chance.randrange(10, 120)]),))
    if play.chance.random() < 0.5:
        play.send(place, LOST, after_ns=500 * MS)
    play.again(place)
    play.rest(place + 1)
    return place


@fault("the cable out for good", "cable out", 8, views=LINE)
def out_for_good(play: Play) -> int:
    place = play.rng.randrange(1, play.dump.count - 1)
    play.until(place)
    play.send(place, ((0, play.dump.packets[place][: play.chance.randrange(10, 120)]),))
    if play.goes_on:
        for each in range(place + 1, play.dump.count):
            play.send(each, LOST, after_ns=play.limit_ns())
    else:
        play.send(place, LOST, after_ns=500 * MS)
        play.send(place, LOST, after_ns=500 * MS)
    return place


@fault(
    "the header lost",
    "header spoiled on the way",
    8,
    views=LINE,
    also=(LOST_THERE,),
    group=NO_HEADER,
)
def header_lost(play: Play) -> None:
    play.open_loop(LOST)


@fault("exclusive messages filtered", "exclusive messages filtered out", 2, 5, views=HOST)
def filtered(play: Play) -> None:
    """Notes pass both ways, and nothing exclusive does."""
    note = bytes((0x90, play.chance.randrange(128), 80))
    play.tape.to(note)
    play.tape.come(bytes((0x90, play.chance.randrange(128), 70)), 90 * MS)
    play.tape.to(b.identity_request(), 400 * MS, LOST)
    play.silence(SECOND)
    play.send_header(LOST)
    play.silence(HEADER_NS)
    for place in range(play.dump.count):
        play.send(place, LOST, after_ns=play.limit_ns())
    play.tape.come(bytes((0x90, play.chance.randrange(128), 70)), 900 * MS)


@fault("a reset in a packet", "reset on the cable", 21, also=("unit fell silent",))
def reset(play: Play) -> int:
    """FF may stand anywhere (M1 p. 30); a unit that obeys it has forgotten the dump."""
    place = play.inner()
    play.until(place)
    raw, at = play.dump.packets[place], play.chance.randrange(1, 126)
    play.tape.to(raw[:at] + b"\xff" + raw[at:], play.thinks_ns)
    if play.goes_on:
        play.unanswered(range(place + 1, play.dump.count))
    else:
        play.send(place, after_ns=500 * MS)
        play.send(place, after_ns=500 * MS)
        play.host_says("CANCEL", place, 500 * MS)
    play.lives()
    return place


@fault(
    "packets faster than a line",
    "line too fast",
    52,
    packets=(6, 9),
    plain=True,
    also=("sender does not wait",),
)
def too_fast(play: Play) -> None:
    """Through USB without a pace: a packet every few ms; the unit takes every so-many-th."""
    play.open()
    step_ns = play.chance.randrange(4, 20) * MS
    every = play.chance.randrange(3, 5)
    now_ns = play.tape.now_ns
    for place, raw in enumerate(play.dump.packets):
        now_ns += step_ns
        play.tape.beside(Direction.TO_UNIT, raw, now_ns)
        if place % every == 0:
            answer = b.handshake(play.unit, "ACK", place)
            play.tape.beside(Direction.FROM_UNIT, answer, now_ns + 4 * MS)
    play.tape.now_ns = now_ns
    play.lives()


@fault("a pause that a unit does not outlast", "faulty pauses", 16, also=("unit fell silent",))
def long_pause(play: Play) -> int:
    """Something holds a packet back in its middle for seconds, and the unit drops the dump."""
    place = play.inner()
    play.until(place)
    raw, cut = play.dump.packets[place], play.chance.randrange(10, 117)
    gap = play.chance.randrange(3, 8) * SECOND // b.BYTE_NS
    play.send(place, ((0, raw[:cut]), (cut + gap, raw[cut:])))
    play.unanswered(range(place + 1, play.dump.count))
    play.lives()
    return place


@fault("a line four per cent too fast", "line speed off", 52, plain=True, packets=(4, 8))
def fast_line(play: Play) -> None:
    """A packet at once behind each answer shows it: 127 bytes take 40.24 ms at least (M1 p. 1)."""
    play.thinks_ns, play.answers_ns, play.header_ns = 0, 300_000, 300_000
    play.whole()
    for track in (play.tape.sent, play.tape.arrived, play.tape.back):
        track[:] = [each._replace(end_ns=each.end_ns * 96 // 100) for each in track]
