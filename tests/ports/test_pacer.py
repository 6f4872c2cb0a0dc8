"""The pacer: when the last byte leaves a line of 31,250 baud (M1 p. 1: ten bits a byte)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.ports.pacer import Pacer

PACKET_NS = 40_640_000  # 127 bytes (M1 p. 37) of ten bits at 31,250 baud
HANDSHAKE_NS = 1_920_000  # 6 bytes (M1 p. 36)


def test_a_message_on_a_free_line_takes_320_us_a_byte() -> None:
    assert Pacer().sent(127, 0) == PACKET_NS
    assert Pacer().sent(6, 5_000) == 5_000 + HANDSHAKE_NS


def test_a_message_behind_another_begins_when_that_has_left() -> None:
    pacer = Pacer()
    pacer.sent(127, 1_000)
    assert pacer.sent(6, 2_000) == 1_000 + PACKET_NS + HANDSHAKE_NS


def test_a_line_that_has_been_idle_begins_at_once() -> None:
    pacer = Pacer()
    pacer.sent(127, 0)
    assert pacer.sent(6, PACKET_NS + 1) == PACKET_NS + 1 + HANDSHAKE_NS


def test_the_interface_makes_each_end_later_but_not_the_next_message() -> None:
    pacer = Pacer(latency_ns=1_000_000)
    assert pacer.sent(127, 0) == PACKET_NS + 1_000_000
    assert pacer.free_ns == PACKET_NS
    assert pacer.sent(6, 0) == PACKET_NS + HANDSHAKE_NS + 1_000_000


def test_without_a_pace_everything_leaves_at_once() -> None:
    pacer = Pacer(byte_ns=0)
    assert [pacer.sent(127, at) for at in (0, 0, 7)] == [0, 0, 7]


@pytest.mark.parametrize("wrong", [{"byte_ns": -1}, {"latency_ns": -1}])
def test_no_line_is_faster_than_that(wrong: dict[str, int]) -> None:
    with pytest.raises(ValueError, match="no line"):
        Pacer(**wrong)


@given(st.lists(st.tuples(st.integers(1, 300), st.integers(0, 10**8)), max_size=30))
def test_it_is_a_queue_served_one_byte_after_another(messages: list[tuple[int, int]]) -> None:
    # The plain model: a list of busy bytes, each at the first free place not before its message.
    pacer, now_ns, last_end = Pacer(), 0, 0
    for length, later_ns in messages:
        now_ns += later_ns
        for _ in range(length):
            last_end = max(last_end, now_ns) + 320_000
        assert pacer.sent(length, now_ns) == last_end
