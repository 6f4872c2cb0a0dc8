"""Many data packets at once, against a plain codec and a naive loop (M1 pp. 37, 39)."""

from functools import reduce
from itertools import product
from operator import xor

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.wire.checksum import xor_of
from dryload.emulator.wire.packets import (
    CHECKSUM,
    DATA,
    DEVICE_ID,
    NUMBER,
    Rows,
    checksums,
    data_of,
    join,
    leading_packets,
    packet_rows,
    right_packets,
)
from dryload.emulator.wire.words import word_dtype
from tests import oracle
from tests.vectors.checksums import CHECKSUMS, ChecksumVector
from tests.vectors.words import PACKET_COUNTS, PacketCount

LOOK_AHEAD = (64, 64 + 512, 64 + 512 + 4096)  # where `leading_packets` takes its next step


@given(st.binary(max_size=128))
def test_bytes_are_folded_to_their_exclusive_or(data: bytes) -> None:
    assert xor_of(data) == reduce(xor, data, 0)


def naive_leading(data: bytes) -> int:
    """Count the packets by the table of M1 p. 37, byte by byte."""
    count = 0
    while True:
        body = data[127 * count : 127 * (count + 1)]
        if len(body) != 127 or body[0] != 0xF0 or body[126] != 0xF7:
            return count
        if body[1] != 0x7E or body[3] != 0x02 or any(byte >= 0x80 for byte in body[1:126]):
            return count
        count += 1


def leading(data: bytes) -> int:
    return leading_packets(np.frombuffer(data, np.uint8))


def clean(count: int) -> bytes:
    """Packets that are well-framed and differ from one another; the checksum is no framing."""
    one = oracle.packet(device_id=5, number=9, data=bytes(range(120)))
    rows = np.frombuffer(one * count, np.uint8).reshape(count, 127).copy()
    rows[:, 4] = np.arange(count) % 128
    return rows.tobytes()


# Writing.


@st.composite
def dumps(draw: st.DrawFn) -> tuple[int, int, list[int]]:
    bits = draw(st.integers(8, 28))
    top = 2 ** (bits - 1)
    full = oracle.words_per_packet(bits)
    length = draw(st.sampled_from([0, 1, full - 1, full, full + 1, 2 * full]) | st.integers(0, 250))
    words = draw(st.lists(st.integers(-top, top - 1), min_size=length, max_size=length))
    return bits, draw(st.integers(0, 127)), words


@given(dumps())
def test_rows_are_the_packets_of_the_plain_codec(dump: tuple[int, int, list[int]]) -> None:
    bits, device_id, words = dump
    rows = packet_rows(np.array(words, word_dtype(bits)), bits, device_id)
    assert rows.tobytes() == b"".join(oracle.packets(device_id=device_id, bits=bits, words=words))
    assert rows.shape == (oracle.packet_count(len(words), bits), 127)


@pytest.mark.parametrize("case", PACKET_COUNTS, ids=lambda case: f"{case.words} of {case.bits}")
def test_typed_packet_counts_and_numbers(case: PacketCount) -> None:
    # One high word a place, so that any 00 at the end is filler.
    words = np.full(case.words, 2 ** (case.bits - 1) - 1, word_dtype(case.bits))
    rows = packet_rows(words, case.bits, 0)
    last = rows[-1, DATA].tolist()
    assert len(rows) == case.packets
    assert rows[-1, NUMBER] == case.last_number
    assert last[120 - case.filler_bytes :] == [0] * case.filler_bytes
    assert all(last[: 120 - case.filler_bytes])


def test_numbers_wrap_at_128() -> None:
    rows = packet_rows(np.zeros(300 * 60, np.int8), 8, 0)
    assert rows[:, NUMBER].tolist() == [*range(128), *range(128), *range(44)]


def test_frames_are_written_word_by_word() -> None:
    # Interleaved, left then right (CA-019 p. 3).
    frames = np.arange(-40, 40, dtype=np.int16).reshape(40, 2)
    expected = oracle.packets(bits=16, words=range(-40, 40))
    assert packet_rows(frames, 16, 0).tobytes() == b"".join(expected)


@pytest.mark.parametrize("device_id", [0, 1, 126, 127])
def test_device_ids_at_the_ends(device_id: int) -> None:
    # 00 to 7F, the last of them addressing every device (M1 p. 35).
    rows = packet_rows(np.array([5, -5], np.int16), 14, device_id)
    assert [rows.tobytes()] == oracle.packets(device_id=device_id, bits=14, words=[5, -5])


@pytest.mark.parametrize("device_id", [-1, 128, 256])
def test_device_ids_are_0_to_127(device_id: int) -> None:
    with pytest.raises(ValueError, match="device ID"):
        packet_rows(np.zeros(1, np.int8), 8, device_id)


def test_words_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="do not fit"):
        packet_rows(np.array([2048], np.int16), 12, 0)


# Reading.


def test_offsets_are_those_of_the_table() -> None:
    # M1 pp. 37, 39: ID, number, 120 data bytes and checksum of a data packet.
    assert [DEVICE_ID, NUMBER, CHECKSUM] == [2, 4, 125]
    assert list(range(127)[DATA]) == list(range(5, 125))


@pytest.mark.parametrize("vector", CHECKSUMS, ids=lambda vector: vector.name)
def test_typed_checksums(vector: ChecksumVector) -> None:
    body = oracle.packet(device_id=vector.device_id, number=vector.number, data=vector.data)
    assert checksums(join([body, body])).tolist() == [vector.checksum] * 2


bodies = st.lists(st.binary(min_size=127, max_size=127), max_size=5)


@given(bodies)
def test_checksums_of_any_bytes(rows: list[bytes]) -> None:
    expected = [oracle.checksum(row) & 0x7F for row in rows]
    assert checksums(join(rows)).tolist() == expected
    assert checksums(join(rows), data_of(join(rows))).tolist() == expected


def test_every_byte_counts_once_in_the_checksum_or_not_at_all() -> None:
    body = bytearray(oracle.packet(number=3, data=bytes(range(120))))
    for at in range(127):
        rows = join([bytes(body)] * 3).copy()
        before = checksums(rows)
        rows[1, at] ^= 0x2A
        difference = 0x2A if 1 <= at <= 124 else 0  # PKT-05, M1 p. 37
        assert (checksums(rows) ^ before).tolist() == [0, difference, 0], at


@given(bodies)
def test_data_lie_together_and_rows_join(rows: list[bytes]) -> None:
    joined: Rows = join(rows)
    assert joined.shape == (len(rows), 127)
    assert joined.tobytes() == b"".join(rows)
    data = data_of(joined)
    assert data.shape == (len(rows), 120)
    assert data.flags.c_contiguous
    assert data.tobytes() == b"".join(row[5:125] for row in rows)


# Where a run of good packets ends.


@pytest.mark.parametrize("count", [0, 1, 2, *(n + d for n in LOOK_AHEAD for d in (-1, 0, 1))])
@pytest.mark.parametrize("tail", [b"", b"\xf0", b"\xf0\x7e\x00\x7f\x00\xf7", bytes(200)])
def test_a_clean_run_of_any_length(count: int, tail: bytes) -> None:
    assert leading(clean(count) + tail) == count


@pytest.mark.parametrize("kept", [0, 1, 3, 4, 5, 64, 125, 126])
def test_a_cut_off_packet_does_not_count(kept: int) -> None:
    assert leading(clean(3) + clean(1)[:kept]) == 3


@pytest.mark.parametrize("value", [0x00, 0x02, 0x7E, 0x7F, 0x80, 0xF0, 0xF7, 0xF8, 0xFE, 0xFF])
def test_any_byte_of_any_packet_changed(value: int) -> None:
    for victim, at in product((0, 1, 3), range(127)):
        data = bytearray(clean(4))
        data[127 * victim + at] = value
        assert leading(bytes(data)) == naive_leading(bytes(data)), (victim, at)


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    data = bytearray(clean(draw(st.integers(1, 140))))
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, len(data)))
        kind = draw(st.sampled_from(["change", "insert", "cut", "truncate"]))
        if kind == "truncate":
            del data[at:]
        elif kind == "insert":
            data[at:at] = draw(st.binary(min_size=1, max_size=3))
        elif at < len(data) and kind == "change":
            data[at] = draw(st.integers(0, 255))
        else:
            del data[at : at + 1]
    return bytes(data)


@given(damaged())
def test_damage_at_any_place_ends_the_run(data: bytes) -> None:
    assert leading(data) == naive_leading(data)


@given(st.binary(max_size=400))
def test_any_bytes_at_all(data: bytes) -> None:
    assert leading(data) == naive_leading(data)


def test_a_realtime_byte_inside_ends_the_run() -> None:
    # Legal on the wire (FRM-02), so the packet is not broken: it just isn't 127 bytes in a row.
    data = clean(8)
    assert leading(data[: 127 * 5 + 60] + b"\xf8" + data[127 * 5 + 60 :]) == 5


@pytest.mark.parametrize("good", [70, 600])
def test_the_first_of_several_faults_counts(good: int) -> None:
    data = bytearray(clean(good + 30))
    data[127 * (good + 20) + 126] = 0x00  # this one lacks its F7
    data[127 * good + 60] = 0x80  # and this one, before it, has a status byte inside
    assert leading(bytes(data)) == good


def right_one_by_one(packets: list[bytes], number: int) -> int:
    """Count the right packets, each held against what the plain codec makes of its parts."""
    for at, body in enumerate(packets):
        whole = len(body) == 127 and max(body[1:126]) < 0x80
        if not whole or body != oracle.packet(
            device_id=packets[0][2], number=(number + at) % 128, data=body[5:125]
        ):
            return at
    return len(packets)


@given(
    count=st.integers(0, 300),
    number=st.integers(0, 127),
    damage=st.lists(st.tuples(st.integers(0, 299), st.integers(0, 126), st.integers(0, 7))),
    shortened=st.none() | st.integers(0, 299),
)
def test_right_packets_are_counted_up_to_the_first_that_is_not(
    count: int, number: int, damage: list[tuple[int, int, int]], shortened: int | None
) -> None:
    packets = [
        bytearray(oracle.packet(device_id=5, number=(number + n) % 128, data=bytes([n % 100])))
        for n in range(count)
    ]
    for which, byte, bit in damage:
        if which < count:
            packets[which][byte] ^= 1 << bit
    if shortened is not None and shortened < count:
        del packets[shortened][-1]
    told = [bytes(each) for each in packets]
    assert right_packets(told, number) == right_one_by_one(told, number)
