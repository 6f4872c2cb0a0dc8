"""The unit's input buffer, byte by byte.

The line tells a unit of stretches of bytes, all at once.  Nobody may be able to tell that from a
line that tells it of every byte at its instant (31,250 baud, ten bits a byte: M1 p. 1).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from unittest.mock import patch

from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.events import EventKind
from dryload.emulator.line.cable import Cable
from dryload.emulator.line.disturbance import Disturbance, FaultInjector
from dryload.emulator.unit.intake import Intake
from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.traits import Habits, InputTraits, MemoryTraits, UnitTraits
from dryload.emulator.wire.splitter import PieceKind
from tests import oracle
from tests.edits import add_byte, delay_message, flip_bit, lose_byte, lose_message, repeat_message
from tests.line.players import BYTE_NS, FROM, TO, Player, apart, bytewise
from tests.unit.desk import Desk

HEADER = oracle.header(sample_number=0, bits=16, period_ns=22676, length=160)
PACKETS = [
    oracle.packet(number=number, data=bytes((number * 31 + at) % 128 for at in range(120)))
    for number in range(5)
]


class ByteCable(Cable):
    """The same cable, only that it tells of every byte by itself."""

    def send(self, message: bytes, now_ns: int) -> int:
        before = len(self.arrivals)
        left_ns = super().send(message, now_ns)
        new = [self.arrivals.pop() for _ in range(len(self.arrivals) - before)][::-1]
        self.arrivals.extend((at_ns, bytes([byte])) for at_ns, byte in apart(new))
        return left_ns


MESSAGES = st.sampled_from(
    [
        HEADER,
        *PACKETS,
        *PACKETS,
        oracle.packet(device_id=5, number=0, data=b"\x01"),
        oracle.packet(number=1, data=b"\x01")[:-2],  # no end
        oracle.identity_request(),
        oracle.dump_request(sample_number=0),
        oracle.sample_name(sample_number=0, name=b"bell"),
        oracle.handshake(kind="CANCEL"),
        b"\x90\x40\x7f\x41\x7f",
        b"\xf8",
    ]
)
GAPS = st.sampled_from([0, 0, 0, 1, BYTE_NS, 20_000_000]) | st.integers(0, 60_000_000)
TALK = st.lists(st.tuples(GAPS, MESSAGES), min_size=1, max_size=12)
PLACED = {"direction": st.just(TO), "message": st.integers(0, 8)}
PLACE = st.integers(0, 130)
DISTURBANCES: st.SearchStrategy[list[Disturbance]] = st.lists(
    st.one_of(
        st.builds(flip_bit, **PLACED, byte=PLACE, bit=st.integers(0, 7)),
        st.builds(lose_byte, **PLACED, byte=PLACE),
        st.builds(add_byte, **PLACED, byte=PLACE, value=st.integers(0, 255)),
        st.builds(lose_message, **PLACED),
        st.builds(repeat_message, **PLACED),
        st.builds(delay_message, **PLACED, by_ns=st.integers(0, 30_000_000)),
    ),
    max_size=3,
)
INPUTS = st.builds(
    InputTraits,
    buffer_bytes=st.sampled_from([128, 128, 140, 200, 4096]),
    store_packet_ns=st.sampled_from([0, 2_000_000, 45_000_000]) | st.integers(0, 90_000_000),
    store_header_ns=st.integers(0, 90_000_000),
)
UNIT = Profile(unit=UnitTraits(name="bench"), memory=MemoryTraits(bank_words=400, fitted=(1,)))


def outcome(
    profile: Profile, talk: Sequence[tuple[int, bytes]], disturbances: Sequence[Disturbance]
) -> tuple[Any, ...]:
    """Everything that can be seen of a unit that is talked to like this."""
    desk = Desk(profile, disturbances)
    at_ns, script = 0, []
    for gap_ns, message in talk:
        at_ns += gap_ns
        script.append((at_ns, message))
    host = Player(*script)
    desk.line.connect(host)
    desk.line.run(lambda: host.is_over)
    desk.line.advance(5_000_000_000)
    lost = sum(int(e.detail.split()[0]) for e in desk.events if e.kind is EventKind.OVERRUN)
    rest = [event for event in desk.events if event.kind is not EventKind.OVERRUN]
    capture = desk.line.capture
    return (
        lost,
        bytewise(capture, FROM),
        rest,
        desk.words_in(1),
        desk.unit.keeper.receipt,
        desk.unit.panel.line_since_ns,
        bytewise(capture, TO),
    )


PASSING_OVER = Habits(bad_form="ignore", nak_limit=0, idle_limit_ns=0)
"""Takes no notice of what is torn, be it in its answers or its patience."""


@given(
    traits=INPUTS,
    talk=TALK,
    disturbances=DISTURBANCES,
    habits=st.sampled_from([Habits(), Habits(wait_before_ack=True), PASSING_OVER]),
)
@settings(max_examples=300, deadline=None, derandomize=True)
def test_stretches_cannot_be_told_from_single_bytes(
    traits: InputTraits,
    talk: list[tuple[int, bytes]],
    disturbances: list[Disturbance],
    habits: Habits,
) -> None:
    profile = replace(UNIT, input=traits, habits=habits)
    in_stretches = outcome(profile, talk, disturbances)
    with patch("dryload.emulator.line.simulate.Cable", ByteCable):
        byte_by_byte = outcome(profile, talk, disturbances)
    *seen, heard = in_stretches
    *expected, every_byte = byte_by_byte
    assert heard == every_byte
    # What goes wrong inside the unit is noticed with the end of a stretch, and not before it: a
    # message that lost its end in the full buffer, and one that is longer than the buffer.
    lost = expected[0] and habits is not PASSING_OVER
    if lost or has_piece_of(traits.buffer_bytes, heard):
        assert bool(seen[0]) == bool(expected[0])
    else:
        assert seen == expected


def has_piece_of(size: int, heard: Sequence[tuple[int, int]]) -> bool:
    """Whether so many bytes come without a status byte that would end what they belong to."""
    count = 0
    for _, byte in heard:
        count = 1 if 0x80 <= byte < 0xF8 else count + 1
        if count >= size:
            return True
    return False


# a buffer written once more, naively: it knows bytes, one at a time, and shares nothing with ours


SHORT = 40


class NaiveBuffer(Struct, dict=True):
    """Bytes wait in `pieces` and in the `open` one; a byte that finds `size` of them is lost.

    Working on a whole exclusive message takes `work_ns`, on a short one `short_ns`; anything else
    is passed over at once.
    """

    size: int
    work_ns: int
    short_ns: int = 0
    drop_every: int = 0
    pieces: list[bytes] = []
    open: bytes = b""
    busy_ns: int = 0
    count: int = 0
    lost: list[int] = []
    taken: list[tuple[int, bytes]] = []

    def arrive(self, at_ns: int, byte: int) -> None:
        """Let one byte arrive; whatever was due before that instant happens before."""
        self.pass_time(at_ns - 1)
        self.count += 1
        is_dropped = self.drop_every and self.count % self.drop_every == 0
        if is_dropped or sum(map(len, self.pieces)) + len(self.open) >= self.size:
            self.lost.append(self.count - 1)
        else:
            self._store(byte)
        self.pass_time(at_ns, at_ns)

    def pass_time(self, until_ns: int, since_ns: int = 0) -> None:
        """Work on what waits, as far as the unit gets until then."""
        while self.pieces and self.busy_ns <= until_ns:
            now_ns = max(self.busy_ns, since_ns)
            piece = self.pieces.pop(0)
            self.taken.append((now_ns, piece))
            if piece[0] == 0xF0 and piece[-1] == 0xF7:
                self.busy_ns = now_ns + (self.work_ns if len(piece) > SHORT else self.short_ns)

    def _store(self, byte: int) -> None:
        is_exclusive = self.open[:1] == b"\xf0"
        if byte >= 0xF8 and not self.open:
            self.pieces.append(bytes([byte]))
        elif byte == 0xF7 and is_exclusive:
            self._end_starts(byte)
            self.pieces.append(self.open + b"\xf7")
            self.open = b""
        elif 0x80 <= byte < 0xF8:
            # a run of F0 is ended by whatever is none (each of them was cut by the next)
            if self.open and not (byte == 0xF0 == self.open[-1]):
                self._close()
            if byte == 0xF0:
                self.open += b"\xf0"
            else:
                assert byte == 0xF7, "these checks speak no channel messages"
                self.pieces.append(b"\xf7")
        else:
            self._end_starts(byte)
            self.open += bytes([byte])
        if len(self.open) == self.size:
            self._close()  # it fills the buffer alone and will never be whole

    def _end_starts(self, byte: int) -> None:
        starts = len(self.open) - len(self.open.lstrip(b"\xf0"))
        if starts > 1:
            self.pieces.append(self.open[: starts - 1])
            self.open = self.open[starts - 1 :]

    def _close(self) -> None:
        self._end_starts(0)
        self.pieces.append(self.open)
        self.open = b""


def ours(
    arrivals: Sequence[tuple[int, bytes]], traits: InputTraits, work_ns: int, short_ns: int
) -> tuple[int, list[tuple[int, bytes]]]:
    """Lead stretches through the intake as the board does."""
    intake, busy_ns, lost = Intake(traits), 0, 0
    taken: list[tuple[int, bytes]] = []

    def work(now_ns: int) -> None:
        nonlocal busy_ns
        while intake.waiting and busy_ns <= now_ns:
            piece = intake.next_piece(now_ns)
            taken.append((now_ns, piece.raw))
            if piece.kind is PieceKind.EXCLUSIVE:
                busy_ns = now_ns + (work_ns if len(piece.raw) > SHORT else short_ns)

    for end_ns, data in arrivals:
        while intake.waiting and busy_ns < end_ns:
            work(busy_ns)
        if busy_ns <= end_ns and (piece := intake.single(data)) is not None:
            taken.append((end_ns, piece.raw))
            busy_ns = end_ns + (work_ns if len(piece.raw) > SHORT else short_ns)
            continue
        lost += intake.take(data, end_ns, busy_ns)
        work(end_ns)
    while intake.waiting:
        work(busy_ns)
    return lost, taken


SHORT_ONES = [HEADER] + [b"\xf0" + bytes([n]) * 28 + b"\xf7" for n in range(4)]
EXCLUSIVES = st.sampled_from(
    [
        *PACKETS,
        *PACKETS,
        *SHORT_ONES,
        *SHORT_ONES,
        *SHORT_ONES,
        PACKETS[0][:-1],
        PACKETS[1][1:],
        b"\xf0" + bytes(at % 128 for at in range(300)) + b"\xf7",
        b"\xf0" + bytes(at % 128 for at in range(126)) + b"\xf7",
        b"\xf0\x7e\xf8\x00\xf7",
        b"\xf0",
        b"\xf7",
        b"\xfe",
    ]
)
NO_STATUS = st.one_of(
    st.builds(lose_byte, **PLACED, byte=PLACE),
    st.builds(add_byte, **PLACED, byte=PLACE, value=st.sampled_from([0, 0x33, 0xF0, 0xF7, 0xF8])),
    st.builds(delay_message, **PLACED, by_ns=st.integers(0, 30_000_000)),
)


@given(
    size=st.sampled_from([128, 130, 150, 300]),
    work_ns=st.sampled_from([0, 45_000_000]) | st.integers(0, 90_000_000),
    short_ns=st.sampled_from([0, 3_000_000]) | st.integers(0, 90_000_000),
    talk=st.lists(st.tuples(GAPS, EXCLUSIVES), min_size=1, max_size=12),
    disturbances=st.lists(NO_STATUS, max_size=3),
)
@settings(max_examples=400, deadline=None, derandomize=True)
def test_just_those_bytes_are_lost_that_find_the_buffer_full(
    size: int,
    work_ns: int,
    short_ns: int,
    talk: list[tuple[int, bytes]],
    disturbances: list[Disturbance],
) -> None:
    cable, at_ns = Cable(TO, FaultInjector(disturbances)), 0
    for gap_ns, message in talk:
        at_ns += gap_ns
        cable.send(message, at_ns)
    naive = NaiveBuffer(size, work_ns, short_ns)
    for byte_ns, byte in apart(cable.arrivals):
        naive.arrive(byte_ns, byte)
    naive.pass_time(1 << 60)
    lost, taken = ours(cable.arrivals, InputTraits(buffer_bytes=size), work_ns, short_ns)
    assert [raw for _, raw in taken] == [raw for _, raw in naive.taken]
    assert lost == len(naive.lost)
    assert [each for each in taken if is_whole(each[1])] == [
        each for each in naive.taken if is_whole(each[1])
    ]


def is_whole(raw: bytes) -> bool:
    return raw[0] == 0xF0 and raw[-1] == 0xF7


# the same by hand


def test_a_packet_that_waits_leaves_one_byte_of_room_for_the_next() -> None:
    # 128 bytes, the least that the standard thinks sensible (M1 p. 39)
    intake = Intake(InputTraits(buffer_bytes=128))
    assert intake.take(PACKETS[0], 127 * BYTE_NS, 10**9) == 0
    assert intake.take(PACKETS[1], 254 * BYTE_NS, 10**9) == 126
    assert [piece.raw for piece in intake.waiting] == [PACKETS[0]]


def test_bytes_up_to_the_instant_at_which_a_packet_is_taken_out_find_no_room() -> None:
    for taken_out_ns, lost in (
        (137 * BYTE_NS - 1, 8),  # the tenth byte of the second comes just after it: 1 fits, 8 don't
        (137 * BYTE_NS, 9),  # at the same instant the byte comes first
        (137 * BYTE_NS + 1, 9),
        (138 * BYTE_NS, 10),
    ):
        intake = Intake(InputTraits(buffer_bytes=128))
        intake.take(PACKETS[0], 127 * BYTE_NS, taken_out_ns)
        assert intake.next_piece(taken_out_ns).raw == PACKETS[0]
        assert intake.take(PACKETS[1], 254 * BYTE_NS, 10**9) == lost
        assert [piece.raw for piece in intake.waiting] == [PACKETS[1][:1] + PACKETS[1][lost + 1 :]]


def test_the_short_way_is_open_to_an_idle_unit_and_again_after_it_was_not() -> None:
    intake = Intake(InputTraits(buffer_bytes=200))
    assert intake.single(PACKETS[0]) is not None
    intake.take(PACKETS[1], 10**8, 2 * 10**8)
    assert intake.single(PACKETS[2]) is None  # something waits
    intake.next_piece(2 * 10**8)
    assert intake.single(PACKETS[2]) is None  # it may have stood in the way of these bytes
    assert intake.take(PACKETS[2], 3 * 10**8, 2 * 10**8) == 0
    intake.next_piece(3 * 10**8)
    assert intake.single(PACKETS[3]) is not None


def test_a_message_longer_than_the_buffer_is_cut_short_and_the_next_is_whole() -> None:
    intake = Intake(InputTraits(buffer_bytes=128))
    long = b"\xf0" + bytes(at % 128 for at in range(300)) + b"\xf7"
    assert intake.single(long) is None
    assert intake.take(long, 10**9, 0) == 0  # an idle unit loses nothing: it looks at the pieces
    pieces = [intake.next_piece(10**9) for _ in range(len(intake.waiting))]
    assert b"".join(piece.raw for piece in pieces) == long
    assert pieces[0].raw == long[:128]
    assert pieces[0].kind is PieceKind.CUT
    assert not any(piece.kind is PieceKind.EXCLUSIVE for piece in pieces)
    whole = intake.single(HEADER)
    assert whole is not None
    assert whole.body == HEADER


def test_a_poor_input_loses_every_so_many_th_byte_of_all_that_ever_came() -> None:
    intake = Intake(InputTraits(buffer_bytes=4096, drop_every_byte=5))
    assert intake.single(HEADER) is None
    lost = intake.take(HEADER[:7], 10**6, 0) + intake.take(HEADER[7:], 10**7, 0)
    assert lost == 4
    kept = bytes(byte for at, byte in enumerate(HEADER, 1) if at % 5)
    assert [piece.raw for piece in intake.waiting] == [kept]
