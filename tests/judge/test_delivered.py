"""Captures of a busy computer: what was delivered late, joined or in parts accuses nobody.

The deliveries are made here from the exact times of a rehearsal: within a window nothing gets
through, and all of it at the window's end, as when a scheduler gives a process no time.
"""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dryload.emulator.dump.capture import Capture, Passage
from dryload.emulator.wire.constants import BYTE_NS
from dryload.harness.diagnose.diagnose import Answer, diagnose
from dryload.harness.files.recorded import Recorded, TakenAt
from dryload.harness.judge.dialogue.judge import judge_capture
from tests.diagnosis.rehearsing import rehearsed
from tests.diagnosis.test_at_the_bench import open_loop
from tests.judge.talking import (
    MS,
    SECOND,
    Tape,
    accusations,
    clauses,
    dump,
    end,
    flipped,
    say,
    usual,
)

_BEGUN_NS = 5 * SECOND
"""The clock of a port when it was opened: no virtual time."""
HEALTHY = ("closed loop", "open loop", "WAIT", "read back")


@cache
def healthy(kind: str) -> tuple[Passage, ...]:
    """A transfer in which nothing is wrong, with exact times."""
    if kind == "open loop":
        recorded = end(open_loop(12)).recorded()
    elif kind == "WAIT":
        recorded = dump(12, steps=dict.fromkeys((2, 3, 7), waiting)).recorded()
    else:
        recorded = rehearsed(read_back=kind == "read back", length=600)
    return tuple(recorded.capture.passages)


def waiting(tape: Tape, place: int, packet: bytes) -> None:
    """Have a packet wait for its acknowledgement."""
    tape.to(packet)
    tape.back(say("WAIT", place))
    tape.back(say("ACK", place), after_ms=700)


def delivered(passages: tuple[Passage, ...], rng: Random, most_ns: int = 300 * MS) -> Capture:
    """Return a capture as a busy computer takes it."""
    parts = [part for each in passages for part in _split(each, rng)]
    parts.sort(key=lambda each: each.end_ns)
    windows = list(_windows(parts, rng, most_ns))
    found: list[Passage] = []
    for each in parts:
        end_ns = next((stop for start, stop in windows if start <= each.end_ns < stop), each.end_ns)
        last = found[-1] if found else None
        if last is not None and (last.direction, last.end_ns) == (each.direction, end_ns):
            found[-1] = last._replace(data=last.data + each.data)
        else:
            found.append(each._replace(end_ns=end_ns))
    return Capture([each._replace(end_ns=each.end_ns + _BEGUN_NS) for each in found])


def _split(passage: Passage, rng: Random) -> list[Passage]:
    size = len(passage.data)
    cuts = sorted({0, size, *(rng.randrange(size) for _ in range(rng.choice((0, 0, 0, 1, 2))))})
    return [
        passage._replace(
            end_ns=passage.end_ns - (size - stop) * BYTE_NS, data=passage.data[start:stop]
        )
        for start, stop in pairwise(cuts)
    ]


def _windows(parts: list[Passage], rng: Random, most_ns: int) -> list[tuple[int, int]]:
    free_ns = rng.choice((30 * MS, 300 * MS, 2 * SECOND))
    now_ns, found = 0, []
    while now_ns < parts[-1].end_ns:
        start_ns = now_ns + rng.randrange(free_ns)
        now_ns = start_ns + rng.randrange(most_ns)
        found.append((start_ns, now_ns))
    return found


def recorded_as(capture: Capture, taken_at: TakenAt) -> Recorded:
    """A capture from a port."""
    return Recorded(capture=capture, start_ns=_BEGUN_NS, taken_at=taken_at)


SEEDS = st.integers(0, 2**32)
PLACES = st.sampled_from([TakenAt.HOST, TakenAt.LINE, TakenAt.UNKNOWN])


@pytest.mark.parametrize("kind", HEALTHY)
@settings(max_examples=60, deadline=None)
@given(seed=SEEDS, taken_at=PLACES)
def test_a_healthy_transfer_is_not_accused_by_late_deliveries(
    kind: str, seed: int, taken_at: TakenAt
) -> None:
    recorded = recorded_as(delivered(healthy(kind), Random(seed)), taken_at)
    assert accusations(judge_capture(recorded)) == []
    told = diagnose(recorded)
    assert [each.cause.name for each in told.causes] == []
    assert told.answer is Answer.NOTHING_WRONG


# Controls: what the order of the deliveries proves is found all the same, and so is what is late
# where nothing shows that the computer was.


def rejected(tape: Tape, place: int, packet: bytes) -> None:
    """Have a damaged packet rejected, and send it again."""
    tape.to(flipped(packet)).back(say("NAK", place))
    usual(tape, place, packet)


def left_out(tape: Tape, place: int, packet: bytes) -> None:
    """Send nothing."""


def late(tape: Tape, place: int, packet: bytes) -> None:
    """Have the acknowledgement come 300 ms after the packet."""
    tape.to(packet).back(say("ACK", place), after_ms=300)


@settings(max_examples=60, deadline=None)
@given(seed=SEEDS, taken_at=PLACES)
def test_a_damaged_packet_is_found_in_late_deliveries(seed: int, taken_at: TakenAt) -> None:
    tape = dump(12, {5: rejected}).recorded().capture
    recorded = recorded_as(delivered(tuple(tape.passages), Random(seed)), taken_at)
    assert "PKT-05" in clauses(judge_capture(recorded).all_findings)
    assert diagnose(recorded).answer is not Answer.NOTHING_WRONG


@settings(max_examples=60, deadline=None)
@given(seed=SEEDS, taken_at=PLACES)
def test_a_missing_packet_is_found_in_late_deliveries(seed: int, taken_at: TakenAt) -> None:
    tape = dump(12, {5: left_out}).recorded().capture
    recorded = recorded_as(delivered(tuple(tape.passages), Random(seed)), taken_at)
    assert diagnose(recorded).answer is not Answer.NOTHING_WRONG


def test_late_answers_are_found_where_no_delivery_was_late() -> None:
    # One of many that a port delivered late may have been held back there; all of them were not.
    for places, begun_ns in (([5], 0), (range(12), 0), (range(12), _BEGUN_NS)):
        tape = dump(12, dict.fromkeys(places, late))
        tape.passages = [each._replace(end_ns=each.end_ns + begun_ns) for each in tape.passages]
        recorded = tape.recorded(start_ns=begun_ns)
        assert "TIM-04" in clauses(judge_capture(recorded).all_findings)
        assert [each.cause.name for each in diagnose(recorded).causes] == ["answers late"]
