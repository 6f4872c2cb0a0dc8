"""From the gaps that a driver reports to instants of our own clock."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.ports.arrival_times import ArrivalTimes
from tests.ports.clockwork import MS


@given(
    st.lists(st.integers(0, 30 * MS), min_size=1, max_size=40),
    st.lists(st.integers(1, 50 * MS), min_size=1, max_size=40),
    st.integers(-20_000, 20_000),
)
def test_no_arrival_is_put_where_it_cannot_have_been(
    gaps: list[int], pauses: list[int], drift: int
) -> None:
    # A driver whose clock runs `drift` parts in a million too fast, polled at any instants.
    came, at_ns = [], 0
    for gap in gaps:
        at_ns += gap
        came.append(at_ns)
    times, now_ns, index, last_ns = ArrivalTimes(0), 0, 0, 0
    for pause in [*pauses, at_ns]:
        now_ns += pause
        while index < len(came) and came[index] <= now_ns:
            gap = came[index] - (came[index - 1] if index else 0)
            told = times.arrived(b"", gap + gap * drift // 1_000_000, now_ns)
            assert last_ns <= told.at_ns <= now_ns
            assert told.since_ns <= told.at_ns
            if drift == 0:
                assert told.since_ns <= came[index]
            last_ns = told.at_ns
            index += 1
        times.empty(now_ns)


@given(st.integers(0, 100 * MS), st.integers(0, 30 * MS), st.integers(4 * MS, 900 * MS))
def test_a_gap_that_cannot_be_true_is_not_believed(
    before_ns: int, gap_ns: int, quiet_ns: int
) -> None:
    # Seen in a guest: a message 140 ms after the one before it, and a gap near 0.
    times = ArrivalTimes(0)
    first = times.arrived(b"", 0, before_ns)
    times.empty(before_ns + gap_ns + quiet_ns)  # it comes after this look, whatever its gap says
    now_ns = before_ns + gap_ns + quiet_ns + 50 * MS
    second = times.arrived(b"", gap_ns, now_ns)
    assert (first.at_ns, second.at_ns) == (before_ns, now_ns)
    assert second.since_ns == before_ns + gap_ns + quiet_ns
    times.empty(now_ns)
    third = times.arrived(b"", 20 * MS, now_ns + 30 * MS)  # and the next true one is
    assert third.at_ns == now_ns + 20 * MS


@given(st.integers(0, 100 * MS), st.integers(1, 100), st.integers(0, 1_000))
def test_a_gap_that_drift_explains_is_believed(
    before_ns: int, silence_s: int, parts_in_a_million: int
) -> None:
    # Two clocks differ by up to a thousandth: the message was here as soon as it can have been.
    silence_ns = silence_s * 1_000 * MS
    times = ArrivalTimes(0)
    times.arrived(b"", 0, before_ns)
    times.empty(before_ns + silence_ns)
    gap_ns = silence_ns - silence_ns * parts_in_a_million // 1_000_000
    told = times.arrived(b"", gap_ns, before_ns + silence_ns + 900 * MS)
    assert told.at_ns == told.since_ns == before_ns + silence_ns
