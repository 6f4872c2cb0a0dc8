"""Faults of the encoder: words that are not as M1 p. 39 has them, in smooth sounds."""

from __future__ import annotations

from collections.abc import Sequence

from tests.diagnosis import injector_bytes as b
from tests.diagnosis.injector_kinds import ANY, HOST, fault, twin
from tests.diagnosis.injector_play import MS, Play
from tests.diagnosis.injector_way import UNSEEN, UNSEEN_LAST


def send_data(play: Play, data: bytes) -> None:
    """Send other data under the same header, all of it acknowledged."""
    play.dump.packets = b.packets(play.dump.device, data)
    play.whole()


@fault("two's complement", "two's complement", 35, source=False, packets=(5, 9), views=ANY)
def complement(play: Play) -> int | None:
    dump = play.dump
    size, mask = b.bytes_a_word(dump.bits), (1 << dump.bits) - 1
    shift = 7 * size - dump.bits
    send_data(play, b.pack_plain(((word & mask) << shift for word in dump.words), size))
    return None


@fault("word bytes reversed", "words packed wrongly", 36, source=False, packets=(5, 9), views=ANY)
def reversed_bytes(play: Play) -> int | None:
    size, data = b.bytes_a_word(play.dump.bits), play.dump.data
    turned = [data[at : at + size][::-1] for at in range(0, len(data), size)]
    send_data(play, b"".join(turned))
    return None


@fault(
    "right-justified",
    "words packed wrongly",
    37,
    source=False,
    packets=(5, 9),
    bits=(8, 10, 12, 16, 18, 24),
    views=ANY,
)
def right_justified(play: Play) -> int | None:
    dump = play.dump
    half = 1 << dump.bits - 1
    size = b.bytes_a_word(dump.bits)
    send_data(play, b.pack_plain((word + half for word in dump.words), size))
    return None


@fault(
    "a byte too many for a word",
    "words packed wrongly",
    36,
    source=False,
    packets=(4, 6),
    bits=(14, 21),
    plain=True,
)
def wide_words(play: Play) -> int | None:
    """14 bits in three bytes, 21 in four: there are more packets than the header calls for."""
    dump = play.dump
    planned, size = dump.count, b.bytes_a_word(dump.bits) + 1
    half, shift = 1 << dump.bits - 1, 7
    data = b.pack_plain(((word + half) << shift for word in dump.words), size)
    dump.packets = b.packets(dump.device, data)
    play.open()
    play.through(range(planned))
    for place in range(planned, dump.count):
        play.send(place, after_ns=play.limit_ns() if place > planned else None)
        if not play.goes_on:
            play.say("CANCEL", place)
            break
    play.lives()
    return None


@fault(
    "a width too small in the header",
    "width not that of the words",
    38,
    source=False,
    bits=(12, 14, 16, 20, 24),
    views=ANY,
)
def narrow_width(play: Play) -> int | None:
    """The words have more bits than the header says; both widths take as many bytes."""
    dump = play.dump
    less = {12: (8, 10), 14: (10, 12), 16: (15,), 20: (16, 18), 24: (22,)}[dump.bits]
    told_bits = play.chance.choice(less)
    if not any(word & (1 << dump.bits - told_bits) - 1 for word in dump.words):
        play.whole()
        return None
    raw = dump.header
    dump.header = raw[:6] + bytes((told_bits,)) + raw[7:]
    play.whole()
    return None


@fault(
    "a width too large in the header",
    "width not that of the words",
    38,
    source=False,
    bits=(8, 10, 12, 14),
    packets=(5, 8),
    plain=True,
    also=("length wrong", "packets missing in the dump"),
)
def wide_width(play: Play) -> None:
    """16 bits take three bytes and the words two, so the header calls for more packets."""
    raw = play.dump.header
    play.dump.header = raw[:6] + bytes((16,)) + raw[7:]
    play.whole()
    play.silence(2500 * MS)
    play.lives()


@fault(
    "overload wraps",
    "overload wraps",
    39,
    source=False,
    packets=(5, 9),
    bits=(10, 12, 16, 20, 24),
    views=ANY,
)
def wraps(play: Play) -> int | None:
    """A tenth to four tenths louder than fits, and the bits above are thrown away."""
    dump = play.dump
    half, top = 1 << dump.bits - 1, 1 << dump.bits
    peak, loud = max(map(abs, dump.words)), half * play.chance.randrange(11, 15) // 10
    words = [(word * loud // peak + half) % top - half for word in dump.words]
    send_data(play, b.pack(words, dump.bits))
    return None


@fault(
    "channels not counted",
    "length wrong",
    55,
    source=False,
    bits=(12, 16),
    packets=(4, 8),
    mono_id=True,
    also=("length wrong",),
)
def channels(play: Play) -> int | None:
    """The length counts words and not frames (CA-019 p. 3), so the unit waits for as many more."""
    dump = play.dump
    frames = len(dump.words) // 2
    right = b.sound("arches", 84, 5, dump.bits)
    dump.words = tuple(
        word for pair in zip(dump.words[:frames], right[:frames], strict=True) for word in pair
    )
    dump.data = b.pack(dump.words, dump.bits)
    dump.remake()
    rate = 1_000_000_000 // dump.period
    dump.header = b.extended_header(
        dump.device, dump.sample, dump.bits, rate, length=len(dump.words), channels=2
    )
    play.whole()
    play.silence(2500 * MS)
    play.lives()
    return None


@fault("filler that is not 00", "filler not zero", 33, 34, source=False, views=ANY)
def stale_filler(play: Play) -> int | None:
    """The bytes of the packet before stand behind the end of the sound."""
    dump = play.dump
    more = dump.count * b.DATA_BYTES - len(dump.data)
    stale = dump.data[-b.DATA_BYTES - more : -b.DATA_BYTES] if more else b""
    if not any(stale) or len(stale) < more:
        play.whole()
        return None
    send_data(play, dump.data + stale)
    return dump.count - 1


@fault(
    "the last packet spoiled",
    "last packet spoiled",
    34,
    source=True,
    also=("sent other than the source",),
    group=UNSEEN_LAST,
)
def spoiled_end(play: Play) -> int:
    """A last packet is silent, or a short one the end of the packet before; its sum is right."""
    send_data(play, _spoiled(play))
    return play.dump.count - 1


@twin("the last packet altered where no sum shows it", UNSEEN, UNSEEN_LAST)
def altered_end(play: Play) -> int:
    """The same bytes arrive, and the right ones left."""
    arrives = b.packets(play.dump.device, _spoiled(play))
    play.open()
    for place, raw in enumerate(arrives):
        play.send(place, ((0, raw),))
        play.accept(place)
    return play.dump.count - 1


def _spoiled(play: Play) -> bytes:
    dump = play.dump
    start = (dump.count - 1) * b.DATA_BYTES
    rest = len(dump.data) - start
    quiet = rest == b.DATA_BYTES or play.chance.random() < 0.5
    made = silent(dump.bits, rest) if quiet else dump.data[start - rest : start]
    return dump.data[:start] + bytes(made)


def silent(bits: int, count: int) -> Sequence[int]:
    """So many bytes of words of 0."""
    word = b.pack((0,), bits)
    return word * (count // len(word))


@fault("another sound", "sent other than the source", 58, source=True, views=HOST)
def other_sound(play: Play) -> None:
    """The file beside the right one, as long and as loud."""
    dump = play.dump
    how = (play.chance.choice(("arches", "bell")), play.chance.choice((90, 130)), 7, dump.bits)
    words = (b.sound(*how) * 2)[: len(dump.words)]
    send_data(play, b.pack(words, dump.bits))
