"""Every broken dump of the demo differs from its good twin only as its name says.

Each is put together here a second time, from its twin and an edit at typed offsets, with
tests/oracle.py for what has to be computed.  Layouts: M1 p. 37 (header, packet, checksum), M1 p. 39
(words, numbers, filler), M1 p. 29 (what ends a message), CA-019 pp. 1-4 (extended header, name); M1
is the MIDI 1.0 Detailed Specification 4.2.1.
"""

from collections.abc import Iterator

import pytest

from tests import oracle
from tests.test_captures_demo import DEMO, good

BROKEN = sorted(path.stem for path in (DEMO / "broken").iterdir())


def broken(name: str) -> bytes:
    return (DEMO / "broken" / f"{name}.syx").read_bytes()


Edit = tuple[int, int, bytes]
"""From offset, to offset (not included), what stands there instead."""


def at(packet: int, offset: int = 0) -> int:
    """Offset in a file of a byte of a packet; header 21 bytes, packet 127 (M1 p. 37)."""
    return 21 + 127 * packet + offset


def part(twin: str, packet: int, begin: int = 0, end: int = 127) -> bytes:
    return good(twin)[at(packet, begin) : at(packet, end)]


def one(offset: int, value: int) -> Edit:
    return (offset, offset + 1, bytes([value]))


def summed(packet: int, *edits: Edit) -> Iterator[Edit]:
    """The edits, offsets within a packet of the crack, and the checksum that fits them."""
    raw = bytearray(part("thunder-crack", packet))
    for begin, end, new in edits:
        raw[begin:end] = new
        yield (at(packet, begin), at(packet, end), new)
    yield one(at(packet, 125), oracle.checksum(bytes(raw)))


CRACK_HEADER = {"sample_number": 1, "bits": 12, "period_ns": 90_703, "length": 1_170}
STEREO = {"sample_number": 4, "bits": 16, "rate_integer": 22_050, "channels": 2}
LAST = 19  # packet of the crack: 30 of its 60 words are filler
END = at(20)
NUMBERS = range(20)


def crack_header(**fields: int) -> Edit:
    return (0, 21, oracle.header(**{**CRACK_HEADER, **fields}))


def data_sum(raw: bytes) -> int:
    total = 0
    for byte in raw[5:125]:
        total ^= byte
    return total


EDITS: dict[str, tuple[str, list[Edit]]] = {
    "thunder-checksum-wrong": (
        "thunder-crack",
        [one(at(4, 125), part("thunder-crack", 4)[125] ^ 0x15)],
    ),
    "thunder-bit-flipped": (
        "thunder-crack",
        [one(at(6, 50), part("thunder-crack", 6)[50] ^ 0x08)],
    ),
    "thunder-packet-missing": ("thunder-crack", [(at(5), at(6), b"")]),
    "thunder-packet-twice": ("thunder-crack", [(at(8), at(8), part("thunder-crack", 7))]),
    "thunder-packets-swapped": (
        "thunder-crack",
        [(at(9), at(11), part("thunder-crack", 10) + part("thunder-crack", 9))],
    ),
    "thunder-byte-lost": ("thunder-crack", [(at(3, 70), at(3, 71), b"")]),
    "thunder-byte-added": ("thunder-crack", [(at(12, 70), at(12, 70), b"\x2a")]),
    "thunder-every-256th-byte-lost": (
        "thunder-crack",
        [(place, place + 1, b"") for place in range(255, END, 256)],
    ),
    "thunder-note-inside": ("thunder-crack", [(at(11, 60), at(11, 60), b"\x90\x3c\x40")]),
    "thunder-f7-missing": ("thunder-crack", [(at(13, 126), at(14), b"")]),
    "thunder-other-device-id": ("thunder-crack", list(summed(14, (2, 3, b"\x01")))),
    "thunder-id-changed-on-the-way": (
        "thunder-crack",
        [one(2, 2), *(one(at(number, 2), 2) for number in NUMBERS)],
    ),
    "thunder-cut-short": ("thunder-crack", [(at(15, 66), END, b"")]),
    "thunder-last-packet-missing": ("thunder-crack", [(at(LAST), END, b"")]),
    "thunder-header-only": ("thunder-crack", [(21, END, b"")]),
    "thunder-header-missing": ("thunder-crack", [(0, 21, b"")]),
    "thunder-numbers-from-01": (
        "thunder-crack",
        [edit for number in NUMBERS for edit in summed(number, (4, 5, bytes([number + 1])))],
    ),
    "gull-number-80-after-7f": ("gull-cry", [one(at(128, 4), 0x80)]),
    "thunder-checksum-of-data-only": (
        "thunder-crack",
        [one(at(n, 125), data_sum(part("thunder-crack", n))) for n in NUMBERS],
    ),
    "thunder-last-packet-short": ("thunder-crack", [(at(LAST, 65), at(LAST, 125), b"")]),
    "thunder-filler-not-zero": (
        "thunder-crack",
        list(summed(LAST, (65, 125, part("thunder-crack", LAST - 1, 65, 125)))),
    ),
    "tick-packet-too-many": (
        "tick-fills-its-packet",
        [(at(1), at(1), oracle.packet(number=1, data=b""))],
    ),
    "thunder-length-in-bytes": ("thunder-crack", [crack_header(length=2_340)]),
    "thunder-period-in-hertz": ("thunder-crack", [crack_header(period_ns=11_025)]),
    "thunder-fields-high-byte-first": (
        "thunder-crack",
        [
            (7, 10, oracle.n7_high_first(90_703, 3)),
            (10, 13, oracle.n7_high_first(1_170, 3)),
        ],
    ),
    "thunder-sample-number-swapped": ("thunder-crack", [crack_header(sample_number=128)]),
    "thunder-width-too-small": ("thunder-crack", [crack_header(bits=8)]),
    "thunder-width-too-large": ("thunder-crack", [crack_header(bits=16)]),
    "thunder-loop-0-0": ("thunder-crack", [crack_header(loop_type=0)]),
    "bell-loop-end-one-too-far": ("bell-stroke", [(16, 19, oracle.n7(2_205, 3))]),
    "tick-stereo-length-in-words": (
        "tick-stereo",
        [(0, 34, oracle.extended_header(device_id=16, length=82, **STEREO))],
    ),
    # F0 7E 00 05 03 03 00 and then the length of the tag (CA-019 p. 4); 56 packets before it.
    "bell-name-without-tag-length": ("bell-stroke", [(at(56, 7), at(56, 8), b"")]),
}


@pytest.mark.parametrize("name", EDITS)
def test_a_broken_dump_differs_from_its_twin_only_as_its_name_says(name: str) -> None:
    twin, edits = EDITS[name]
    data, done = b"", 0
    source = good(twin)
    for begin, end, new in sorted(edits):
        data += source[done:begin] + new
        done = end
    data += source[done:]
    assert data == broken(name)
    assert data != source


def shifted(words: list[int], bits: int, *, flip: int = 0) -> bytes:
    """Words with some bits of the offset binary value flipped."""
    half = 1 << (bits - 1)
    size = oracle.bytes_per_word(bits)
    values = (((word + half) ^ flip) << (7 * size - bits) for word in words)
    return b"".join(oracle.n7_high_first(value, size) for value in values)


def repacked(twin: str, data: bytes) -> bytes:
    """The header of the twin, clean packets of other data, and its name if it has one."""
    blocks = [data[start : start + 120] for start in range(0, len(data), 120)]
    rows = (oracle.packet(number=n % 128, data=block) for n, block in enumerate(blocks))
    source = good(twin)
    return source[:21] + b"".join(rows) + source[without_name(source) :]


def without_name(data: bytes) -> int:
    """How many bytes the header and the packets have."""
    messages = oracle.split(data)
    return next((start for start, raw in messages if raw[3:5] == b"\x05\x03"), len(data))


def words_of(name: str) -> list[int]:
    data = good(name)
    return oracle.read_dump(data[: without_name(data)]).words


def test_the_twos_complement_dump_has_the_top_bit_flipped() -> None:
    data = shifted(words_of("gull-cry"), 16, flip=0x8000)
    assert broken("gull-twos-complement") == repacked("gull-cry", data)


def test_the_reversed_dump_has_the_low_byte_of_every_word_first() -> None:
    right = oracle.words_to_bytes(words_of("gull-cry"), 16)
    data = b"".join(right[start : start + 3][::-1] for start in range(0, len(right), 3))
    assert broken("gull-word-bytes-reversed") == repacked("gull-cry", data)


def test_the_wrapped_dump_is_twice_as_loud_and_its_peaks_come_out_on_the_other_side() -> None:
    doubled = [2 * word for word in words_of("gull-cry")]
    wrapped = [(word + 0x8000) % 0x10000 - 0x8000 for word in doubled]
    assert sum(a != b for a, b in zip(doubled, wrapped, strict=True)) > 20
    data = oracle.words_to_bytes(wrapped, 16)
    assert broken("gull-peaks-wrapped") == repacked("gull-cry", data)


def test_the_right_justified_dump_is_not_shifted_up() -> None:
    values = [word + 2_048 for word in words_of("thunder-crack")]
    data = b"".join(oracle.n7_high_first(value, 2) for value in values)
    assert data[:2] == b"\x10\x00"  # silence of 12 bits, where 40 00 belongs
    assert broken("thunder-right-justified") == repacked("thunder-crack", data)


def test_the_14_bit_dump_of_three_bytes_has_an_empty_byte_after_every_word() -> None:
    right = oracle.words_to_bytes(words_of("bell-stroke-14-bit"), 14)
    pairs = (right[start : start + 2] + b"\0" for start in range(0, len(right), 2))
    assert broken("bell-14-bit-in-three-bytes") == repacked("bell-stroke-14-bit", b"".join(pairs))


REPACKED = {
    "gull-twos-complement",
    "gull-word-bytes-reversed",
    "gull-peaks-wrapped",
    "thunder-right-justified",
    "bell-14-bit-in-three-bytes",
}


def test_every_broken_file_is_put_together_a_second_time_here() -> None:
    assert set(BROKEN) == set(EDITS) | REPACKED


# Which packets fail their checksum (M1 p. 37), in order of appearance; all others have none.
WRONG_SUMS = {
    "thunder-checksum-wrong": [4],
    "thunder-bit-flipped": [6],
    "thunder-id-changed-on-the-way": list(NUMBERS),
    "thunder-checksum-of-data-only": list(NUMBERS),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_checksum_is_wrong_only_where_that_is_the_fault(name: str) -> None:
    packets = [raw for _, raw in oracle.split(broken(name)) if raw[3:4] == b"\x02"]
    whole = [raw for raw in packets if len(raw) == 127 and raw[-1] == 0xF7]
    wrong = [raw[4] for raw in whole if raw[125] != oracle.checksum(raw)]
    if name == "thunder-every-256th-byte-lost":
        assert len(whole) == 10
    assert wrong == WRONG_SUMS.get(name, [])
