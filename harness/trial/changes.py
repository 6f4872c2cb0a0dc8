"""Dumps that are odd, left open or damaged: one small dump, changed in one place by one clause.

Theory of operation.  Four things can be changed about a right dump: what stands around it, how it
was sent, what its writer did otherwise without spoiling a word, and what was spoilt on the way.  In
a table a row is the clause that decides, what was done, and the messages.
"""

from collections.abc import Iterator, Sequence
from fractions import Fraction
from functools import reduce
from operator import xor
from typing import Final

import numpy as np
from msgspec.structs import replace

from dryload.emulator.dump.sample import Loop
from dryload.emulator.wire.codec import decode, encode
from dryload.emulator.wire.constants import LOOP_FORWARD, MAX_BITS
from dryload.emulator.wire.messages import (
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    ExtendedLoopPoints,
    Handshake,
    HandshakeKind,
    IdentityReply,
    LoopPoints,
    SampleName,
)
from dryload.emulator.wire.sizes import unused_bits, words_per_packet
from dryload.harness.trial.battery import noise
from dryload.harness.trial.dumps import (
    Ask,
    DumpProbe,
    RightReading,
    meaning_of,
    messages_of,
    sample_of,
)
from dryload.harness.trial.task import DumpTask

_Row = tuple[str, str, Sequence[bytes]]
_FOREIGN: Final = bytes.fromhex("F07D010203F7")
"""System Exclusive under the ID that is nobody's (M1 p. 34)."""
_NOTE: Final = bytes.fromhex("904040")
_LOOSE: Final = bytes.fromhex("000102")
_NUMBER, _SUM = 4, 125  # offsets in a packet (M1 p. 37)
_DATA: Final = 5


def changed_dumps(bits: int) -> Iterator[DumpProbe]:
    """Yield the dumps of a width in which something is unusual, open or damaged."""
    for make in (_surrounded, _real_time, _again, _extended, _otherwise, _damaged):
        yield from make(bits)


class _Plain:
    """The small dump that is changed: three packets, the last one short."""

    def __init__(self, bits: int, packets: int = 3) -> None:
        step = words_per_packet(bits)
        self.sample = sample_of(noise((packets - 1) * step + 5, bits, packets), bits)
        self.messages = messages_of(self.sample)
        self.meaning = meaning_of(self.messages, self.sample)
        self.header, *self.packets = self.messages

    def but(self, at: int, *new: bytes) -> list[bytes]:
        """Return the messages with others in place of message `at`, the header being 0."""
        return [*self.messages[:at], *new, *self.messages[at + 1 :]]

    def before(self, at: int, *new: bytes) -> list[bytes]:
        """Return the messages with more of them before message `at`; -1 is behind the last."""
        return self.but(at, *new, self.messages[at]) if at >= 0 else [*self.messages, *new]

    def having(self, **fields: int) -> list[bytes]:
        """Return the messages with a header of other fields."""
        header = decode(self.header)
        assert isinstance(header, DumpHeader)
        return self.but(0, encode(replace(header, **fields)))

    def flipped(self, at: int, place: int, mask: int = 1) -> list[bytes]:
        """Return the messages with bits of one byte of message `at` turned over."""
        message = bytearray(self.messages[at])
        message[place] ^= mask
        return self.but(at, bytes(message))

    def rows(
        self,
        group: str,
        ask: Ask,
        rows: Sequence[_Row],
        meanings: Sequence[RightReading] | None = None,
    ) -> Iterator[DumpProbe]:
        """Yield the probes of a table; they mean what the dump means unless it is given."""
        for about, what, messages in rows:
            yield DumpProbe(
                group=group,
                what=what,
                task=DumpTask(data=b"".join(messages)),
                ask=ask,
                meanings=(self.meaning,) if meanings is None else tuple(meanings),
                about=tuple(about.split()),
                beside=DumpTask(data=b"".join(self.messages)),
            )


def _summed(front: bytes) -> bytes:
    """Return a packet, given up to its last data byte, with its checksum and its end (PKT-05)."""
    return front + bytes([reduce(xor, front[1:]) & 0x7F, 0xF7])


def _with(message: bytes, at: int, value: int) -> bytes:
    return message[:at] + bytes([value]) + message[at + 1 :]


def _summed_with(packet: bytes, at: int, value: int) -> bytes:
    return _summed(_with(packet, at, value)[:_SUM])


def _put(message: bytes, at: int, more: bytes) -> bytes:
    return message[:at] + more + message[at:]


def _shake(kind: HandshakeKind, number: int = 0) -> bytes:
    return encode(Handshake(device_id=0, kind=kind, packet_number=number))


def _name(text: bytes) -> bytes:
    return encode(SampleName(device_id=0, sample_number=1, language=b"", name=text))


def _surrounded(bits: int) -> Iterator[DumpProbe]:
    """Yield the dump among other messages that may stand in a file."""
    dump = _Plain(bits)
    last = len(dump.sample.words) - 1
    loop = LoopPoints(
        device_id=0,
        sample_number=1,
        loop_number=0,
        loop_type=LOOP_FORWARD,
        loop_start=3,
        loop_end=last,
    )
    long = ExtendedLoopPoints(
        device_id=0, sample_number=1, loop_number=2, loop_type=0, loop_start=2, loop_end=9
    )
    identity = IdentityReply(device_id=0, maker=b"\x7d", family_code=1, member=1, revision=bytes(4))
    request = encode(DumpRequest(device_id=0, sample_number=1))
    ack = [_shake(HandshakeKind.ACK, number) for number in range(3)]
    answered = [part for at, each in enumerate(dump.packets) for part in (each, ack[at])]
    noted = [part for each in dump.messages for part in (each, _NOTE)]
    rows: list[_Row] = [
        (
            "LOP-06 LOP-01",
            "loop 1 behind it",
            dump.before(-1, encode(replace(loop, loop_number=1))),
        ),
        ("EXT-07", "an extended loop behind it", dump.before(-1, encode(long))),
        ("HSK-18", "EOF behind it", dump.before(-1, _shake(HandshakeKind.EOF))),
        ("HSK-19", "CANCEL behind it", dump.before(-1, _shake(HandshakeKind.CANCEL, 2))),
        ("HSK-19", "the answers among its messages", [dump.header, ack[0], *answered]),
        ("REQ-01", "a dump request before it", dump.before(0, request)),
        ("FRM-09", "an identity reply before it", dump.before(0, encode(identity))),
        ("FRM-09", "foreign System Exclusive before it", dump.before(0, _FOREIGN)),
        ("FRM-09", "foreign System Exclusive behind it", dump.before(-1, _FOREIGN)),
        ("FRM-09", "a note before it", dump.before(0, _NOTE)),
        ("FRM-09", "notes among its messages", noted),
        ("PKT-12", "foreign System Exclusive between its packets", dump.before(2, _FOREIGN)),
    ]
    group = "messages around a dump"
    yield from dump.rows(group, Ask.MAY, rows)
    named = replace(dump.meaning, name="Gulls")
    looped = replace(dump.meaning, loop=(3, last, LOOP_FORWARD))
    name_row = ("NAM-01 NAM-02", "a name behind it", dump.before(-1, _name(b"Gulls")))
    yield from dump.rows(group, Ask.MAY, [name_row], [named, replace(named, name="")])
    loop_row = ("LOP-02 LOP-01", "loop 0 behind it", dump.before(-1, encode(loop)))
    yield from dump.rows(group, Ask.MAY, [loop_row], [looped, dump.meaning])
    second = sample_of(noise(7, bits, 9), bits)
    more = messages_of(second, number=2)
    two_row = ("HDR-01", "two dumps, of samples 1 and 2", dump.before(-1, *more))
    either = [dump.meaning, meaning_of(more, second, number=2)]
    yield from dump.rows(group, Ask.MAY, [two_row], either)


def _real_time(bits: int) -> Iterator[DumpProbe]:
    """Yield the dump with real-time bytes in it: they may fall anywhere (FRM-02, M1 p. 30)."""
    dump = _Plain(bits, packets=2)
    start, first, _ = dump.messages
    between = [part for each in dump.messages for part in (b"\xfe", each, b"\xfe")]
    everywhere = [bytes((byte, 0xF8)) for byte in b"".join(dump.messages)]
    places = (1, 2, 3, 4, 5, 6, 60, 124, 125, 126)
    clauses, group = "FRM-03 FRM-02", "real-time bytes"
    rows: list[_Row] = [
        (clauses, "active sensing among its messages", between),
        *(
            (clauses, f"active sensing in the header, in front of byte {at}", moved)
            for at in range(1, len(start))
            for moved in [dump.but(0, _put(start, at, b"\xfe"))]
        ),
        *(
            (clauses, f"a clock in a packet, in front of byte {at}", moved)
            for at in places
            for moved in [dump.but(1, _put(first, at, b"\xf8"))]
        ),
        (clauses, "a clock behind every byte", everywhere),
    ]
    yield from dump.rows(group, Ask.MAY, rows)
    rows = [
        ("FRM-12", "a system reset in a packet", dump.but(1, _put(first, 9, b"\xff"))),
        ("FRM-08", "an undefined FD in a packet", dump.but(1, _put(first, 9, b"\xfd"))),
    ]
    yield from dump.rows(group, Ask.OPEN, rows)


def _again(bits: int) -> Iterator[DumpProbe]:
    """Yield recordings of a dump in which something was sent again."""
    dump = _Plain(bits)
    start, first, second, last = dump.messages
    cancel = _shake(HandshakeKind.CANCEL, 1)
    bad = _with(second, 60, second[60] ^ 1)
    rows: list[_Row] = [
        ("HSK-15", "a packet twice", dump.before(2, second)),
        ("HSK-15", "the last packet twice", dump.before(-1, last)),
        ("PKT-04", "a damaged packet, and again right", dump.before(2, bad)),
        ("STA-03", "the header twice", dump.before(0, start)),
        ("STA-03", "a dump that was begun again", dump.before(0, start, first)),
        ("STA-03", "a dump that was cancelled, and again", dump.before(0, start, first, cancel)),
    ]
    yield from dump.rows("messages that come again", Ask.MAY, rows)


def _extended(bits: int) -> Iterator[DumpProbe]:
    """Yield dumps with the extended header."""
    group = "extended headers"
    dump = _Plain(bits)
    for channels in (1, 2, 3):
        for rate in (Fraction(44_100), Fraction(44_100_000, 1_001), Fraction(8_000)):
            count = (2 * words_per_packet(bits) + 1) // channels * channels
            sample = sample_of(
                noise(count, bits, channels),
                bits,
                rate=rate,
                channels=channels,
                sustain=Loop(start=2, end=count // channels - 1, loop_type=0x02),
            )
            messages = messages_of(sample, number=300, device_id=5, header="extended")
            several = "WRD-11 EXT-06 EXT-05 EXT-04 EXT-03 EXT-02 EXT-01"
            about = several if channels > 1 else several.removeprefix("WRD-11 ") + " EXT-08"
            what = f"{channels} channels at {float(rate):,.9g} Hz"
            meanings = [meaning_of(messages, sample, number=300)]
            yield from dump.rows(group, Ask.MAY, [(about, what, messages)], meanings)
    own = messages_of(dump.sample, header="extended")[0]
    header = decode(own)
    assert isinstance(header, ExtendedHeader)
    meaning = meaning_of([own], dump.sample)
    both: _Row = ("EXT-09", "both headers before it", dump.before(0, own))
    yield from dump.rows(group, Ask.MAY, [both], [dump.meaning, meaning])
    strange = encode(replace(header, loop_type=0x55))
    row: _Row = ("EXT-04", "an extended loop type that no clause knows", dump.but(0, strange))
    yield from dump.rows(group, Ask.OPEN, [row], [replace(meaning, loop=None)])
    none = encode(replace(header, channels=0))
    rows: list[_Row] = [
        ("EXT-05", "an extended header of 0 channels", dump.but(0, none)),
        ("EXT-01", "an extended header of 33 bytes", dump.but(0, own[:-2] + own[-1:])),
    ]
    yield from dump.rows(group, Ask.DAMAGED, rows, [])


def _otherwise(bits: int) -> Iterator[DumpProbe]:
    """Yield dumps whose writer broke a rule that spoils no word."""
    group = "rules broken that spoil no word"
    dump = _Plain(bits)
    second, last = dump.messages[2:]
    words, step = dump.sample.words, words_per_packet(bits)
    used = _DATA + (len(words) - 2 * step) * (120 // step)
    extra = _summed(last[:_NUMBER] + b"\x03" + bytes(120))
    from_1 = [_summed_with(each, _NUMBER, at + 1) for at, each in enumerate(dump.packets)]
    of_another = [_summed_with(each, 2, 5) for each in dump.packets]
    rows: list[_Row] = [
        *(
            ("WRD-13 PKT-08", f"filler of {name}", dump.but(3, _summed(filled[:_SUM])))
            for name, filler in (("40", b"\x40"), ("7F", b"\x7f"), ("00 and 7F", b"\x00\x7f"))
            for filled in [last[:used] + filler * 120]
        ),
        ("PKT-09", "a packet of 00 behind the last one", dump.before(-1, extra)),
        ("PKT-01", "a last packet without filler", dump.but(3, _summed(last[:used]))),
        ("PKT-02", "packets numbered from 1", [dump.header, *from_1]),
        ("FRM-07", "loose data bytes before it", dump.before(0, _LOOSE)),
        ("FRM-07", "loose data bytes between its packets", dump.before(2, _LOOSE)),
        ("FRM-10", "a data byte straight after its last F7", dump.before(-1, b"\x40")),
        ("FRM-08", "an undefined F5 between its packets", dump.before(2, b"\xf5")),
        ("DEV-03", "packets with another device ID", [dump.header, *of_another]),
    ]
    yield from dump.rows(group, Ask.OPEN, rows)
    anyhow = [replace(dump.meaning, loop=None, name=None)]
    after = {"loop_start": 1, "loop_end": len(words), "loop_type": LOOP_FORWARD}
    torn = _name(b"Gulls")[:-3] + b"\xf7"
    rows = [
        ("HDR-08", "a loop type that no clause knows", dump.having(loop_type=5)),
        ("HDR-09", "a loop that ends behind the last word", dump.having(**after)),
        ("NAM-01", "a name that says it is longer than it is", dump.before(-1, torn)),
    ]
    yield from dump.rows(group, Ask.OPEN, rows, anyhow)
    cuts = (
        ("HDR-07", "a packet more than its length needs", step + 5),
        ("HDR-15", "a length of 0", 0),
    )
    for about, what, length in cuts:
        cut = meaning_of(dump.messages, sample_of(words[:length], bits))
        yield from dump.rows(group, Ask.OPEN, [(about, what, dump.having(length=length))], [cut])
    if unused := unused_bits(bits):
        yield from _low_bits(dump, unused, second)


def _low_bits(dump: _Plain, unused: int, packet: bytes) -> Iterator[DumpProbe]:
    """Yield a packet with ones below the significant bits: they are left out, or they are bits."""
    bits = dump.sample.bits
    step = words_per_packet(bits)
    words = dump.sample.words[: 2 * step]
    mask = (1 << unused) - 1
    data = np.frombuffer(packet[_DATA:_SUM], np.uint8).reshape(step, -1).copy()
    data[:, -1] |= mask
    ones = _summed(packet[:_DATA] + data.tobytes())
    wide = words.astype(np.int64) << unused
    wide[step:] |= mask
    meanings = [
        meaning_of(dump.messages, sample_of(each, of))
        for each, of in ((words, bits), (wide, bits + unused))
    ]
    messages = [dump.having(length=2 * step)[0], dump.packets[0], ones]
    row = ("WRD-05", "ones below the significant bits of words", messages)
    yield from dump.rows("rules broken that spoil no word", Ask.OPEN, [row], meanings)


def _damaged(bits: int) -> Iterator[DumpProbe]:
    """Yield dumps that nobody may take for whole."""
    dump = _Plain(bits)
    start, first, second, last = dump.messages
    more = len(dump.sample.words) + 3 * words_per_packet(bits)
    short, long = second[:60] + second[61:_SUM], _put(second[:_SUM], 60, b"\x00")
    elsewhere = [_with(each, 2, 5) for each in dump.packets]
    rows: list[_Row] = [
        ("PKT-05", "the checksum of the first packet wrong", dump.flipped(1, _SUM)),
        ("PKT-05", "the checksum of the middle packet wrong", dump.flipped(2, _SUM)),
        ("PKT-05", "the checksum of the last packet wrong", dump.flipped(3, _SUM)),
        ("PKT-05", "a bit of a data byte wrong", dump.flipped(2, 60)),
        ("PKT-05", "the number of a packet wrong", dump.flipped(2, _NUMBER, 0x40)),
        ("DEV-04", "the device ID changed on the way", [start, *elsewhere]),
        ("PKT-10", "the first packet missing", dump.but(1)),
        ("PKT-10", "the middle packet missing", dump.but(2)),
        ("PKT-10", "the last packet missing", dump.but(3)),
        ("PKT-10", "all packets missing", [start]),
        ("HDR-06", "a length of more words than there are", dump.having(length=more)),
        ("HDR-03", "a header of 0 bits", dump.having(bits=0)),
        ("HDR-03", "a header of 7 bits", dump.having(bits=7)),
        ("HDR-03", "a header of 29 bits", dump.having(bits=MAX_BITS + 1)),
        ("HDR-04", "a period of 0", dump.having(period_ns=0)),
        ("HDR-01 PKT-14", "no header", dump.but(0)),
        ("HDR-01 PKT-14", "the header behind the packets", [*dump.packets, start]),
        ("FRM-01", "the last F7 missing", dump.but(3, last[:-1])),
        ("FRM-01", "half of the last packet missing", dump.but(3, last[:60])),
        ("FRM-01", "half of the header, and nothing else", [start[:10]]),
        ("FRM-04", "a packet broken off by a note", dump.but(2, _put(second, 60, _NOTE))),
        ("FRM-04", "a packet broken off by the next one", dump.but(2, second[:60])),
        ("FRM-05", "a packet with a byte missing", dump.but(2, _summed(short))),
        ("FRM-05", "a packet with a byte too many", dump.but(2, _summed(long))),
        ("FRM-05", "a header with a byte missing", dump.but(0, start[:8] + start[9:])),
        ("FRM-06", "a packet of another family", dump.but(2, _with(second, 1, 0x7F))),
        ("PKT-06", "a data byte above 7F", dump.flipped(2, 60, 0x80)),
        ("PKT-06", "a checksum above 7F", dump.flipped(2, _SUM, 0x80)),
    ]
    yield from dump.rows("damage", Ask.DAMAGED, rows, [])
    # Who goes by the numbers loses nothing.
    swapped: _Row = ("PKT-03", "two packets swapped", [start, second, first, last])
    yield from dump.rows("damage", Ask.DAMAGED, [swapped])
    many = _Plain(bits, packets=131)
    gap = [*many.messages[:3], many.packets[-1]]
    lost: _Row = ("PKT-10", "128 packets missing in a row", gap)
    yield from many.rows("damage", Ask.DAMAGED, [lost], [])
    eighty = many.but(129, _summed_with(many.packets[128], _NUMBER, 0x80))
    yield from many.rows("damage", Ask.DAMAGED, [("PKT-07", "packet 129 numbered 80", eighty)])
