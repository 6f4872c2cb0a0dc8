"""The judge takes no more steps for each message of a long capture than for each of a short one.

Calls of functions are counted, which is exact; `python -m tests.bench growth` measures times.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import FrameType

import pytest

from dryload.harness.files.recorded import Recorded
from dryload.harness.judge.conversation import compare
from dryload.harness.judge.dialogue.judge import judge_capture
from dryload.harness.judge.stream import judge_stream
from tests.bench import growth
from tests.judge.talking import TO, Tape, header, packets, say

TIMES = 4
MOST = 1.1  # of as many times the steps: what begins a capture costs a little


def steps(action: Callable[[], object]) -> int:
    """How many functions are called, those written in C included."""
    counted = 0

    def count(frame: FrameType, event: str, argument: object) -> None:
        nonlocal counted
        counted += event in ("call", "c_call")

    sys.setprofile(count)
    try:
        action()
    finally:
        sys.setprofile(None)
    return counted


def resent_out_of_order(times: int) -> Tape:
    """Packet 1 again and again, when packet 5 has been sent."""
    sent = packets(6)
    tape = Tape().to(header(6)).back(say("ACK"))
    for number, packet in enumerate(sent):
        tape.to(packet).back(say("ACK", number))
    for _ in range(times):
        tape.to(sent[1]).back(say("ACK", 1))
    return tape


def unanswered(times: int) -> Tape:
    """The last packet sent again and again, and nobody answers."""
    one, two = packets(2)
    tape = Tape().to(header(2)).back(say("ACK")).to(one).back(say("ACK"))
    for _ in range(times):
        tape.to(two, 30)
    return tape


def acknowledged(times: int) -> Tape:
    """One packet acknowledged again and again, and sent again each time."""
    one, two = packets(2)
    tape = Tape().to(header(2)).back(say("ACK")).to(one).back(say("ACK"))
    for _ in range(times):
        tape.to(two).back(say("ACK", 1))
    return tape


def broken_off(times: int) -> Tape:
    """CANCEL from the sender again and again, and EOF, in the middle of a dump."""
    tape = Tape().to(header(3)).back(say("ACK")).to(packets(1)[0])
    for _ in range(times):
        tape.to(say("CANCEL")).to(say("EOF")).back(say("NAK", 5))
    return tape


def waiting(times: int) -> Tape:
    """WAIT after each message, and something else from the unit in it."""
    tape = Tape().to(header(times)).back(say("ACK"))
    for number, packet in enumerate(packets(times)):
        tape.to(packet).back(say("WAIT", number)).back(b"\xf0\x7d\x01\xf7").back(say("ACK", number))
    return tape


TAPES: dict[str, Callable[[int], Tape]] = {
    "conversation": growth.conversation,
    "open loop": growth.silence,
    "rejected": growth.rejected,
    "damaged": growth.altered,
    "many dumps": lambda size: growth.small_talk(size // 5),
    "out of order": resent_out_of_order,
    "unanswered": unanswered,
    "acknowledged": acknowledged,
    "broken off": broken_off,
    "waiting": waiting,
}


@pytest.mark.parametrize("name", TAPES)
@pytest.mark.parametrize("one_way", [False, True])
def test_a_long_capture_takes_no_more_steps_a_message(name: str, one_way: bool) -> None:
    few, many = (
        steps(lambda made=made: judge_capture(made))  # type: ignore[misc]
        for made in (_recorded(name, size, one_way) for size in (150, 150 * TIMES))
    )
    assert many <= MOST * TIMES * few


def _recorded(name: str, size: int, one_way: bool) -> Recorded:
    tape = TAPES[name](size)
    return tape.recorded(TO) if one_way else tape.recorded()


@pytest.mark.parametrize("make", [growth.small_dumps, lambda size: growth.scraps(100 * size)])
def test_a_long_stream_takes_no_more_steps_a_byte(make: Callable[[int], bytes]) -> None:
    few, many = (
        steps(lambda data=data: list(judge_stream(data)))  # type: ignore[misc]
        for data in (make(30), make(30 * TIMES))
    )
    assert many <= MOST * TIMES * few


def test_two_long_captures_are_compared_in_steps_that_grow_alike() -> None:
    few, many = (
        steps(lambda tape=tape: compare(tape.recorded().capture, tape.recorded().capture))  # type: ignore[misc]
        for tape in (growth.conversation(60), growth.conversation(60 * TIMES))
    )
    assert many <= MOST * TIMES * few
