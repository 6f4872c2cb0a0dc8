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
