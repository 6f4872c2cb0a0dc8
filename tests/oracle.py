"""A second, deliberately plain codec of the MIDI Sample Dump Standard, for the tests only.

It shares nothing with the project and is written from the published text alone, so that the
project's two ends agreeing with one another is never mistaken for their being right.
"M1" = MIDI 1.0 Detailed Specification 4.2.1, printed pages; "CA-019" = Confirmation of Approval.

Numbers in every message but the sample words go least significant 7-bit group first (M1 p. 37);
sample words go most significant group first (M1 p. 39). All functions take keywords and give bytes.
"""

from __future__ import annotations

import functools
import operator
from collections.abc import Iterable, Sequence

from msgspec import Struct

PACKET_BYTES = 127  # M1 pp. 37, 39
DATA_BYTES = 120  # M1 p. 39
NO_LOOP = 0x7F  # M1 p. 37


def n7(value: int, count: int) -> bytes:
    """`value` as `count` 7-bit groups, least significant first (M1 p. 37)."""
    if not 0 <= value < 1 << (7 * count):
        raise ValueError(f"{value} does not fit {count} 7-bit groups")
    return bytes(value // 128**place % 128 for place in range(count))


def n7_high_first(value: int, count: int) -> bytes:
    """`value` as `count` 7-bit groups, most significant first (M1 p. 39)."""
    return n7(value, count)[::-1]


def from_n7(data: bytes) -> int:
    """The number in 7-bit groups, least significant first."""
    return from_n7_high_first(data[::-1])


def from_n7_high_first(data: bytes) -> int:
    """The number in 7-bit groups, most significant first."""
    value = 0
    for group in data:
        if group > 0x7F:
            raise ValueError(f"{group:02X} is no data byte")
        value = value * 128 + group
    return value


def bytes_per_word(bits: int) -> int:
    """2 for 8-14 bits, 3 for 15-21, 4 for 22-28."""
    if not 8 <= bits <= 28:
        raise ValueError(f"{bits} significant bits; the standard has 8 to 28")
    return 2 if bits <= 14 else 3 if bits <= 21 else 4


def words_per_packet(bits: int) -> int:
    """60, 40 or 30."""
    return DATA_BYTES // bytes_per_word(bits)


def packet_count(length: int, bits: int) -> int:
    """How many packets carry `length` words; a full last packet is simply the last one."""
    full, rest = divmod(length, words_per_packet(bits))
    return full + (1 if rest else 0)


def word_to_bytes(word: int, bits: int) -> bytes:
    """One signed word: offset binary, pushed to the left of its bytes, high bits first."""
    size = bytes_per_word(bits)
    offset_binary = word + (1 << (bits - 1))
    if not 0 <= offset_binary < 1 << bits:
        raise ValueError(f"{word} does not fit {bits} bits")
    return n7_high_first(offset_binary << (7 * size - bits), size)


def word_from_bytes(data: bytes, bits: int) -> int:
    """One signed word; ValueError if an unused low bit is set."""
    value = from_n7_high_first(data)
    unit = 1 << (7 * bytes_per_word(bits) - bits)
    if value % unit:
        raise ValueError(f"unused low bits are set in {data.hex(' ')}")
    return value // unit - (1 << (bits - 1))


def words_to_bytes(words: Iterable[int], bits: int) -> bytes:
    """Signed words one after another, without filler."""
    return b"".join(word_to_bytes(word, bits) for word in words)


def bytes_to_words(data: bytes, bits: int) -> list[int]:
    """All whole words in `data`, which must hold no partial word."""
    size = bytes_per_word(bits)
    if len(data) % size:
        raise ValueError(f"{len(data)} bytes are no whole number of {size}-byte words")
    return [word_from_bytes(data[at : at + size], bits) for at in range(0, len(data), size)]


def _message(device_id: int, *rest: bytes) -> bytes:
    body = b"\x7e" + n7(device_id, 1) + b"".join(rest)
    if max(body) > 0x7F:
        raise ValueError("a byte between F0 and F7 is above 7F")
    return b"\xf0" + body + b"\xf7"


def checksum(message: bytes) -> int:
    """XOR of offsets 1 to 124 of a whole 127-byte packet: 7E, ID, 02, number, data (M1 p. 37)."""
    return functools.reduce(operator.xor, message[1:125])


def packet(*, device_id: int = 0, number: int, data: bytes) -> bytes:
    """Data packet (M1 p. 37); `data` of up to 120 bytes is filled up with 00 (M1 p. 39)."""
    if len(data) > DATA_BYTES:
        raise ValueError(f"{len(data)} data bytes in one packet")
    filled = data + bytes(DATA_BYTES - len(data))
    unsummed = _message(device_id, b"\x02", n7(number, 1), filled, b"\x00")
    return unsummed[:125] + bytes([checksum(unsummed)]) + b"\xf7"


def packets(*, device_id: int = 0, bits: int, words: Sequence[int]) -> list[bytes]:
    """All packets of a sample, numbered 00, 01 ... 7F, 00 (M1 p. 39)."""
    step = words_per_packet(bits)
    blocks = [words_to_bytes(words[at : at + step], bits) for at in range(0, len(words), step)]
    return [packet(device_id=device_id, number=i % 128, data=b) for i, b in enumerate(blocks)]


# Fields after the sub-IDs, each with its number of 7-bit groups.
HEADER = (
    "sample_number:2 bits:1 period_ns:3 length:3 loop_start:3 loop_end:3 loop_type:1"  # M1 p. 37
)
EXTENDED_HEADER = (
    "sample_number:2 bits:1 rate_integer:4 rate_fraction:4"
    " length:5 loop_start:5 loop_end:5 loop_type:1 channels:1"
)
LOOP = "sample_number:2 loop_number:2 loop_type:1 loop_start:3 loop_end:3"
EXTENDED_LOOP = "sample_number:2 loop_number:2 loop_type:1 loop_start:5 loop_end:5"  # CA-019 p. 3
ASSUMED = {"loop_start": 0, "loop_end": 0, "loop_type": NO_LOOP, "rate_fraction": 0, "channels": 1}


def sizes(layout: str) -> dict[str, int]:
    """Number of groups by field name, in order."""
    return {name: int(size) for name, size in (item.split(":") for item in layout.split())}


def _laid_out(layout: str, given: dict[str, int]) -> bytes:
    if not set(given) <= set(sizes(layout)):
        raise TypeError(f"{sorted(given)} given; the message has {layout}")
    values = {**ASSUMED, **given}
    return b"".join(n7(values[name], size) for name, size in sizes(layout).items())


def header(*, device_id: int = 0, **fields: int) -> bytes:
    """Dump Header; keywords as in HEADER, no loop unless said, length and points in words."""
    return _message(device_id, b"\x01", _laid_out(HEADER, fields))


def extended_header(*, device_id: int = 0, **fields: int) -> bytes:
    """Extended Dump Header; keywords as in EXTENDED_HEADER; fraction in 2**-28 Hz, frames."""
    return _message(device_id, b"\x05\x05", _laid_out(EXTENDED_HEADER, fields))


def dump_request(*, device_id: int = 0, sample_number: int) -> bytes:
    """Dump Request (M1 p. 37)."""
    return _message(device_id, b"\x03", n7(sample_number, 2))


HANDSHAKES = {"ACK": 0x7F, "NAK": 0x7E, "CANCEL": 0x7D, "WAIT": 0x7C, "EOF": 0x7B}  # M1 p. 36


def handshake(*, device_id: int = 0, kind: str, packet_number: int = 0) -> bytes:
    """ACK, NAK, CANCEL, WAIT or EOF (M1 p. 36)."""
    return _message(device_id, bytes([HANDSHAKES[kind]]), n7(packet_number, 1))


def loop_points(*, device_id: int = 0, extended: bool = False, **fields: int) -> bytes:
    """Loop Point Transmission; keywords as in LOOP; loop number 16383 deletes all."""
    sub_id, layout = (b"\x06", EXTENDED_LOOP) if extended else (b"\x01", LOOP)
    return _message(device_id, b"\x05", sub_id, _laid_out(layout, fields))


def loop_points_request(
    *, device_id: int = 0, sample_number: int, loop_number: int, extended: bool = False
) -> bytes:
    """Loop Points Request (M1 p. 38, CA-019 p. 3); loop number 16383 asks for all."""
    sub_id = b"\x07" if extended else b"\x02"
    return _message(device_id, b"\x05", sub_id, n7(sample_number, 2), n7(loop_number, 2))


def sample_name(*, device_id: int = 0, sample_number: int, name: bytes, tag: bytes = b"") -> bytes:
    """Sample Name Transmission (CA-019 p. 4); an empty language tag means English, ASCII."""
    front = b"\x05\x03" + n7(sample_number, 2)
    return _message(device_id, front, n7(len(tag), 1), tag, n7(len(name), 1), name)


def sample_name_request(*, device_id: int = 0, sample_number: int) -> bytes:
    """Sample Name Request (CA-019 p. 4)."""
    return _message(device_id, b"\x05\x04", n7(sample_number, 2))


def identity_request(*, device_id: int = 0x7F) -> bytes:
    """Identity Request (M1 p. 40)."""
    return _message(device_id, b"\x06\x01")


def identity_reply(
    *, device_id: int = 0, maker: bytes, family: int, member: int, revision: bytes
) -> bytes:
    """Identity Reply (M1 p. 40); maker of 1 byte, or 3 bytes that begin with 00; 4 of revision."""
    if len(maker) != (3 if maker[:1] == b"\x00" else 1) or len(revision) != 4:
        raise ValueError("maker ID of 1 or 3 bytes, revision of 4")
    return _message(device_id, b"\x06\x02", maker, n7(family, 2), n7(member, 2), revision)


def dump(
    *, device_id: int = 0, bits: int, words: Sequence[int], extended: bool = False, **fields: int
) -> bytes:
    """Header and all packets (M1 p. 39); other keywords as in HEADER or EXTENDED_HEADER.

    With several channels `words` are interleaved and the length counts frames (CA-019 p. 3).
    """
    fields.update(bits=bits, length=len(words) // fields.get("channels", 1))
    first = (extended_header if extended else header)(device_id=device_id, **fields)
    return first + b"".join(packets(device_id=device_id, bits=bits, words=words))


class ReadDump(Struct, frozen=True, kw_only=True):
    """What a clean dump says; `period_ns` is None after an extended header, the rates otherwise."""

    device_id: int
    sample_number: int
    bits: int
    length: int
    loop_start: int
    loop_end: int
    loop_type: int
    words: list[int]
    period_ns: int | None = None
    rate_integer: int | None = None
    rate_fraction: int | None = None
    channels: int = 1


def strip_realtime(data: bytes) -> bytes:
    """Without F8-FF, which may stand anywhere and belong to no message (M1 pp. 5, 29)."""
    return bytes(byte for byte in data if byte < 0xF8)


def split(data: bytes) -> list[tuple[int, bytes]]:
    """(offset, raw bytes) of each exclusive message, whole or torn.

    A message runs from F0 to F7 inclusive. Any other status below F8 ends it too and is not part of
    it (M1 p. 29, table VII note 2), so a torn message, or one that the data cut off, does not end
    with F7. Real-time bytes inside stay in the raw bytes. Everything outside is passed over.
    """
    found = []
    start: int | None = None
    for at, byte in enumerate(data):
        if byte < 0x80 or byte > 0xF7:
            continue
        if start is not None:
            found.append((start, data[start : at + 1 if byte == 0xF7 else at]))
        start = at if byte == 0xF0 else None
    if start is not None:
        found.append((start, data[start:]))
    return found


def read_dump(data: bytes) -> ReadDump:
    """Header fields and words of one clean dump and nothing else; ValueError if anything is off."""
    data = strip_realtime(data)
    extended = data[3:5] == b"\x05\x05"
    at = 5 if extended else 4
    if data[:2] != b"\xf0\x7e" or not (extended or data[3:4] == b"\x01"):
        raise ValueError("no dump header")
    fields = {"device_id": from_n7(data[2:3])}
    for name, size in sizes(EXTENDED_HEADER if extended else HEADER).items():
        fields[name] = from_n7(data[at : at + size])
        at += size
    if data[at : at + 1] != b"\xf7":
        raise ValueError("the header does not end where it should")
    length = fields["length"] * fields.get("channels", 1)
    words = _read_packets(data[at + 1 :], fields["device_id"], fields["bits"], length)
    return ReadDump(words=words, **fields)


def _read_packets(data: bytes, device_id: int, bits: int, length: int) -> list[int]:
    if len(data) != PACKET_BYTES * packet_count(length, bits):
        raise ValueError(f"{len(data)} bytes of packets after a header of {length} words")
    carried = b""
    for at in range(0, len(data), PACKET_BYTES):
        raw, index = data[at : at + PACKET_BYTES], at // PACKET_BYTES
        if raw != packet(device_id=device_id, number=index % 128, data=raw[5:125]):
            raise ValueError(f"packet {index} is not clean")
        carried += raw[5:125]
    end = length * bytes_per_word(bits)
    if any(carried[end:]):
        raise ValueError("the filler is not 00")
    return bytes_to_words(carried[:end], bits)
