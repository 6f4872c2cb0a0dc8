"""Faults of whoever wrote the dump: what header, loop and name say."""

from __future__ import annotations

from dataclasses import replace

from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_family import HEADER_ALTERED, Label, Names, fault, names, told
from tests.diagnosis.injector_play import HEADER_NS, MS, Play

IN_HEADER = HEADER_ALTERED | names("header wrong")
NO_WAY = names("damage that no receiver can see")


def header_fault(*causes: str) -> Label:
    """Where a value arrives wrong, nobody without the source can say who made it so."""
    own = names(*causes)
    return told(own | IN_HEADER, own | names("header wrong"))


@fault("a header that cannot be", 40, source=False, packets=(2, 5))
def impossible(play: Play) -> Label:
    """A width outside 8 to 28, a period of 0, or another loop type (M1 p. 37)."""
    raw = bytearray(play.dump.header)
    how = play.rng.randrange(3)
    if how == 0:
        raw[6] = play.rng.choice((1, 4, 6, 7))
    elif how == 1:
        raw[7:10] = bytes(3)
    else:
        raw[19] = play.rng.randrange(0x10, 0x40)
    play.dump.header = bytes(raw)
    play.send_header()
    if play.rng.random() < 0.6:
        play.say("CANCEL", 0, 20 * MS)
        play.lives()
        refused = names("unit refuses the sample")
        label = header_fault("header wrong")
        return Label(label.line | refused, label.host | refused)
    play.accept_header()
    play.rest(0)
    return header_fault("header wrong", "period wrong" if how == 1 else "header wrong")


@fault("length too large", 42, source=False, plain=True, packets=(3, 6))
def length_large(play: Play) -> Label:
    """The sender stops where its sound ends, the unit waits for the rest."""
    dump = play.dump
    longer = len(dump.words) + dump.per_packet * play.rng.randrange(2, 40)
    dump.header = remade(play, length=longer)
    play.whole()
    play.silence(HEADER_NS)
    play.lives()
    gone = names("packets missing in the dump", "messages lost on the way", "sender gave up")
    own = names("length wrong")
    return told(own | gone | names("cable out") | IN_HEADER, own | gone)


@fault("length too small", 42, source=False, plain=True, packets=(5, 8))
def length_small(play: Play) -> Label:
    """The unit has all it was told of and takes no more."""
    dump = play.dump
    kept = play.rng.randrange(1, dump.count - 2)
    dump.header = remade(play, length=kept * dump.per_packet)
    play.open()
    play.through(range(kept))
    for each in range(kept, dump.count):
        play.send(each, after_ns=play.limit_ns() if each > kept else None)
    play.lives()
    return header_fault("length wrong", "packet too many")


def remade(play: Play, **fields: int) -> bytes:
    """Return the header with other values."""
    dump = play.dump
    values = {"sample": dump.sample, "bits": dump.bits, "period": dump.period, **fields}
    values.setdefault("length", len(dump.words))
    return b.header(dump.device, loop=dump.loop, **values)


@fault("Hz instead of ns", 40, plain=True)
def hertz(play: Play) -> Label:
    dump = play.dump
    right = dump.source()
    dump.period = play.rng.choice((44_100, 48_000, 22_050, 11_025, 96_000))
    dump.remake()
    given = play.sources and right.header != dump.source().header
    play.sources = (right,) if given else ()
    play.whole()
    label = header_fault("period wrong")
    return Label(label.line | NO_WAY, label.host | NO_WAY) if given else label


@fault("header fields high byte first", 40, source=False, packets=(3, 7))
def high_first(play: Play) -> Label:
    raw = play.dump.header
    fields = [raw[at : at + 3][::-1] for at in (7, 10, 13, 16)]
    play.dump.header = raw[:7] + b"".join(fields) + raw[19:]
    play.whole()
    play.silence(HEADER_NS)
    play.lives()
    return header_fault("header fields high byte first")


@fault("a loop from 0 to 0", 43, source=False)
def loop_zero(play: Play) -> Label:
    play.dump.loop = (0, 0, play.rng.randrange(2))
    play.dump.remake()
    play.whole()
    return header_fault("loop from 0 to 0")


@fault("a loop that ends one too late", 44, source=False)
def loop_end(play: Play) -> Label:
    length = len(play.dump.words)
    play.dump.loop = (play.rng.randrange(length // 2), length, play.rng.randrange(2))
    play.dump.remake()
    play.whole()
    return header_fault("loop end off by one")


@fault("the number of the sample swapped", 45, source=True, mono_id=True)
def number_swapped(play: Play) -> Label:
    raw = play.dump.header
    play.dump.header = raw[:4] + raw[4:6][::-1] + raw[6:]
    right = play.sources[0]
    play.sources = (replace(right, name="the right one"),)
    play.whole()
    own: Names = names("sample number swapped")
    return told(own | IN_HEADER, own | NO_WAY)


@fault("a name without its tag length", 56, source=False, mono_id=True)
def name_shifted(play: Play) -> Label:
    """CA-019 p. 4: 10 bytes and what tag and name have; here 9."""
    whole = b.name(play.dump.device, b.low_first(play.dump.sample, 2), b"gull cry")
    play.whole()
    play.tape.to(whole[:7] + whole[8:], 50 * MS)
    own = names("name shifted")
    return told(own | names("bytes lost on the way"), own)


@fault("the number in a name swapped", 57, source=False, mono_id=True)
def name_swapped(play: Play) -> Label:
    play.whole()
    number = b.low_first(play.dump.sample, 2)[::-1]
    play.tape.to(b.name(play.dump.device, number, b"gull cry"), 50 * MS)
    return told(names("name number swapped"))
