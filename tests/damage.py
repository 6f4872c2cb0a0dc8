"""Damages whole dumps in twelve ways, on raw bytes and without the project.

Every injector takes a clean dump (header and 127-byte packets, one after another) and a seeded
`random.Random`, and says which planned data packet it damaged. What each kind leaves untouched is
part of its meaning: `wrong_packet_number` and `other_device_id` mend the checksum, so that the
number or the ID is the only thing wrong.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

from msgspec import Struct

from tests import oracle

STANDARD_HEADER_BYTES = 21  # M1 p. 37
EXTENDED_HEADER_BYTES = 34  # CA-019 pp. 1-3
PACKET_BYTES = 127  # M1 p. 37
DATA_AT = range(5, 125)  # offsets of the 120 data bytes in a packet (M1 p. 37)
CHECKSUM_AT = 125  # M1 p. 37
ALL_CALL = 0x7F  # M1 p. 35


class Damaged(Struct, frozen=True, kw_only=True):
    """A damaged dump; `packet` is the 0-based index among the planned packets and never wraps."""

    kind: str
    data: bytes
    packet: int | None


Injector = Callable[[bytes, random.Random], Damaged]


class Kind(Struct, frozen=True, kw_only=True):
    """One way to damage a dump; call it as `kind(dump, rng)`."""

    name: str
    inject: Injector
    minimum_packets: int

    def __call__(self, dump: bytes, rng: random.Random) -> Damaged:
        planned = len(take_apart(dump)[1])
        if planned < self.minimum_packets:
            raise ValueError(f"{self.name} needs {self.minimum_packets} packets, not {planned}")
        return self.inject(dump, rng)


KINDS: dict[str, Kind] = {}


def _kind(minimum_packets: int) -> Callable[[Injector], Kind]:
    def register(inject: Injector) -> Kind:
        name = getattr(inject, "__name__", "")
        KINDS[name] = Kind(name=name, inject=inject, minimum_packets=minimum_packets)
        return KINDS[name]

    return register


def take_apart(dump: bytes) -> tuple[bytes, list[bytes]]:
    """Header and packets of a clean dump."""
    size = EXTENDED_HEADER_BYTES if dump[3:5] == b"\x05\x05" else STANDARD_HEADER_BYTES
    rest = dump[size:]
    if len(rest) % PACKET_BYTES:
        raise ValueError(f"{len(rest)} bytes after the header are no whole number of packets")
    return dump[:size], [rest[at : at + PACKET_BYTES] for at in range(0, len(rest), PACKET_BYTES)]


def _put_together(kind: str, header: bytes, packets: Sequence[bytes], at: int) -> Damaged:
    return Damaged(kind=kind, data=header + b"".join(packets), packet=at)


def _with_byte(raw: bytes, offset: int, value: int) -> bytes:
    return raw[:offset] + bytes([value]) + raw[offset + 1 :]


def _with_checksum(raw: bytes) -> bytes:
    return _with_byte(raw, CHECKSUM_AT, oracle.checksum(raw))


def _other(rng: random.Random, present: int, choices: range) -> int:
    return rng.choice([value for value in choices if value != present])


def _change_one(
    kind: str, dump: bytes, rng: random.Random, change: Callable[[bytes], bytes]
) -> Damaged:
    header, packets = take_apart(dump)
    at = rng.randrange(len(packets))
    packets[at] = change(packets[at])
    return _put_together(kind, header, packets, at)


@_kind(1)
def wrong_checksum(dump: bytes, rng: random.Random) -> Damaged:
    """The checksum byte, and nothing else, is another one."""

    def change(raw: bytes) -> bytes:
        return _with_byte(raw, CHECKSUM_AT, _other(rng, raw[CHECKSUM_AT], range(128)))

    return _change_one("wrong_checksum", dump, rng, change)


@_kind(1)
def flipped_data_bit(dump: bytes, rng: random.Random) -> Damaged:
    """One of the low seven bits of one data byte is flipped; it may be filler, the sum says it."""

    def change(raw: bytes) -> bytes:
        offset = rng.choice(DATA_AT)
        return _with_byte(raw, offset, raw[offset] ^ (1 << rng.randrange(7)))

    return _change_one("flipped_data_bit", dump, rng, change)


@_kind(1)
def wrong_packet_number(dump: bytes, rng: random.Random) -> Damaged:
    """The running number is another one and the checksum fits it.

    A neighbour's number is among the choices on purpose: with other data it is no honest resend.
    """

    def change(raw: bytes) -> bytes:
        return _with_checksum(_with_byte(raw, 4, _other(rng, raw[4], range(128))))

    return _change_one("wrong_packet_number", dump, rng, change)


@_kind(2)
def missing_packet(dump: bytes, rng: random.Random) -> Damaged:
    """A packet other than the last is left out, so that the numbers jump."""
    header, packets = take_apart(dump)
    at = rng.randrange(len(packets) - 1)
    return _put_together("missing_packet", header, packets[:at] + packets[at + 1 :], at)


@_kind(1)
def doubled_packet(dump: bytes, rng: random.Random) -> Damaged:
    """A packet stands there twice running, byte for byte."""
    header, packets = take_apart(dump)
    at = rng.randrange(len(packets))
    return _put_together("doubled_packet", header, packets[: at + 1] + packets[at:], at)


@_kind(2)
def swapped_packets(dump: bytes, rng: random.Random) -> Damaged:
    """Two neighbours have changed places; their numbers always differ, so it always shows."""
    header, packets = take_apart(dump)
    at = rng.randrange(len(packets) - 1)
    packets[at], packets[at + 1] = packets[at + 1], packets[at]
    return _put_together("swapped_packets", header, packets, at)


@_kind(1)
def missing_last_packet(dump: bytes, rng: random.Random) -> Damaged:
    """The last packet is left out: every number is in order, only the word count tells."""
    header, packets = take_apart(dump)
    return _put_together("missing_last_packet", header, packets[:-1], len(packets) - 1)


@_kind(1)
def lost_byte(dump: bytes, rng: random.Random) -> Damaged:
    """Any one byte of a packet is gone, F0, the sub-ID and F7 included."""

    def change(raw: bytes) -> bytes:
        offset = rng.randrange(PACKET_BYTES)
        return raw[:offset] + raw[offset + 1 :]

    return _change_one("lost_byte", dump, rng, change)


@_kind(1)
def added_byte(dump: bytes, rng: random.Random) -> Damaged:
    """A byte 00-7F too many somewhere between F0 and F7."""

    def change(raw: bytes) -> bytes:
        offset = rng.randrange(1, PACKET_BYTES)
        return raw[:offset] + bytes([rng.randrange(128)]) + raw[offset:]

    return _change_one("added_byte", dump, rng, change)


@_kind(1)
def status_byte_in_data(dump: bytes, rng: random.Random) -> Damaged:
    """A data byte has become a status 80-F7, which ends the message (M1 p. 29)."""

    def change(raw: bytes) -> bytes:
        # A plain choice would give F0 and F7, the two nasty ones, once in sixty.
        status = rng.choice([0xF0, 0xF7, rng.randrange(0x80, 0xF0), rng.randrange(0xF1, 0xF7)])
        return _with_byte(raw, rng.choice(DATA_AT), status)

    return _change_one("status_byte_in_data", dump, rng, change)


@_kind(1)
def missing_f7(dump: bytes, rng: random.Random) -> Damaged:
    """The F7 of a packet is gone."""
    return _change_one("missing_f7", dump, rng, lambda raw: raw[:-1])


@_kind(1)
def other_device_id(dump: bytes, rng: random.Random) -> Damaged:
    """One packet bears another ID and its checksum fits it.

    7F is never put in: every unit obeys it (M1 p. 35), so it would be no plain fault.
    """

    def change(raw: bytes) -> bytes:
        return _with_checksum(_with_byte(raw, 2, _other(rng, raw[2], range(ALL_CALL))))

    return _change_one("other_device_id", dump, rng, change)


class RandomDump(Struct, frozen=True, kw_only=True):
    """A clean dump and what went into it."""

    data: bytes
    device_id: int
    sample_number: int
    bits: int
    period_ns: int
    words: tuple[int, ...]
    loop_start: int
    loop_end: int
    loop_type: int

    @property
    def packets(self) -> int:
        """Number of data packets."""
        return oracle.packet_count(len(self.words), self.bits)


# Nearest nanosecond to the rates of the trade, 8 to 192 kHz (common practice).
PERIODS_NS = (125000, 90703, 62500, 45351, 31250, 22676, 20833, 11338, 10417, 5208)
LONG = range(131, 141)  # packets of a long dump: the numbers wrap after 128 (M1 p. 37)
USUAL = range(1, 13)


def random_dump(
    rng: random.Random, *, minimum_packets: int = 1, long_share: float = 0.05
) -> RandomDump:
    """A clean dump of 1 word to 12 packets, or, once in `1 / long_share`, of 131 to 140 packets."""
    bits = rng.randrange(8, 29)
    number = rng.choice(LONG if rng.random() < long_share else USUAL)
    length = _random_length(rng, max(number, minimum_packets), oracle.words_per_packet(bits))
    loop_start, loop_end, loop_type = _random_loop(rng, length)
    device_id = rng.randrange(ALL_CALL)  # never 7F: a unit's own ID, which other_device_id can miss
    sample_number = rng.randrange(2**14)
    period_ns = rng.choice(PERIODS_NS)
    words = _random_words(rng, length, bits)
    data = oracle.dump(
        device_id=device_id,
        sample_number=sample_number,
        bits=bits,
        period_ns=period_ns,
        words=words,
        loop_start=loop_start,
        loop_end=loop_end,
        loop_type=loop_type,
    )
    return RandomDump(
        data=data,
        device_id=device_id,
        sample_number=sample_number,
        bits=bits,
        period_ns=period_ns,
        words=tuple(words),
        loop_start=loop_start,
        loop_end=loop_end,
        loop_type=loop_type,
    )


def _random_length(rng: random.Random, packets: int, step: int) -> int:
    """A length of so many packets: the last one full, almost empty, almost full or anything."""
    in_last = rng.choice([step, 1, step - 1, rng.randrange(1, step + 1)])
    return (packets - 1) * step + in_last


def _random_loop(rng: random.Random, length: int) -> tuple[int, int, int]:
    """Start, end and type; a loop needs start < end < length, so very short samples have none."""
    loop_type = rng.choice([0x00, 0x01, 0x7F])
    if length < 2 or loop_type == oracle.NO_LOOP:
        return 0, 0, oracle.NO_LOOP
    start, end = sorted(rng.sample(range(length), 2))
    return start, end, loop_type


def _random_words(rng: random.Random, length: int, bits: int) -> list[int]:
    """Noise over the whole range.

    Noise and not silence: packets of silence differ only in number and checksum, so damage to the
    data order would have no consequence in the words. The two full-scale values are left out,
    because +full beside -full is what an overload that wrapped looks like and may be remarked on.
    """
    top = 2 ** (bits - 1) - 1
    return [rng.randrange(-top, top) for _ in range(length)]
