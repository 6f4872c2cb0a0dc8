"""The scanner finds what the splitter alone would find, in bulk, and loses no byte.

The splitter reads byte by byte and is tested by itself; here it is the naive twin.
"""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from dryload.emulator.wire.messages import DumpHeader
from dryload.emulator.wire.splitter import Piece, PieceKind, split
from dryload.harness.files.scan import DETAIL, Item, PacketRun, Rubble, is_packet, scan, size_of
from dryload.harness.files.sections import sections
from tests import damage, oracle
from tests.strategies import streams

PACKET = oracle.packet(device_id=3, number=5, data=bytes(range(120)))
HEADER = oracle.header(device_id=3, sample_number=7, bits=16, period_ns=22676, length=80)
PARTS = st.one_of(
    streams,
    st.integers(1, 20).map(lambda count: PACKET * count),
    st.just(HEADER),
    st.just(oracle.extended_header(sample_number=7, bits=16, rate_integer=44100, length=80)),
    st.integers(0, 126).map(lambda cut: PACKET[:cut]),
    st.integers(1, 126).map(lambda cut: PACKET[cut:]),
    st.integers(1, 126).map(lambda at: PACKET[:at] + b"\xf8" + PACKET[at:]),
    st.integers(1, 5).map(lambda count: b"\xf0" * count),
)
MIXED = st.lists(PARTS, max_size=8).map(b"".join)


def pieces_of(items: list[Item]) -> list[tuple[PieceKind, int, bytes, int | None]]:
    """Return items as the splitter would tell them."""
    told: list[tuple[PieceKind, int, bytes, int | None]] = []
    for item in items:
        if isinstance(item, PacketRun):
            for index, row in enumerate(item.rows):
                raw = row.tobytes()
                told.append((PieceKind.EXCLUSIVE, item.offset + 127 * index, raw, None))
        elif isinstance(item, Piece):
            told.append((item.kind, item.offset, item.raw, item.ended_by))
    return told


def whole_packets(data: bytes) -> list[tuple[int, bytes]]:
    """Return offset and bytes of each whole packet, real-time bytes set aside (M1 p. 37)."""
    found = []
    for piece in split(data):
        body = oracle.strip_realtime(piece.raw)
        if piece.kind is PieceKind.EXCLUSIVE and len(body) == 127 and body[1] == 0x7E:
            found += [(piece.offset, body)] if body[3] == 0x02 else []
    return found


@given(MIXED)
@example(PACKET + b"\xf0" + PACKET)
@example(b"\xf0\xf0" + PACKET[1:] + PACKET)
def test_the_items_are_the_pieces_of_the_splitter(data: bytes) -> None:
    told = [(piece.kind, piece.offset, piece.raw, piece.ended_by) for piece in split(data)]
    assert pieces_of(list(scan(data))) == told


@given(MIXED, st.integers(0, 400))
def test_items_lie_side_by_side_and_cover_the_stream(data: bytes, detail: int) -> None:
    position = 0
    for item in scan(data, detail=detail):
        assert item.offset == position
        assert size_of(item) > 0
        position += size_of(item)
    assert position == len(data)


@given(MIXED, st.integers(0, 400))
def test_no_packet_and_no_header_is_in_the_rubble(data: bytes, detail: int) -> None:
    found = []
    headers = 0
    for section in sections(data, detail=detail):
        headers += section.header is not None
        for index in range(section.packets):
            found.append((section.offset_of(index), section.row(index).tobytes()))
    assert found == whole_packets(data)
    lengths = {0x01: 21, 0x05: 34}
    assert headers == sum(
        piece.kind is PieceKind.EXCLUSIVE
        and (body := oracle.strip_realtime(piece.raw))[1] == 0x7E
        and len(body) > 4
        and len(body) == lengths.get(body[3])
        and (body[3] == 0x01 or body[4] == 0x05)
        for piece in split(data)
    )


@given(MIXED)
def test_real_time_bytes_in_pieces_keep_their_places(data: bytes) -> None:
    for item in scan(data):
        if isinstance(item, Piece):
            for offset, byte in item.realtime:
                assert data[offset] == byte >= 0xF8


@given(MIXED)
def test_sections_cover_the_stream_and_begin_with_headers(data: bytes) -> None:
    position = 0
    for section in sections(data):
        assert section.offset == position
        position += section.size
        if section.opening is None:
            assert section.offset == 0
        else:
            assert section.opening.offset == section.offset
    assert position == len(data)


@given(MIXED, st.lists(st.integers(0, 200), max_size=6))
def test_packets_are_taken_by_index_in_any_order(data: bytes, wanted: list[int]) -> None:
    for section in sections(data):
        indices = np.array([at % section.packets for at in wanted if section.packets], np.int64)
        rows = section.take(indices)
        assert rows.shape == (len(indices), 127)
        for index, row in zip(indices, rows, strict=True):
            assert row.tobytes() == section.row(int(index)).tobytes()
        assert section.column(4).tolist() == [
            int(section.row(index)[4]) for index in range(section.packets)
        ]


def test_two_dumps_with_things_between_make_two_sections() -> None:
    first = damage.random_dump(random.Random(1)).data
    second = damage.random_dump(random.Random(2)).data
    name = oracle.sample_name(sample_number=1, name=b"Thunder")
    before = b"\x90\x40\x40"
    found = list(sections(before + first + name + second))
    assert [section.offset for section in found] == [0, 3, 3 + len(first) + len(name)]
    assert found[0].header is None
    assert isinstance(found[1].next_header, DumpHeader)
    assert [odd.piece.raw for odd in found[1].odd] == [name]
    assert found[1].odd[0].before == found[1].packets


@pytest.mark.parametrize("length", [20, 22, 27])
def test_a_damaged_header_opens_a_dump(length: int) -> None:
    torn = (HEADER[:-1] + bytes(10))[: length - 1] + b"\xf7"
    (section,) = sections(torn + PACKET * 2)
    assert section.opening is not None
    assert section.header is None
    assert section.packets == 2


def test_a_packet_that_lost_its_sub_id_opens_no_dump() -> None:
    numbered_one = oracle.packet(device_id=3, number=1, data=bytes(120))
    torn = numbered_one[:3] + numbered_one[4:]  # F0 7E 03 01 ...: the number stands in its place
    assert len(list(sections(HEADER + PACKET + torn))) == 1


SIZE = 3 * DETAIL


@pytest.mark.parametrize(
    "data",
    [
        b"\xf0" * SIZE,
        b"\xf7" * SIZE,
        bytes(SIZE),
        b"\xf8" * SIZE,
        oracle.handshake(kind="ACK") * (SIZE // 6),
        random.Random(1).randbytes(SIZE),
    ],
    ids=["F0", "F7", "00", "F8", "ACK", "noise"],
)
def test_what_is_no_dump_is_looked_at_up_to_the_budget_and_no_further(data: bytes) -> None:
    items = list(scan(data))
    assert sum(size_of(item) for item in items) == len(data)
    assert any(isinstance(item, Rubble) for item in items)
    assert sum(len(item.raw) for item in items if isinstance(item, Piece)) <= DETAIL
    (section,) = sections(data)
    assert sum(len(odd.piece.raw) for odd in section.odd) <= DETAIL


def test_packets_with_real_time_bytes_inside_are_found_beyond_the_budget() -> None:
    ticking = PACKET[:60] + b"\xf8" + PACKET[60:]
    data = HEADER + b"\xf7" * 1000 + ticking * 50 + b"\xf7" * 1000 + HEADER + ticking
    first, second = sections(data, detail=300)
    assert (first.packets, second.packets) == (50, 1)
    assert first.realtime[0xF8].count == 50
    assert first.rubble.size > 0
    assert not second.odd


def test_a_packet_run_is_a_view_of_the_stream() -> None:
    data = PACKET * 1000
    (item,) = scan(data)
    assert isinstance(item, PacketRun)
    assert item.rows.base is not None
    assert not is_packet(split(PACKET[:-1])[0])
