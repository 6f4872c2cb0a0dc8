"""The cable: every byte at its instant (31,250 baud, ten bits a byte: M1 p. 1)."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dryload.emulator.line import effects
from dryload.emulator.line.cable import Cable
from dryload.emulator.line.disturbance import Disturbance, Effect, FaultInjector
from dryload.emulator.line.placement import Placement
from tests import oracle
from tests.line.naive import NaiveWire, acting
from tests.line.players import BYTE_NS, TO, apart
from tests.vectors import fields

ACK = oracle.handshake(kind="ACK", packet_number=5)
PACKET = oracle.packet(number=3, data=bytes(range(120)))

MESSAGES = st.sampled_from(
    [
        ACK,
        PACKET[:20] + b"\xf7",
        oracle.identity_request(),
        b"\xf8",
        b"\xfe",
        b"\x90\x40\x7f",
        b"\xf0\x7e\x00",  # no end
        b"\xf0\x7e\xf7\x00\x01\xf7",  # two ends
        b"\xf0\x7e\xf8\x01\xf7",
        b"\x01\x02",
    ]
)


def at(effect: Effect, message: int, byte: int | None = None, **settings: object) -> Disturbance:
    where = Placement(first=message, last=message, byte=byte)
    return Disturbance(effect=effect, settings=settings, where=where)


def unplugged(last_ns: int) -> Disturbance:
    """Nothing arrives after an instant."""
    return Disturbance(effect=effects.unplug, where=Placement(from_ns=last_ns, by_arrival=True))


PLACE = st.integers(0, 8)
NUMBER = st.integers(0, 3)
PLACED: st.SearchStrategy[Disturbance] = st.one_of(
    st.builds(at, st.just(effects.flip_one), NUMBER, PLACE, bit=st.integers(0, 7)),
    st.builds(at, st.just(effects.lose_bytes), NUMBER, PLACE),
    st.builds(
        at,
        st.just(effects.add_bytes),
        NUMBER,
        PLACE,
        values=st.lists(st.integers(0, 255), min_size=1, max_size=3),
    ),
    st.builds(at, st.just(effects.lose), NUMBER),
    st.builds(at, st.just(effects.repeat), NUMBER),
    st.builds(at, st.just(effects.delay), NUMBER, by_ns=st.integers(1, 3_000_000)),
)
CUTS = st.builds(unplugged, st.integers(0, 40 * BYTE_NS))
SENDS = st.lists(st.tuples(st.integers(0, 4_000_000), MESSAGES), min_size=1, max_size=5)


def both(
    sends: Sequence[tuple[int, bytes]], disturbances: Sequence[Disturbance] = ()
) -> tuple[Cable, NaiveWire]:
    """Send the same over the cable and over the naive wire; instants are gaps between sends."""
    cable, naive = Cable(TO, FaultInjector(disturbances)), NaiveWire(disturbances)
    now_ns = 0
    for gap_ns, message in sends:
        now_ns += gap_ns
        left_ns = cable.send(message, now_ns)
        naive.send(message, now_ns)
        assert left_ns == naive.left_ns[-1]
    return cable, naive


@pytest.mark.parametrize(("length", "duration_ns"), fields.LENGTHS.values(), ids=fields.LENGTHS)
def test_a_message_takes_320_us_a_byte(length: int, duration_ns: int) -> None:
    cable = Cable(TO)
    message = b"\xf0" + bytes(length - 2) + b"\xf7"
    assert cable.send(message, 1_000) == 1_000 + duration_ns
    assert list(cable.arrivals) == [(1_000 + duration_ns, message)]


def test_what_comes_while_the_wire_is_busy_queues_behind() -> None:
    cable = Cable(TO)
    assert cable.send(ACK, 100) == 100 + 6 * BYTE_NS
    assert cable.send(ACK, 101) == 100 + 12 * BYTE_NS
    assert cable.send(ACK, 100 + 12 * BYTE_NS) == 100 + 18 * BYTE_NS  # the instant it gets free
    assert cable.send(ACK, 10**9) == 10**9 + 6 * BYTE_NS


def test_an_undisturbed_message_is_one_stretch() -> None:
    cable, _ = both([(0, PACKET), (0, ACK), (10**8, PACKET)])
    assert [data for _, data in cable.arrivals] == [PACKET, ACK, PACKET]


@given(sends=SENDS, placed=st.lists(PLACED, max_size=4), cuts=st.lists(CUTS, max_size=1))
@settings(max_examples=400, deadline=None, derandomize=True)
def test_every_byte_comes_at_its_instant(
    sends: list[tuple[int, bytes]], placed: list[Disturbance], cuts: list[Disturbance]
) -> None:
    cable, naive = both(sends, [*placed, *cuts])
    assert apart(cable.arrivals) == naive.arrivals
    ends = [at_ns for at_ns, _ in cable.arrivals]
    assert ends == sorted(set(ends))


@given(sends=SENDS, placed=st.lists(PLACED, max_size=4), cuts=st.lists(CUTS, max_size=1))
@settings(max_examples=400, deadline=None, derandomize=True)
def test_a_stretch_ends_wherever_a_message_ends_or_is_cut(
    sends: list[tuple[int, bytes]], placed: list[Disturbance], cuts: list[Disturbance]
) -> None:
    cable, naive = both(sends, [*placed, *cuts])
    assert set(acting(naive.arrivals)) <= {at_ns for at_ns, _ in cable.arrivals}


def test_a_status_byte_that_cuts_a_packet_is_told_of_at_once() -> None:
    # bit 7 turned over makes 8n-En of a data byte: it ends the message (M1 p. 29, table VII)
    cable, _ = both([(0, PACKET)], [at(effects.flip_one, 0, 50, bit=7)])
    assert PACKET[50] ^ 0x80 == 0xAD
    assert list(cable.arrivals) == [
        (51 * BYTE_NS, PACKET[:50] + b"\xad"),
        (127 * BYTE_NS, PACKET[51:]),
    ]


def test_a_start_cuts_the_message_before_it_that_lost_its_end() -> None:
    cable, _ = both([(0, PACKET), (0, ACK)], [at(effects.lose_bytes, 0, 126)])
    assert list(cable.arrivals) == [
        (126 * BYTE_NS, PACKET[:126]),
        (128 * BYTE_NS, b"\xf0"),
        (133 * BYTE_NS, ACK[1:]),
    ]


def test_a_broken_message_is_told_of_where_it_ends_although_nobody_disturbed_it() -> None:
    # a dump file may hold anything, and it is sent as it is
    broken = PACKET[:30] + b"\xf7" + PACKET[31:]
    cable, _ = both([(0, broken)])
    assert [at_ns for at_ns, _ in cable.arrivals] == [31 * BYTE_NS, 127 * BYTE_NS]


def test_bytes_with_a_gap_between_them_are_two_stretches() -> None:
    cable, _ = both([(0, PACKET)], [at(effects.lose_bytes, 0, 10)])
    assert list(cable.arrivals) == [
        (10 * BYTE_NS, PACKET[:10]),
        (127 * BYTE_NS, PACKET[11:]),
    ]


def test_a_delayed_message_holds_up_what_follows_and_not_what_its_sender_believes() -> None:
    cable, _ = both([(0, ACK), (0, ACK)], [at(effects.delay, 0, by_ns=5_000_001)])
    assert list(cable.arrivals) == [
        (6 * BYTE_NS + 5_000_001, ACK),
        (12 * BYTE_NS + 5_000_001, ACK),
    ]


def test_from_the_cut_on_nothing_arrives() -> None:
    sends = [(0, ACK), (0, ACK)]
    cable, _ = both(sends, [unplugged(8 * BYTE_NS - 1)])
    assert list(cable.arrivals) == [(6 * BYTE_NS, ACK), (7 * BYTE_NS, ACK[:1])]


def test_a_lost_message_keeps_the_wire_busy_and_says_nothing() -> None:
    cable, _ = both([(0, ACK), (0, ACK)], [at(effects.lose, 0)])
    assert list(cable.arrivals) == [(12 * BYTE_NS, ACK)]


def test_stretches_never_overlap() -> None:
    disturbances: list[Disturbance] = [
        at(effects.lose_bytes, 0, 2),
        at(effects.repeat, 0),
    ]
    cable, _ = both([(0, ACK), (0, ACK)], disturbances)
    instants = [at_ns for at_ns, _ in apart(cable.arrivals)]
    assert all(later - earlier >= BYTE_NS for earlier, later in pairwise(instants))
