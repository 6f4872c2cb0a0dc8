"""How long the rest of a dump will take to come: exact where packets come evenly."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from dryload.harness.jobs.forecast import Arrivals

CABLE_NS = (127 + 6) * 320_000  # a packet and its handshake (M1 pp. 1, 35, 37)


def test_before_the_header_nobody_knows() -> None:
    assert Arrivals().take(0, 0, 5) is None


def test_at_first_it_is_what_the_cable_needs() -> None:
    assert Arrivals().take(0, 100, 7) == 100 * CABLE_NS


@given(st.integers(1, 5), st.integers(0, 10**9))
def test_who_keeps_the_pace_of_the_cable_ends_when_it_was_said(step: int, start_ns: int) -> None:
    arrivals = Arrivals()
    for came in range(0, 101, step):
        left_ns = arrivals.take(came, 100, start_ns + came * CABLE_NS)
        assert left_ns == (100 - came) * CABLE_NS


@given(st.integers(10_000_000, 200_000_000))
def test_another_pace_is_learned(each_ns: int) -> None:
    arrivals = Arrivals()
    for came in range(501):
        left_ns = arrivals.take(came, 1_000, came * each_ns)
    assert left_ns is not None
    assert abs(left_ns - 500 * each_ns) <= 0.01 * 500 * max(each_ns, CABLE_NS)


def test_looks_between_two_packets_change_nothing() -> None:
    often, seldom = Arrivals(), Arrivals()
    for now_ns in range(0, 2_000_000_001, 10_000_000):
        left_ns = often.take(now_ns // 100_000_000, 100, now_ns)
        if now_ns % 100_000_000 == 0:
            assert left_ns == seldom.take(now_ns // 100_000_000, 100, now_ns)


def test_a_dump_that_begins_again_is_not_taken_for_a_packet() -> None:
    arrivals = Arrivals()
    assert arrivals.take(0, 100, 0) == 100 * CABLE_NS
    assert arrivals.take(50, 100, 50 * CABLE_NS) == 50 * CABLE_NS
    assert arrivals.take(0, 0, 60 * CABLE_NS) is None
    assert arrivals.take(0, 100, 90 * CABLE_NS) == 100 * CABLE_NS
    assert arrivals.take(50, 100, 140 * CABLE_NS) == 50 * CABLE_NS
    assert arrivals.take(2, 100, 150 * CABLE_NS) == 98 * CABLE_NS
