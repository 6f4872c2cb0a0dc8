"""Active sensing and clock by themselves (M1 pp. 30, 32)."""

from __future__ import annotations

import pytest

from dryload.emulator.unit.pulse import Pulse, pulse_of
from dryload.emulator.unit.traits import Habits

MS = 1_000_000


def played(pulse: Pulse, until_ns: int) -> list[tuple[int, bytes]]:
    """What it says, when whoever asks comes exactly when it wants to be asked."""
    said = []
    while pulse.next_ns <= until_ns:
        now_ns = pulse.next_ns
        pulse.beat(now_ns)
        while byte := pulse.bytes_to_send():
            said.append((now_ns, byte))
    return said


def test_a_unit_without_either_habit_has_no_pulse() -> None:
    assert pulse_of(Habits()) is None


def test_active_sensing_comes_every_270_ms() -> None:
    # sent within 270 ms, judged at 330 (TIM-09, M1 p. 32)
    pulse = pulse_of(Habits(active_sensing=True))
    assert pulse is not None
    assert played(pulse, 900 * MS) == [
        (270 * MS, b"\xfe"),
        (540 * MS, b"\xfe"),
        (810 * MS, b"\xfe"),
    ]


@pytest.mark.parametrize("bpm", [1, 60, 96, 125, 300])
def test_24_clocks_make_a_beat(bpm: int) -> None:
    pulse = pulse_of(Habits(clock_bpm=bpm))
    assert pulse is not None
    said = played(pulse, 60_000 * MS)
    assert [byte for _, byte in said] == [b"\xf8"] * (24 * bpm)
    assert abs(said[-1][0] - 60_000 * MS) < MS


def test_both_habits_go_side_by_side() -> None:
    pulse = pulse_of(Habits(active_sensing=True, clock_bpm=60))
    assert pulse is not None
    said = played(pulse, 600 * MS)
    assert [at_ns for at_ns, byte in said if byte == b"\xfe"] == [270 * MS, 540 * MS]
    assert len([byte for _, byte in said if byte == b"\xf8"]) == 14


def test_what_was_missed_is_not_made_up_for_and_the_beat_is_kept() -> None:
    pulse = Pulse([(10, 0xF8)])
    pulse.beat(5)
    assert pulse.bytes_to_send() == b""
    pulse.beat(34)
    assert (pulse.bytes_to_send(), pulse.bytes_to_send()) == (b"\xf8", b"")
    assert pulse.next_ns == 40
    pulse.beat(40)
    assert pulse.bytes_to_send() == b"\xf8"
    assert pulse.next_ns == 50


def test_bytes_that_are_due_together_are_said_one_by_one() -> None:
    pulse = Pulse([(10, 0xFE), (5, 0xF8)])
    pulse.beat(10)
    assert [pulse.bytes_to_send() for _ in range(3)] == [b"\xfe", b"\xf8", b""]
