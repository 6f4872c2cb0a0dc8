"""The oracle and the typed vectors check one another; neither knows the project."""

from __future__ import annotations

import ast
import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests import oracle
from tests.vectors import checksums, dumps, fields, periods, words

EXTENDED = {"extended_loop_points", "extended_loop_points_request"}


def encode(vector: fields.FieldVector) -> bytes:
    """Hand a vector's plain fields to the oracle's function of that name."""
    extra = {"extended": True} if vector.message in EXTENDED else {}
    name = vector.message.removeprefix("extended_") if extra else vector.message
    function: Callable[..., bytes] = getattr(oracle, name)
    return function(**vector.fields, **extra)


def words_of(bits: int) -> st.SearchStrategy[list[int]]:
    top = 2 ** (bits - 1)
    edges = st.sampled_from([-top, -1, 0, 1, top - 1])
    return st.lists(st.integers(-top, top - 1) | edges, max_size=130)


widths_and_words = st.integers(8, 28).flatmap(lambda bits: st.tuples(st.just(bits), words_of(bits)))


# Messages: M1 pp. 35-40, CA-019 pp. 1-4.


@pytest.mark.parametrize("vector", fields.ALL, ids=lambda vector: vector.name)
def test_typed_message_is_what_the_oracle_writes(vector: fields.FieldVector) -> None:
    assert encode(vector) == vector.data


@pytest.mark.parametrize("vector", fields.ALL, ids=lambda vector: vector.name)
def test_typed_message_has_its_exact_length(vector: fields.FieldVector) -> None:
    if vector.message in fields.LENGTHS:
        assert len(vector.data) == fields.LENGTHS[vector.message][0]


@pytest.mark.parametrize("vector", fields.ALL, ids=lambda vector: vector.name)
def test_typed_message_is_one_whole_exclusive_message(vector: fields.FieldVector) -> None:
    assert oracle.split(vector.data) == [(0, vector.data)]


def test_vectors_reach_every_message_but_the_packet() -> None:
    # Packets have their vectors in checksums.py and dumps.py; the rest must all stand in fields.py.
    assert {vector.message for vector in fields.ALL} | {"packet"} >= set(fields.LENGTHS)
    assert len(fields.BY_NAME) == len(fields.ALL)


def test_name_and_identity_lengths_follow_their_formulas() -> None:
    named = oracle.sample_name(sample_number=1, tag=b"xx", name=b"gulls")
    assert len(named) == 10 + 2 + 5  # 10 + tag + name (CA-019 p. 4)
    assert named[7:10] == b"\x02xx"
    for maker, length in ((b"\x7d", 15), (b"\x00\x7f\x7f", 17)):  # M1 p. 40
        reply = oracle.identity_reply(maker=maker, family=0, member=0, revision=bytes(4))
        assert len(reply) == length


def test_oracle_refuses_what_does_not_fit() -> None:
    with pytest.raises(ValueError, match="does not fit"):
        oracle.dump_request(sample_number=2**14)
    with pytest.raises(ValueError, match="does not fit"):
        oracle.word_to_bytes(128, 8)
    with pytest.raises(ValueError, match="8 to 28"):
        oracle.bytes_per_word(29)
    with pytest.raises(TypeError, match="given"):
        oracle.header(sample_number=1, bits=16, period_ns=1, length=1, loop=0)


# Numbers, words and packets: M1 pp. 37, 39.


def test_n7_goes_low_group_first_and_the_other_way_round() -> None:
    assert oracle.n7(300, 2) == b"\x2c\x02"
    assert oracle.n7_high_first(300, 2) == b"\x02\x2c"


@given(st.integers(1, 5).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, 128**n - 1))))
def test_n7_round_trip(case: tuple[int, int]) -> None:
    count, value = case
    assert oracle.from_n7(oracle.n7(value, count)) == value
    assert oracle.from_n7_high_first(oracle.n7_high_first(value, count)) == value


@pytest.mark.parametrize(("bits", "value", "printed"), words.WORDS)
def test_typed_word(bits: int, value: int, printed: str) -> None:
    assert oracle.word_to_bytes(value, bits) == bytes.fromhex(printed)
    assert oracle.word_from_bytes(bytes.fromhex(printed), bits) == value


@pytest.mark.parametrize("width", words.WIDTHS, ids=lambda width: f"{width.bits} bit")
def test_typed_width(width: words.Width) -> None:
    assert oracle.bytes_per_word(width.bits) == width.bytes_per_word
    assert oracle.words_per_packet(width.bits) == width.words_per_packet
    full = oracle.word_to_bytes(2 ** (width.bits - 1) - 1, width.bits)
    assert full[-1] == width.low_byte_mask


@pytest.mark.parametrize("case", words.PACKET_COUNTS, ids=lambda c: f"{c.bits} bit {c.words}")
def test_typed_packet_count(case: words.PacketCount) -> None:
    count = oracle.packet_count(case.words, case.bits)
    assert count == case.packets
    assert count * 120 - case.words * oracle.bytes_per_word(case.bits) == case.filler_bytes
    assert (count - 1) % 128 == case.last_number


@given(widths_and_words)
def test_words_round_trip_at_every_width(case: tuple[int, list[int]]) -> None:
    bits, sample = case
    data = oracle.words_to_bytes(sample, bits)
    assert max(data, default=0) < 0x80
    assert oracle.bytes_to_words(data, bits) == sample


def test_a_set_low_bit_is_refused() -> None:
    with pytest.raises(ValueError, match="low bits"):
        oracle.word_from_bytes(b"\x40\x00\x01", 16)


# Checksums: M1 p. 37.


@pytest.mark.parametrize("vector", checksums.CHECKSUMS, ids=lambda vector: vector.name)
def test_typed_checksum(vector: checksums.ChecksumVector) -> None:
    raw = oracle.packet(device_id=vector.device_id, number=vector.number, data=vector.data)
    assert len(raw) == 127
    assert raw[125] == vector.checksum


def test_wrong_range_table_is_what_wrong_ranges_give() -> None:
    sample = dumps.V1.words
    raw = oracle.packets(device_id=checksums.WRONG_RANGE_ID, bits=16, words=sample)[0]

    def xor(start: int, end: int = 125) -> int:
        total = 0
        for byte in raw[start:end]:
            total ^= byte
        return total % 128

    found = {
        "right": xor(1),
        "with F0": xor(0),
        "from the device ID": xor(2),
        "from the sub-ID": xor(3),
        "from the number": xor(4),
        "data only": xor(5),
        "arithmetic sum": sum(raw[1:125]) % 128,
        "negative sum of data": -sum(raw[5:125]) % 128,
    }
    assert found == checksums.WRONG_RANGES
    assert raw[125] == checksums.WRONG_RANGES["right"]


# Periods: M1 p. 37; the rates are common practice.


@pytest.mark.parametrize(("rate", "period_ns", "printed"), periods.PERIODS)
def test_typed_period(rate: int, period_ns: int, printed: str) -> None:
    assert abs(period_ns * rate - 10**9) * 2 <= rate  # nearest: off by half a nanosecond at most
    raw = oracle.header(sample_number=0, bits=8, period_ns=period_ns, length=0)
    assert raw[7:10] == bytes.fromhex(printed)


def test_periods_cannot_say_44100_hz() -> None:
    found = tuple((period, round(1e9 / period, 2)) for period in (22675, 22676))
    assert found == periods.NEIGHBOURS_OF_44100
    assert oracle.n7(periods.SLOWEST_PERIOD_NS, 3) == b"\x7f\x7f\x7f"
    assert round(1e9 / periods.SLOWEST_PERIOD_NS, 3) == periods.SLOWEST_RATE_HZ


# Whole dumps: M1 pp. 37, 39.


def build(vector: dumps.DumpVector) -> bytes:
    return oracle.dump(
        device_id=vector.device_id,
        sample_number=vector.sample_number,
        bits=vector.bits,
        period_ns=vector.period_ns,
        words=vector.words,
        loop_start=vector.loop_start,
        loop_end=vector.loop_end,
        loop_type=vector.loop_type,
    )


@pytest.mark.parametrize("vector", dumps.ALL, ids=lambda vector: vector.name)
def test_typed_dump(vector: dumps.DumpVector) -> None:
    data = build(vector)
    assert len(data) == vector.size
    for offset, quoted in vector.quoted.items():
        assert data[offset : offset + len(quoted)] == quoted
    assert hashlib.sha256(data).hexdigest() == vector.sha256


@pytest.mark.parametrize("vector", dumps.ALL, ids=lambda vector: vector.name)
def test_typed_dump_is_read_back(vector: dumps.DumpVector) -> None:
    read = oracle.read_dump(build(vector))
    assert read.words == vector.words
    for name in ("device_id", "sample_number", "bits", "period_ns", "length"):
        assert getattr(read, name) == getattr(vector, name)
    for name in ("loop_start", "loop_end", "loop_type"):
        assert getattr(read, name) == getattr(vector, name)


@given(widths_and_words, st.integers(0, 127), st.integers(0, 16383), st.integers(1, 2**21 - 1))
def test_dump_round_trip(
    case: tuple[int, list[int]], device_id: int, sample_number: int, period_ns: int
) -> None:
    bits, sample = case
    data = oracle.dump(
        device_id=device_id,
        sample_number=sample_number,
        bits=bits,
        period_ns=period_ns,
        words=sample,
    )
    assert b"".join(raw for _, raw in oracle.split(data)) == data
    read = oracle.read_dump(data)
    assert (read.device_id, read.sample_number, read.bits) == (device_id, sample_number, bits)
    assert (read.period_ns, read.length, read.words) == (period_ns, len(sample), sample)


@pytest.mark.parametrize("filler", [b"\x40\x00\x00", b"\x00\x00\x01"])
def test_filler_other_than_00_is_refused(filler: bytes) -> None:
    head = oracle.header(sample_number=1, bits=16, period_ns=20833, length=1)
    clean = oracle.packet(number=0, data=b"\x40\x00\x00")
    assert oracle.read_dump(head + clean).words == [0]
    with pytest.raises(ValueError, match="filler"):
        oracle.read_dump(head + oracle.packet(number=0, data=b"\x40\x00\x00" + filler))


def test_numbers_wrap_after_128_packets() -> None:
    numbers = [raw[4] for raw in oracle.packets(bits=16, words=[0] * 5160)]
    assert numbers == [*range(128), 0]


@given(widths_and_words, st.integers(1, 4))
def test_extended_dump_round_trip(case: tuple[int, list[int]], channels: int) -> None:
    bits, sample = case
    frames = len(sample) // channels
    sample = sample[: frames * channels]
    data = oracle.dump(
        extended=True,
        sample_number=7,
        bits=bits,
        rate_integer=48000,
        channels=channels,
        words=sample,
    )
    read = oracle.read_dump(data)
    assert (read.length, read.channels, read.words) == (frames, channels, sample)
    assert (read.rate_integer, read.rate_fraction, read.period_ns) == (48000, 0, None)


# The splitter: M1 pp. 5, 29, table VII note 2.


def test_split_keeps_realtime_bytes_and_offsets() -> None:
    data = b"\x90\x40\x40\xf0\x7e\xf8\x00\x7f\x05\xf7\xfe\xf0\x7e\x00\x7e\x05\xf7"
    assert oracle.split(data) == [(3, data[3:10]), (11, data[11:17])]
    assert oracle.strip_realtime(data[3:10]) == b"\xf0\x7e\x00\x7f\x05\xf7"


@pytest.mark.parametrize("status", [0x80, 0x90, 0xEF, 0xF1, 0xF4, 0xF6])
def test_split_ends_a_torn_message_at_any_other_status(status: int) -> None:
    data = b"\xf0\x7e\x00" + bytes([status]) + b"\x05\xf7"
    assert oracle.split(data) == [(0, b"\xf0\x7e\x00")]


def test_split_starts_anew_at_f0_and_keeps_an_unfinished_end() -> None:
    assert oracle.split(b"\xf0\x7e\xf0\x7e\x00") == [(0, b"\xf0\x7e"), (2, b"\xf0\x7e\x00")]


@given(st.binary(max_size=60))
def test_split_pieces_stand_where_they_say_and_never_overlap(data: bytes) -> None:
    end = 0
    for offset, raw in oracle.split(data):
        assert offset >= end
        assert raw[0] == 0xF0
        assert data[offset : offset + len(raw)] == raw
        end = offset + len(raw)


# The whole point of this foundation.


def test_foundation_imports_nothing_from_the_project() -> None:
    here = Path(__file__).parent
    sources = [here / "oracle.py", here / "damage.py", *(here / "vectors").glob("*.py")]
    assert len(sources) > 2
    for source in sources:
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            for name in names:
                assert name.split(".")[0] not in {"dryload", "numpy", "construct"}
