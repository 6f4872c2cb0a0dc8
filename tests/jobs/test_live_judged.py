"""A live transfer is judged by its capture, by the judge behind `dryload validate CAPTURE`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any

import pytest

from dryload.emulator.dump.capture import Capture, Passage
from dryload.harness.files.recorded import Recorded, TakenAt
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.live import LiveReplay
from dryload.harness.jobs.outcome import Transfer
from dryload.harness.jobs.transfer import Settings
from dryload.harness.judge.dialogue.judge import judge_capture
from dryload.harness.judge.finding import Answerable, Finding, Verdict
from tests import oracle
from tests.foreign.habits import Habits
from tests.foreign.unit import Gear
from tests.jobs.bench import dump, of, words
from tests.jobs.gear_port import GearPort, Heard, as_it_is
from tests.ports.clockwork import FakeClock

HEADER, PACKET = 0x01, 0x02  # sub-IDs: M1 p. 37
BEGAN_NS = 7_000_000_000
LIKE_A_LINE = {"header_delay": 0.01, "delay": 0.045}
"""Gear that answers when a packet has passed a line of 31,250 baud (M1 p. 1)."""


def is_answer(message: bytes) -> bool:
    return len(message) == 6 and message[3] >= 0x7B  # handshakes: M1 p. 36


def by_another_device(message: bytes) -> Sequence[bytes]:
    return [message[:2] + b"\x05" + message[3:] if is_answer(message) else message]


def twice(message: bytes) -> Sequence[bytes]:
    return [message] * (1 + is_answer(message))


def of_another_number(message: bytes) -> Sequence[bytes]:
    return [message[:4] + b"\x05\x00" + message[6:] if message[3] == HEADER else message]


def of_a_wrong_sum(message: bytes) -> Sequence[bytes]:
    return (
        [message[:-2] + bytes([message[-2] ^ 1]) + message[-1:]] if message[3] == 2 else [message]
    )


def played(
    answers: Heard = as_it_is, dumped: Dump | None = None, **habits: Any
) -> tuple[Transfer, Recorded]:
    clock = FakeClock()
    clock.time_ns = BEGAN_NS
    passed: list[Passage] = []
    gear = Gear(Habits(**{**LIKE_A_LINE, **habits}))
    live = LiveReplay(
        GearPort(gear, clock, answers=answers),
        settings=Settings(operator_ns=None),
        recorder=passed.append,
    )
    row = live.play(dump(words(400)) if dumped is None else dumped)
    capture = Recorded(capture=Capture(passed), start_ns=BEGAN_NS, taken_at=TakenAt.HOST)
    return row, capture


def of_clause(row: Transfer, clause: str) -> list[Finding]:
    return [each for each in row.findings if each.clause == clause]


def test_answers_as_another_device_are_told_and_the_sample_counts_all_the_same() -> None:
    row, _ = played(by_another_device)
    (finding,) = of_clause(row, "DEV-03")
    assert finding.answerable is Answerable.UNIT
    assert row.verified
    assert row.is_well  # loading was asked for, and it is shown


def test_two_answers_to_one_message_are_told() -> None:
    row, _ = played(twice)
    (finding,) = of_clause(row, "DEV-05")
    assert "two units listen, or something doubles messages" in finding.message
    assert row.is_well


def test_another_number_that_is_sent_back_is_told_and_nothing_is_shown() -> None:
    row, _ = played(of_another_number)
    (finding,) = of_clause(row, "REQ-02")
    assert (finding.verdict, finding.answerable) == (Verdict.BROKEN, Answerable.UNIT)
    assert row.unread == "asked for sample 1, the unit sent sample 5"
    assert not row.is_well


ROWS: dict[str, tuple[Callable[[bytes], Sequence[bytes]], dict[str, Any]]] = {
    "plain": (as_it_is, {}),
    "another device": (by_another_device, {}),
    "twice": (twice, {}),
    "another number": (of_another_number, {}),
    "wrong sums": (of_a_wrong_sum, {}),
    "late": (as_it_is, {"delay": 0.1}),
    "waits": (as_it_is, {"wait": 3.0, "wait_at": 2}),
    "rejects": (as_it_is, {"nak_every": 3}),
    "misses one": (as_it_is, {"deaf_to": 4}),
    "loses an ACK": (as_it_is, {"lose_ack": 4}),
    "silent": (as_it_is, {"silent": True}),
    "no requests": (as_it_is, {"no_requests": True}),
    "memory ends": (as_it_is, {"memory": 150}),
    "refuses": (as_it_is, {"memory": 150, "refuses": True}),
    "falls silent": (as_it_is, {"falls_silent_at": 4}),
    "another width": (as_it_is, {"bits": 12}),
    "a bit wrong": (as_it_is, {"wrong_bit": 123}),
}


@pytest.mark.parametrize("name", ROWS)
def test_what_validate_calls_broken_of_the_capture_stands_in_the_transfer(name: str) -> None:
    answers, habits = ROWS[name]
    row, recorded = played(answers, **habits)
    broken = {
        each.clause
        for each in judge_capture(recorded).all_findings
        if each.verdict is Verdict.BROKEN and each.answerable is not Answerable.SENDER
    }
    assert broken <= {each.clause for each in row.findings}


@pytest.mark.parametrize("name", ROWS)
def test_nothing_is_told_twice(name: str) -> None:
    answers, habits = ROWS[name]
    row, _ = played(answers, **habits)
    counts = Counter((each.clause, each.at.packet, each.answerable) for each in row.findings)
    assert {key for key, count in counts.items() if count > 1} == set()


def test_of_a_healthy_unit_there_is_nothing_to_tell() -> None:
    row, _ = played()
    assert row.findings == ()


def test_what_is_wrong_in_the_file_is_told_once_and_by_the_file() -> None:
    data = bytearray(oracle.dump(bits=16, words=words(400), sample_number=1, period_ns=22_676))
    data[21 + 125] ^= 1  # the checksum of packet 0

    row, _ = played(dumped=of(bytes(data)))
    assert len([each for each in row.findings if each.clause == "PKT-05"]) == 1
    assert not row.is_well


def test_times_count_by_the_clock_of_the_port_and_no_byte_is_taken_for_one_of_the_file() -> None:
    row, _ = played(by_another_device)
    (finding,) = of_clause(row, "DEV-03")
    assert finding.at.time_ns is not None
    assert BEGAN_NS < finding.at.time_ns < BEGAN_NS + 100_000_000
    assert finding.at.byte is None


def test_of_a_sample_that_had_to_be_read_again_the_last_try_counts() -> None:
    came: list[int] = []

    def torn(message: bytes) -> Sequence[bytes]:
        if message[3] == PACKET:
            came.append(message[4])
        return [] if len(came) == 3 and message[3] == PACKET else [message]

    row, _ = played(torn)
    assert [each.verdict for each in row.findings] == [Verdict.RIG]
    assert row.is_well
