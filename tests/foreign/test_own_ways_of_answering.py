"""Gear that answers in ways of its own, on a line in virtual time: loaded, not blamed, not slowed.

Every gear here answers each message that reaches it, as M1 pp. 36-39 asks, and does the rest as
some units do (common practice): numbers of its own, each ACK twice, long thoughts.  The gear shares
nothing with the project; times are those of the line, to the nanosecond.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dryload.emulator.dump.capture import Capture, Passage
from dryload.emulator.line.simulate import SimulatedLine
from dryload.harness.diagnose.diagnose import diagnose
from dryload.harness.files.dumpfile import DumpFile, Form
from dryload.harness.files.recorded import Recorded, TakenAt
from dryload.harness.jobs.dumps import Dump, dumps_in, source_of
from dryload.harness.jobs.outcome import Outcome, Transfer
from dryload.harness.jobs.transfer import Replay, Settings
from dryload.harness.judge.finding import Answerable, Verdict
from tests.foreign import wire
from tests.foreign.endpoint import GearEndpoint
from tests.foreign.habits import Habits
from tests.foreign.unit import Gear, Held

PACKETS: Final = 100
WORDS: Final = wire.ramp(1021, 40 * PACKETS, 16)  # 40 words of 16 bits a packet (M1 p. 39)
HEAD: Final = wire.Head(sample=7, bits=16, period_ns=22_676, length=len(WORDS))
NUMBERS: Final = ("0", "packet+1", "packet-1", "127", "random")
UNLISTED: Final = ("packet+2", "packet-5", "counted", "64")
LOSSES: Final = {
    "nothing lost": {},
    **{
        f"{what} {name} lost": {habit: place}
        for what, habit in (("packet", "deaf_to"), ("ACK", "lose_ack"))
        for name, place in (("0", 0), ("50", 50), ("99", PACKETS - 1))
    },
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    transfer: Transfer
    gear: Gear
    passages: list[Passage]

    @property
    def total_ns(self) -> int:
        return self.transfer.times.total_ns

    @property
    def blame(self) -> list[str]:
        """What is held against the unit."""
        return [
            finding.message
            for finding in self.transfer.findings
            if finding.verdict in (Verdict.BROKEN, Verdict.BENT)
            and finding.answerable is Answerable.UNIT
        ]

    @property
    def noted(self) -> str:
        return "\n".join(finding.message for finding in self.transfer.findings)


@cache
def dump_of(packets: int) -> Dump:
    head = HEAD._replace(length=40 * packets)
    data = wire.header(head, 0) + b"".join(wire.packets(WORDS[: 40 * packets], 16, 0))
    (dump,) = dumps_in(DumpFile(name="gulls.syx", form=Form.RAW, data=data))
    return dump


def play(habits: dict[str, Any], packets: int = PACKETS) -> Played:
    gear = Gear(Habits(**habits))
    line = SimulatedLine(GearEndpoint(gear), listener=lambda _, events: replay.hear(events))
    replay = Replay(line, settings=Settings(operator_ns=None))
    transfer = replay.play(dump_of(packets))
    return Played(transfer=transfer, gear=gear, passages=line.capture.passages)


@cache
def with_right_numbers(loss: str, delay: float) -> int:
    return play({**LOSSES[loss], "header_delay": delay, "delay": delay}).total_ns


def check(played: Played, packets: int = PACKETS) -> None:
    """It has what was sent, that was seen, and no packet was put in the place of another."""
    transfer, gear = played.transfer, played.gear
    sent = Held(HEAD._replace(length=40 * packets), WORDS[: 40 * packets])
    assert gear.held == {7: sent}
    assert gear.saw["jumps"] == 0
    assert (transfer.outcome, transfer.verified) == (Outcome.LOADED, True)
    assert played.blame == []


@pytest.mark.parametrize("delay", [0.002, 0.9, 1.2, 1.9])
@pytest.mark.parametrize("loss", LOSSES)
@pytest.mark.parametrize("numbers", [*NUMBERS, *UNLISTED])
def test_whatever_the_numbers_in_its_acks(numbers: str, loss: str, delay: float) -> None:
    played = play(
        {**LOSSES[loss], "ack_number": numbers, "header_delay": delay, "delay": delay},
    )
    check(played)
    assert played.total_ns <= with_right_numbers(loss, delay) * 1.05
    assert "matched by" in played.noted


@pytest.mark.parametrize("delay", [0.002, 0.9, 1.2, 1.9])
@pytest.mark.parametrize("loss", LOSSES)
def test_each_ack_twice(loss: str, delay: float) -> None:
    played = play({**LOSSES[loss], "ack_times": 2, "header_delay": delay, "delay": delay})
    check(played)
    assert played.total_ns <= with_right_numbers(loss, delay) * 1.05
    assert "says every ACK twice" in played.noted


@pytest.mark.parametrize("numbers", ["packet", *NUMBERS, *UNLISTED])
@pytest.mark.parametrize("times", [1, 2])
def test_the_acks_of_the_header_are_lost(numbers: str, times: int) -> None:
    # Taken for an open-loop unit at first; from the second answer on it is known to answer.
    lost = {"lose_header_ack": True, "deaf_to": 50}
    check(play({**lost, "ack_number": numbers, "ack_times": times, "delay": 0.002}))


@pytest.mark.parametrize("loss", LOSSES)
@pytest.mark.parametrize("numbers", NUMBERS)
def test_each_ack_twice_with_numbers_of_its_own(numbers: str, loss: str) -> None:
    check(play({**LOSSES[loss], "ack_times": 2, "ack_number": numbers}))


@pytest.mark.parametrize("delay", [0.9, 1.2, 1.9])
@pytest.mark.parametrize("loss", LOSSES)
def test_quick_with_the_header_and_slow_with_packets(loss: str, delay: float) -> None:
    check(play({**LOSSES[loss], "delay": delay}))


@pytest.mark.parametrize("loss", LOSSES)
@pytest.mark.parametrize("numbers", ["packet", *NUMBERS])
def test_wait_before_each_ack(numbers: str, loss: str) -> None:
    check(play({**LOSSES[loss], "ack_number": numbers, "wait_each": 0.03}))


@pytest.mark.parametrize("numbers", ["packet", *NUMBERS])
def test_rejections_with_a_number_that_says_nothing(numbers: str) -> None:
    check(play({"ack_number": numbers, "nak_every": 10, "nak_number": 0}))


@pytest.mark.parametrize("loss", LOSSES)
def test_an_answer_to_every_other_packet_only(loss: str) -> None:
    check(play({**LOSSES[loss], "ack_every": 2}))


def test_an_answer_that_takes_long_is_noted_with_its_time() -> None:
    played = play({"header_delay": 0.9, "delay": 0.9}, packets=10)
    assert "10 packets, the first is packet 0, were answered later than 20 ms" in played.noted
    assert "at most 0.90 s" in played.noted


def test_a_unit_that_falls_silent_is_given_up_after_eight_tries_whatever_its_numbers() -> None:
    for numbers in ("packet", *NUMBERS):
        played = play({"ack_number": numbers, "falls_silent_at": 40})
        assert played.transfer.outcome is Outcome.INCOMPLETE
        assert played.transfer.resent == 7


def cause_of(played: Played, late_ns: int = 0) -> str | None:
    """Return the first cause that a diagnosis of what passed at the host gives."""
    recorded = Recorded(
        capture=Capture(played.passages), start_ns=1, late_ns=late_ns, taken_at=TakenAt.HOST
    )
    first = diagnose(recorded, [source_of(played.transfer.dump)]).first
    return None if first is None else first.cause.name


def test_answers_that_were_waited_for_are_not_why_a_unit_fell_silent() -> None:
    slow = {"header_delay": 0.9, "delay": 0.9}
    assert cause_of(play(slow, packets=30)) == "answers late"
    assert cause_of(play({**slow, "falls_silent_at": 20}, packets=30)) != "answers late"


def test_answers_are_not_called_late_by_a_computer_that_was_late_itself() -> None:
    played = play({"delay": 0.06}, packets=30)
    assert cause_of(played) == "answers late"
    assert cause_of(played, late_ns=50_000_000) is None


def test_a_unit_that_always_says_0_is_not_called_late() -> None:
    assert cause_of(play({"ack_number": "0"}, packets=30)) is None


ways = st.fixed_dictionaries(
    {
        "ack_number": st.sampled_from(["packet", *NUMBERS, *UNLISTED]),
        "header_delay": st.sampled_from([0.0, 0.002, 0.01, 0.3, 0.9, 1.9]),
        "delay": st.sampled_from([0.0, 0.002, 0.015, 0.03, 0.1, 0.45, 0.6, 0.9, 1.2, 1.9]),
    },
    optional={
        "deaf_to": st.integers(0, 29),
        "lose_ack": st.integers(0, 29),
        "nak_every": st.just(7),
        "nak_number": st.just(0),
        "ack_every": st.just(2),
    },
)
manners = st.sampled_from(
    [{}, {"wait_each": 0.05}, {"ack_times": 2}, {"ack_times": 2, "ack_gap": 0.01}]
)


@settings(max_examples=150, deadline=None)
@given(ways, manners)
def test_any_of_these_ways_together(way: dict[str, Any], manner: dict[str, Any]) -> None:
    played = play({**way, **manner}, packets=30)
    assert played.gear.saw["jumps"] == 0
    assert played.transfer.outcome is Outcome.LOADED
    assert played.transfer.verified
