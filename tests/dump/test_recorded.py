"""What passed one way of a capture, and the script that plays it again (line: M1 p. 1)."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.emulator.dump.passed import Burst, passed
from dryload.emulator.dump.script import Cue, Script, cues_of
from tests.dump.talk import FAR_NS, reply
from tests.strategies import streams

BYTE_NS = 320_000  # M1 p. 1
ACK = reply("ACK", 5)
TO_UNIT, FROM_UNIT = Direction.TO_UNIT, Direction.FROM_UNIT


def capture(*passages: tuple[Direction, int, bytes]) -> Capture:
    return Capture([Passage(*each) for each in passages])


def taken(script: Script, now_ns: int) -> list[bytes]:
    script.handle_deadline(now_ns)
    found = []
    while message := script.bytes_to_send():
        found.append(message)
    return found


# What passed.


def test_a_message_is_one_run_that_began_a_byte_after_another() -> None:
    (found,) = passed(capture((TO_UNIT, 10_000_000, ACK), (FROM_UNIT, 0, b"\xfe")), TO_UNIT)

    assert found.piece.raw == ACK
    assert found.runs == (Burst(10_000_000 - 6 * BYTE_NS, ACK),)
    assert found.start_ns == 10_000_000 - 6 * BYTE_NS
    assert found.end_ns == 10_000_000


def test_messages_that_came_in_one_go_have_their_own_times() -> None:
    first, second = passed(capture((TO_UNIT, 12 * BYTE_NS, ACK + ACK)), TO_UNIT)

    assert (first.start_ns, first.end_ns) == (0, 6 * BYTE_NS)
    assert (second.start_ns, second.end_ns) == (6 * BYTE_NS, 12 * BYTE_NS)


def test_a_gap_inside_a_message_makes_two_runs() -> None:  # TIM-08
    parts = capture((TO_UNIT, 2 * BYTE_NS, ACK[:2]), (TO_UNIT, 60_000_000, ACK[2:]))
    (found,) = passed(parts, TO_UNIT)

    assert found.runs == (Burst(0, ACK[:2]), Burst(60_000_000 - 4 * BYTE_NS, ACK[2:]))
    assert found.end_ns == 60_000_000


@pytest.mark.parametrize("second_ns", [6 * BYTE_NS, 3 * BYTE_NS])
def test_parts_without_a_gap_are_one_run(second_ns: int) -> None:
    # The second instant is a driver's that delivers late what overlaps by its time.
    parts = capture((TO_UNIT, 2 * BYTE_NS, ACK[:2]), (TO_UNIT, second_ns, ACK[2:]))
    (found,) = passed(parts, TO_UNIT)

    assert found.runs == (Burst(0, ACK),)
    assert found.end_ns == second_ns


def test_empty_passages_and_the_other_way_are_passed_over() -> None:
    assert list(passed(capture((TO_UNIT, 5, b""), (FROM_UNIT, 9, ACK)), TO_UNIT)) == []
    assert list(passed(Capture(), FROM_UNIT)) == []


@given(st.lists(st.tuples(st.integers(0, 10**7), streams), max_size=6))
def test_no_byte_is_lost_and_runs_follow_one_another(
    parts: list[tuple[int, bytes]],
) -> None:
    ends = itertools.accumulate(later + len(data) * BYTE_NS for later, data in parts)
    taped = capture(
        *((TO_UNIT, end_ns, data) for end_ns, (_, data) in zip(ends, parts, strict=True))
    )
    found = list(passed(taped, TO_UNIT))

    assert b"".join(run.data for each in found for run in each.runs) == taped.bytes_of(TO_UNIT)
    for each in found:
        assert b"".join(run.data for run in each.runs) == each.piece.raw
        last = each.runs[-1]
        assert each.end_ns == last.start_ns + len(last.data) * BYTE_NS
        for before, after in itertools.pairwise(each.runs):
            assert before.start_ns + len(before.data) * BYTE_NS < after.start_ns


# The script.


def test_a_script_says_its_cues_at_their_instants_and_takes_no_notice() -> None:
    script = Script([Cue(0, ACK), Cue(100, b""), Cue(500, b"\xfe")])
    assert script.next_deadline_ns() is None
    assert taken(script, FAR_NS) == []
    script.start(1000)

    assert taken(script, 1000) == [ACK]
    assert script.next_deadline_ns() == 1500
    assert script.receive_bytes(reply("CANCEL"), 1200) == ()
    assert script.message_left(1300) == ()
    assert taken(script, 1499) == []
    assert not script.is_over
    assert taken(script, 1500) == [b"\xfe"]
    assert script.is_over
    assert script.next_deadline_ns() is None


def test_what_waited_for_the_wire_is_still_sent_in_order() -> None:
    script = Script([Cue(0, b"\x01"), Cue(1, b"\x02"), Cue(2, b"\x03")])
    script.start(0)
    assert taken(script, 10) == [b"\x01", b"\x02", b"\x03"]


def test_a_script_that_cannot_be_played_is_a_value_error() -> None:
    for cues in ([Cue(5, ACK), Cue(4, ACK)], [Cue(-1, ACK)]):
        with pytest.raises(ValueError, match="go back in time"):
            Script(cues)
    script = Script([])
    script.start(0)
    with pytest.raises(ValueError, match="started once"):
        script.start(1)


def test_the_cues_of_a_capture_are_its_runs() -> None:
    taped = capture(
        (TO_UNIT, 2 * BYTE_NS, ACK[:2]),
        (FROM_UNIT, 5 * BYTE_NS, b"\xfe"),
        (TO_UNIT, 60_000_000, ACK[2:]),
    )
    assert cues_of(taped) == [Cue(0, ACK[:2]), Cue(60_000_000 - 4 * BYTE_NS, ACK[2:])]
    assert cues_of(taped, FROM_UNIT, origin_ns=BYTE_NS) == [Cue(3 * BYTE_NS, b"\xfe")]
    # What began before the recording, or before what stands in front of it, waits for that.
    late = capture((TO_UNIT, 50 * BYTE_NS, ACK), (TO_UNIT, 10 * BYTE_NS, ACK))
    assert [cue.at_ns for cue in cues_of(late)] == [44 * BYTE_NS, 44 * BYTE_NS]
    assert cues_of(capture((TO_UNIT, 0, ACK))) == [Cue(0, ACK)]
