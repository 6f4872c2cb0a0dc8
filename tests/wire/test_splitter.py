"""The splitter loses no byte, whatever the chunks (FRM-11), and ends messages where M1 says.

Sources: real-time bytes M1 pp. 5, 29, 30; what ends a message p. 29 and table VII note 2; data
bytes of short messages tables I and VII; running status p. A-2 and its buffer rules.
"""

from collections.abc import Iterable, Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dryload.emulator.wire.codec import encode
from dryload.emulator.wire.messages import Message
from dryload.emulator.wire.splitter import Piece, PieceKind, Splitter, split
from tests import oracle
from tests.strategies import Chunked, chunked_streams, messages, streams

EXCLUSIVE, CUT = PieceKind.EXCLUSIVE, PieceKind.CUT
SHORT, REALTIME, STRAY = PieceKind.SHORT, PieceKind.REALTIME, PieceKind.STRAY


def fed(chunks: Iterable[bytes], limit: int | None = None) -> list[Piece]:
    splitter = Splitter(limit=limit)
    pieces = [piece for chunk in chunks for piece in splitter.feed(chunk)]
    return [*pieces, *splitter.flush()]


def shown(pieces: Iterable[Piece]) -> list[tuple[PieceKind, str]]:
    return [(piece.kind, piece.raw.hex(" ").upper()) for piece in pieces]


def short_length(status: int) -> int:
    """Return how many data bytes follow a status byte (M1 tables I and VII)."""
    table = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}
    return table.get(status & 0xF0, {0xF1: 1, 0xF2: 2, 0xF3: 1}.get(status, 0))


def by_the_book(data: bytes) -> list[tuple[PieceKind, int, bytes]]:
    """Split a stream one byte at a time: the rules of M1, and no thought of speed."""
    pieces: list[tuple[PieceKind, int, bytes]] = []
    kind: PieceKind | None = None
    start = wanted = 0
    running: int | None = None

    def end(at: int) -> None:
        nonlocal kind
        if kind is not None:
            pieces.append((kind, start, data[start:at]))
        kind = None

    for at, byte in enumerate(data):
        if byte >= 0xF8:
            if kind is None:
                pieces.append((REALTIME, at, data[at : at + 1]))
        elif byte == 0xF7 and kind is CUT:
            kind = EXCLUSIVE
            end(at + 1)
        elif byte >= 0x80:
            end(at)
            kind, start = (CUT, at) if byte == 0xF0 else (SHORT, at)
            running = byte if byte < 0xF0 else None
            wanted = short_length(byte)
            if kind is SHORT and not wanted:
                end(at + 1)
        elif kind is None and running is None:
            kind, start = STRAY, at
        else:
            if kind is None:
                kind, start, wanted = SHORT, at, short_length(running or 0)
            wanted -= 1
            if kind is SHORT and not wanted:
                end(at + 1)
    end(len(data))
    return pieces


def without_runs(pieces: Sequence[Piece]) -> list[tuple[PieceKind, int, bytes]]:
    """Return pieces with a run of F0 taken apart: the splitter gives a run as one piece."""
    single = []
    for piece in pieces:
        if piece.kind is CUT and set(piece.raw) == {0xF0}:
            single += [(CUT, piece.offset + i, b"\xf0") for i in range(len(piece.raw))]
        else:
            single.append((piece.kind, piece.offset, piece.raw))
    return single


# Any stream.


@settings(max_examples=400, deadline=None)
@given(chunked_streams())
def test_pieces_do_not_depend_on_the_chunks(stream: Chunked) -> None:  # FRM-11
    whole = split(stream.data)

    assert fed(stream.chunks) == whole
    assert fed(bytes([byte]) for byte in stream.data) == whole


@given(streams)
def test_no_byte_is_lost_and_offsets_are_those_of_the_stream(data: bytes) -> None:
    pieces = split(data)

    assert b"".join(piece.raw for piece in pieces) == data
    assert all(data[p.offset : p.offset + len(p.raw)] == p.raw != b"" for p in pieces)


@given(chunked_streams())
def test_what_is_held_is_what_has_not_come_out(stream: Chunked) -> None:
    splitter = Splitter()
    taken = out = 0
    for chunk in stream.chunks:
        taken += len(chunk)
        out += sum(len(piece.raw) for piece in splitter.feed(chunk))
        assert splitter.held == taken - out
    splitter.flush()
    assert splitter.held == 0


@settings(max_examples=400, deadline=None)
@given(streams)
def test_pieces_are_those_of_the_book(data: bytes) -> None:
    assert without_runs(split(data)) == by_the_book(data)


@settings(max_examples=400, deadline=None)
@given(streams)
def test_exclusive_messages_are_those_of_the_oracle(data: bytes) -> None:
    found = [
        (offset, raw) for kind, offset, raw in without_runs(split(data)) if kind in (EXCLUSIVE, CUT)
    ]
    assert found == oracle.split(data)


@given(streams)
def test_bodies_are_without_realtime_which_is_listed(data: bytes) -> None:  # FRM-03
    for piece in split(data):
        if piece.kind is REALTIME:
            assert len(piece.raw) == 1
            assert piece.raw[0] >= 0xF8
            assert piece.body == piece.raw
            assert piece.realtime == ()
        else:
            assert piece.body == oracle.strip_realtime(piece.raw)
            assert piece.realtime == tuple(
                (piece.offset + at, byte) for at, byte in enumerate(piece.raw) if byte >= 0xF8
            )


@given(streams)
def test_only_a_cut_message_says_what_ended_it_and_says_it_right(data: bytes) -> None:  # FRM-02
    for piece in split(data):
        after = piece.offset + len(piece.raw)
        if piece.kind is not CUT or after == len(data):
            assert piece.ended_by is None
        else:
            assert piece.ended_by == data[after]


@given(streams)
def test_a_whole_exclusive_message_holds_nothing_but_data(data: bytes) -> None:
    for piece in split(data):
        if piece.kind is EXCLUSIVE:
            assert piece.body[0] == 0xF0
            assert piece.body[-1] == 0xF7
            assert max(piece.body[1:-1], default=0) < 0x80


@given(st.lists(messages, max_size=5))
def test_whole_messages_come_out_as_they_went_in(sent: list[Message]) -> None:
    bodies = [encode(message) for message in sent]

    assert [piece.raw for piece in split(b"".join(bodies))] == bodies
    assert [piece.raw for piece in fed(bodies)] == bodies


# One rule each.


def test_an_empty_stream_has_no_pieces() -> None:
    assert split(b"") == []
    assert fed([b"", b""]) == []


def test_the_shortest_exclusive_message_is_two_bytes() -> None:
    assert shown(split(b"\xf0\xf7")) == [(EXCLUSIVE, "F0 F7")]


@pytest.mark.parametrize("place", range(1, 7))
def test_realtime_may_stand_anywhere_in_a_message(place: int) -> None:  # M1 p. 30
    ack = bytes.fromhex("F0 7E 00 7F 05 F7")
    raw = ack[:place] + b"\xfe" + ack[place:]
    pieces = split(b"\xf8" + raw)

    assert pieces[0] == Piece(REALTIME, 0, b"\xf8", b"\xf8")
    if place < 6:
        assert pieces[1:] == [Piece(EXCLUSIVE, 1, raw, ack, ((1 + place, 0xFE),))]
    else:
        assert shown(pieces[1:]) == [(EXCLUSIVE, "F0 7E 00 7F 05 F7"), (REALTIME, "FE")]


@pytest.mark.parametrize("status", [*range(0x80, 0xF0, 0x10), *range(0xF1, 0xF7)])
def test_another_status_ends_a_message_and_is_no_part_of_it(status: int) -> None:  # M1 p. 29
    data = bytes([0xF0, 0x7E, 0x00, status])
    cut = split(data)[0]

    assert cut == Piece(CUT, 0, b"\xf0\x7e\x00", b"\xf0\x7e\x00", (), status)
    assert split(data)[1].raw[0] == status


def test_a_new_message_ends_one_without_f7() -> None:
    pieces = split(bytes.fromhex("F0 7E 00 F0 7E 00 7F 05 F7"))

    assert pieces[0].ended_by == 0xF0
    assert shown(pieces) == [(CUT, "F0 7E 00"), (EXCLUSIVE, "F0 7E 00 7F 05 F7")]


@pytest.mark.parametrize("after", ["", "90", "F7", "00", "F8", "F4"])
def test_a_run_of_f0_is_one_cut_piece_before_the_last_of_them(after: str) -> None:
    pieces = split(bytes.fromhex("F0 F0 F0 F0" + after))

    assert pieces[0] == Piece(CUT, 0, b"\xf0" * 3, b"\xf0" * 3, (), 0xF0)
    assert pieces[1].offset == 3
    assert pieces[1].raw[:1] == b"\xf0"


def test_realtime_between_starts_belongs_to_the_first() -> None:
    pieces = split(bytes.fromhex("F0 F8 F0 F7"))

    assert pieces == [
        Piece(CUT, 0, b"\xf0\xf8", b"\xf0", ((1, 0xF8),), 0xF0),
        Piece(EXCLUSIVE, 2, b"\xf0\xf7", b"\xf0\xf7"),
    ]


def test_a_message_that_never_ends_is_given_up_by_flush() -> None:
    splitter = Splitter()

    assert splitter.feed(b"\xf0\x7e\x00") == []
    assert splitter.flush() == [Piece(CUT, 0, b"\xf0\x7e\x00", b"\xf0\x7e\x00")]
    assert splitter.flush() == []


@pytest.mark.parametrize("status", [*range(0x80, 0x100)])
def test_short_messages_have_their_published_length(status: int) -> None:  # M1 tables I and VII
    pieces = split(bytes([status, 1, 2, 3]))

    if status == 0xF0:
        assert shown(pieces) == [(CUT, "F0 01 02 03")]
    elif status >= 0xF8:
        assert [piece.kind for piece in pieces] == [REALTIME, STRAY]
    else:
        assert pieces[0].kind is SHORT
        assert len(pieces[0].raw) == 1 + short_length(status)


def test_running_status_needs_no_second_status_byte() -> None:  # M1 p. A-2
    pieces = split(bytes.fromhex("90 40 40 41 41 F8 42 F8 42 43"))

    assert shown(pieces) == [
        (SHORT, "90 40 40"),
        (SHORT, "41 41"),
        (REALTIME, "F8"),
        (SHORT, "42 F8 42"),
        (SHORT, "43"),
    ]


@pytest.mark.parametrize("between", ["F0 7E F7", "F0 7E 00 F4", "F6", "F1 00", "F7", "F5"])
def test_exclusive_and_common_messages_end_running_status(between: str) -> None:  # M1 p. A-2
    pieces = split(bytes.fromhex("90 40 40" + between + "41 41"))

    assert shown(pieces)[-1] == (STRAY, "41 41")  # FRM-10


def test_realtime_does_not_end_running_status() -> None:  # M1 p. A-2
    assert shown(split(bytes.fromhex("C0 01 FE 02"))) == [
        (SHORT, "C0 01"),
        (REALTIME, "FE"),
        (SHORT, "02"),
    ]


def test_a_short_message_may_be_broken_off() -> None:
    assert shown(split(bytes.fromhex("90 40 F0 7E F7"))) == [
        (SHORT, "90 40"),
        (EXCLUSIVE, "F0 7E F7"),
    ]


def test_a_lone_f7_is_a_piece_of_its_own() -> None:
    assert shown(split(bytes.fromhex("F7 F7 40 F7"))) == [
        (SHORT, "F7"),
        (SHORT, "F7"),
        (STRAY, "40"),
        (SHORT, "F7"),
    ]


# The limit.


def test_what_is_held_of_an_endless_message_is_bounded() -> None:
    splitter = Splitter(limit=100)
    pieces: list[Piece] = list(splitter.feed(b"\xf0" + bytes(60)))
    assert pieces == []

    pieces += splitter.feed(bytes(60))
    assert shown(pieces) == [(CUT, ("F0" + " 00" * 120))]
    assert pieces[0].ended_by is None

    # What follows has lost its message.
    pieces += [*splitter.feed(bytes(90) + b"\xf7"), *splitter.flush()]
    assert [(p.kind, len(p.raw)) for p in pieces[1:]] == [(STRAY, 90), (SHORT, 1)]


def test_a_message_up_to_the_limit_is_left_alone() -> None:
    chunks = [b"\xf0" + bytes(60), bytes(39), b"\xf7"]

    assert [(p.kind, len(p.raw)) for p in fed(chunks, limit=100)] == [(EXCLUSIVE, 101)]


@pytest.mark.parametrize("byte", [0x00, 0xF0, 0x7F])
def test_the_limit_holds_for_anything_endless(byte: int) -> None:
    splitter = Splitter(limit=10)
    lost = 0
    for fed_so_far in range(1, 101):
        lost += sum(len(piece.raw) for piece in splitter.feed(bytes([byte])))
        assert splitter.held == fed_so_far - lost <= 10
    rest = sum(len(piece.raw) for piece in splitter.flush())

    assert lost + rest == 100


@given(chunked_streams(), st.integers(1, 20))
def test_no_byte_is_lost_with_a_limit_either(stream: Chunked, limit: int) -> None:
    assert b"".join(piece.raw for piece in fed(stream.chunks, limit)) == stream.data
