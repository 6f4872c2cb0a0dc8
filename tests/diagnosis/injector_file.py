"""Faults of whoever wrote the dump: numbers, sizes, sums, order, header, loop, name."""

from __future__ import annotations

from functools import reduce
from operator import xor

from msgspec.structs import replace

from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_kinds import ANY, Struck, View, fault, twin
from tests.diagnosis.injector_play import HEADER_NS, MS, Play
from tests.diagnosis.injector_tape import Arrival
from tests.diagnosis.injector_way import (
    ALTERED,
    BYTES_LOST,
    EACH_TIME,
    NO_HEADER,
    PASSED,
    TWO_ANSWERS,
    changed,
)

SHORT_EACH_TIME = "a packet that arrives without a byte each time"
OUT = (View.HOST, View.FILE)
"""Views of what leaves the host."""


def refuse(play: Play, place: int, arrives: Arrival | None = None) -> None:
    """Reject a packet three times, then cancel, as File Dump has it (M1 p. 44)."""
    for _ in range(2):
        play.send(place, arrives)
        play.say("NAK", place)
    play.send(place, arrives)
    play.say("CANCEL", place)
    play.lives()


@fault("numbers from 01", "packets numbered wrongly", 27, source=False, plain=True, views=ANY)
def from_one(play: Play) -> int | None:
    """A unit that cannot put in order takes an unexpected number as good (M1 p. 39)."""
    dump = play.dump
    blocks = [each[5:125] for each in dump.packets]
    dump.packets = [b.packet(dump.device, at + 1, data) for at, data in enumerate(blocks)]
    play.open()
    if play.chance.random() < 0.7:
        for place in range(dump.count):
            play.send(place)
            play.say("ACK", place + 1)
        return None
    for kind in ("NAK", "NAK", "CANCEL"):
        play.send(0)
        play.say(kind, 1)
    play.lives()
    return None


@fault(
    "80 after 7F",
    "packets numbered wrongly",
    26,
    source=False,
    plain=True,
    packets=(130, 131),
    bits=(16,),
    goes_on=False,
)
def no_wrap(play: Play) -> int | None:
    """80 is a status byte and ends the message (M1 p. 29): the 129th packet is torn."""
    dump = play.dump
    front = b"\xf0\x7e" + bytes((dump.device, 2, 0x80)) + dump.packets[128][5:125]
    dump.packets[128] = front + bytes((b.right_sum(front) & 0x7F, 0xF7))
    play.until(128)
    play.give_up(128)
    play.lives()
    return None


@fault("the last packet is short", "packet damaged in the dump", 30, source=False, plain=True)
def last_short(play: Play) -> int | None:
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
    if play.chance.random() < 0.5:
        refuse(play, last)
    else:
        play.give_up(last)
        play.lives()
    return last


@fault("one packet too many", "packet too many", 32, source=False, plain=True)
def too_many(play: Play) -> int | None:
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
    if (kind := play.chance.choice(("NAK", "CANCEL", ""))) and kind:
        play.say(kind, dump.count)
    play.lives()
    return dump.count


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
    for total in play.chance.sample(list(WRONG_SUMS.values()), len(WRONG_SUMS)):
        dump.packets = b.packets(dump.device, dump.data, total)
        wrong = [one != other for one, other in zip(dump.packets, right, strict=True)]
        if wrong[0] and sum(wrong) >= len(wrong) - 1:
            return


@fault(
    "checksums of another range, rejected",
    "checksums wrong in the dump",
    11,
    source=False,
    plain=True,
    also=("checksums wrong in the dump",),
)
def range_rejected(play: Play) -> int | None:
    """The sender stands at packet 0, and its one sum fits another device ID as well."""
    wrong_sums(play)
    play.open()
    refuse(play, 0)
    return 0


@fault(
    "checksums of another range, to nobody",
    "checksums wrong in the dump",
    11,
    source=False,
    packets=(4, 7),
    views=ANY,
)
def range_open(play: Play) -> int | None:
    wrong_sums(play)
    play.open_loop()
    return None


@fault(
    "one checksum wrong in the dump",
    "checksums wrong in the dump",
    11,
    source=False,
    plain=True,
    group=EACH_TIME,
)
def one_sum(play: Play) -> int | None:
    """The same wrong byte each time."""
    place = play.chance.randrange(1, play.dump.count)
    raw = play.dump.packets[place]
    play.dump.packets[place] = changed(raw, 125, play.chance.randrange(1, 128))
    play.until(place)
    refuse(play, place)
    return place


@twin("a checksum altered each time on the way", ALTERED, EACH_TIME)
def sum_each_time(play: Play) -> int:
    place = play.chance.randrange(1, play.dump.count)
    raw = changed(play.dump.packets[place], 125, play.chance.randrange(1, 128))
    play.until(place)
    refuse(play, place, ((0, raw),))
    return place


@fault(
    "a packet missing in the dump",
    "packets missing in the dump",
    25,
    source=False,
    plain=True,
    packets=(4, 8),
    views=ANY,
    goes_on=True,
    group=PASSED,
)
def missing(play: Play) -> int | None:
    """The next one follows at once, so none was lost between."""
    place = play.middle()
    play.until(place)
    play.rest(place + 1)
    return place


@fault(
    "two packets in the wrong order",
    "packets out of order in the dump",
    source=False,
    plain=True,
    packets=(4, 8),
    views=OUT,
)
def order(play: Play) -> int | None:
    place = play.chance.randrange(1, play.dump.count - 2)
    play.until(place)
    play.good(place + 1)
    play.good(place)
    play.rest(place + 2)
    return place


@fault(
    "a packet twice in the dump",
    "packet twice in the dump",
    source=False,
    plain=True,
    views=ANY,
    group=TWO_ANSWERS,
)
def twice(play: Play) -> int | None:
    place = play.inner()
    play.until(place)
    play.good(place)
    play.rest(place)
    return place


@fault("no header in the dump", "header missing", source=False, group=NO_HEADER, views=ANY)
def no_header(play: Play) -> int | None:
    play.silence(100 * MS)
    play.unanswered(range(play.dump.count))
    return None


@fault(
    "a byte missing in a packet of the dump",
    "packet damaged in the dump",
    14,
    source=False,
    plain=True,
    views=(View.LINE, *OUT),
    group=SHORT_EACH_TIME,
)
def byte_missing(play: Play) -> int:
    """It is sent without that byte each time."""
    place = play.rng.randrange(1, play.dump.count)
    raw, at = play.dump.packets[place], play.chance.randrange(10, 120)
    play.dump.packets[place] = raw[:at] + raw[at + 1 :]
    play.until(place)
    refuse(play, place)
    return place


@twin("a byte lost each time on the way", BYTES_LOST, SHORT_EACH_TIME)
def byte_each_time(play: Play) -> int:
    """The others close up, as behind a buffer that loses it."""
    place = play.rng.randrange(1, play.dump.count)
    raw, at = play.dump.packets[place], play.chance.randrange(10, 120)
    play.dump.packets[place] = raw[:at] + raw[at + 1 :]
    play.until(place)
    refuse(play, place)
    return place


@fault(
    "a packet for another device in the dump",
    "packet for another device in the dump",
    11,
    source=False,
    mono_id=True,
    plain=True,
    goes_on=False,
    views=(View.LINE, *OUT),
)
def other_device(play: Play) -> int:
    """Its checksum is right, and the unit passes over it."""
    dump = play.dump
    place = play.rng.randrange(1, dump.count)
    other = (dump.device + play.chance.randrange(1, 100)) % 127
    dump.packets[place] = b.packet(other, place, dump.packets[place][5:125])
    play.until(place)
    play.give_up(place)
    play.lives()
    return place


# Header, loop and name


@fault("a header that cannot be", "header wrong", 40, source=False, views=ANY)
def impossible(play: Play) -> Struck:
    """A width outside 8 to 28, a period of 0, or another loop type (M1 p. 37)."""
    raw = bytearray(play.dump.header)
    how = play.chance.randrange(3)
    if how == 0:
        raw[6] = play.chance.choice((1, 4, 6, 7))
    elif how == 1:
        raw[7:10] = bytes(3)
    else:
        raw[19] = play.chance.randrange(0x10, 0x40)
    period = ("period wrong",) if how == 1 else ()
    play.dump.header = bytes(raw)
    play.send_header()
    if play.chance.random() < 0.6:
        play.say("CANCEL", 0, 20 * MS)
        play.lives()
        return Struck(None, ("unit refuses the sample", *period))
    play.accept_header()
    play.rest(0)
    return Struck(None, period)


@fault(
    "length too large",
    "length wrong",
    42,
    source=False,
    plain=True,
    also=("packets missing in the dump",),
)
def length_large(play: Play) -> int | None:
    """The sender stops where its sound ends, the unit waits for the rest."""
    dump = play.dump
    longer = len(dump.words) + dump.per_packet * play.chance.randrange(2, 40)
    if play.chance.random() < 0.3:
        longer = len(dump.data)  # bytes where words belong
    dump.header = remade(play, length=longer)
    play.whole()
    play.silence(HEADER_NS)
    play.lives()
    return None


@fault("length too small", "length wrong", 42, source=False, plain=True, packets=(5, 8))
def length_small(play: Play) -> int | None:
    """The unit has all it was told of and takes no more."""
    dump = play.dump
    kept = play.chance.randrange(1, dump.count - 2)
    dump.header = remade(play, length=kept * dump.per_packet)
    play.open()
    play.through(range(kept))
    for each in range(kept, dump.count):
        play.send(each, after_ns=play.limit_ns() if each > kept else None)
    play.lives()
    return None


def remade(play: Play, **fields: int) -> bytes:
    """Return the header with other values."""
    dump = play.dump
    values = {"sample": dump.sample, "bits": dump.bits, "period": dump.period, **fields}
    values.setdefault("length", len(dump.words))
    return b.header(dump.device, loop=dump.loop, **values)


@fault("Hz instead of ns", "period wrong", 40, plain=True, views=ANY)
def hertz(play: Play) -> int | None:
    dump = play.dump
    right = dump.source()
    dump.period = play.chance.choice((44_100, 48_000, 22_050, 11_025, 96_000))
    dump.remake()
    given = play.sources and right.header != dump.source().header
    play.sources = (right,) if given else ()
    play.whole()
    return None


@fault(
    "header fields high byte first", "header fields high byte first", 40, source=False, views=ANY
)
def high_first(play: Play) -> int | None:
    raw = play.dump.header
    fields = [raw[at : at + 3][::-1] for at in (7, 10, 13, 16)]
    play.dump.header = raw[:7] + b"".join(fields) + raw[19:]
    play.whole()
    play.silence(HEADER_NS)
    play.lives()
    return None


@fault("a loop from 0 to 0", "loop wrong", 43, source=False, views=ANY)
def loop_zero(play: Play) -> int | None:
    play.dump.loop = (0, 0, play.chance.randrange(2))
    play.dump.remake()
    play.whole()
    return None


@fault("a loop that ends one too late", "loop wrong", 44, source=False, views=ANY)
def loop_end(play: Play) -> int | None:
    length = len(play.dump.words)
    play.dump.loop = (play.chance.randrange(length // 2), length, play.chance.randrange(2))
    play.dump.remake()
    play.whole()
    return None


@fault("the number of the sample swapped", "sample number swapped", 45, source=True, mono_id=True)
def number_swapped(play: Play) -> int | None:
    raw = play.dump.header
    play.dump.header = raw[:4] + raw[4:6][::-1] + raw[6:]
    right = play.sources[0]
    play.sources = (replace(right, name="the right one"),)
    play.whole()
    return None


@fault("a name without its tag length", "name wrong", 56, source=False, mono_id=True, views=ANY)
def name_shifted(play: Play) -> int | None:
    """CA-019 p. 4: 10 bytes and what tag and name have; here 9."""
    whole = b.name(play.dump.device, b.low_first(play.dump.sample, 2), b"gull cry")
    play.whole()
    play.tape.to(whole[:7] + whole[8:], 50 * MS)
    return None


@fault("the number in a name swapped", "name wrong", 57, source=False, mono_id=True, views=ANY)
def name_swapped(play: Play) -> int | None:
    play.whole()
    number = b.low_first(play.dump.sample, 2)[::-1]
    play.tape.to(b.name(play.dump.device, number, b"gull cry"), 50 * MS)
    return None
