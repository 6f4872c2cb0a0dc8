"""Two faults in one dump: neither may keep the other from being seen.

Each capture is written from M1 pp. 35-39, with both faults at one packet where that is possible:
what struck first is over when the second one strikes, so each sending counts by itself.
"""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from dryload.harness.diagnose.diagnose import diagnose
from dryload.harness.files.recorded import TakenAt
from tests.judge.talking import (
    MS,
    Step,
    Tape,
    dump,
    end,
    every,
    flipped,
    header,
    packets,
    say,
    usual,
)

_ALTERED = "bytes altered on the way"
_REPLY_LOST = "answers lost on the way back"
_LATE = "answers late"
_TWICE = "packet twice in the dump"
_DOUBLED = "messages doubled on the way"
_LOST = "messages lost on the way"
_SPEED = "line speed off"
_SENSING = "sensing fell silent"
_SILENT = "unit fell silent"
_MISSING = "packets missing in the dump"
_REJECTED = "unit rejects good packets"


def named(tape: Tape) -> list[str]:
    """The first three causes of what was recorded on the line."""
    found = diagnose(replace(tape.recorded(), taken_at=TakenAt.LINE))
    return [each.name for each in found.causes[:3]]


def damaged_then(*more: Step) -> Step:
    """Send a packet damaged, have it rejected, and go on with it as told."""

    def step(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(flipped(packet)).back(say("NAK", place))
        for each in more:
            each(tape, place, packet)

    return step


def unanswered(tape: Tape, place: int, packet: bytes) -> None:
    """Send it and wait for an answer that never comes."""
    tape.to(packet)
    tape.now_ns += 500 * MS


def late(tape: Tape, place: int, packet: bytes) -> None:
    """Send it; the answer takes far longer than the 20 ms of M1 p. 39, and is waited for."""
    tape.to(packet).back(say("ACK", place), after_ms=260)


def doubled(tape: Tape, place: int, packet: bytes) -> None:
    """Have it arrive a second time at once; each is answered."""
    tape.to(packet).to(packet, after_ms=0)
    tape.back(say("ACK", place), after_ms=1).back(say("ACK", place), after_ms=41)


def lost(tape: Tape, place: int, packet: bytes) -> None:
    """Leave out a packet that was sent and never arrived, and the time that it took."""
    tape.now_ns += 60 * MS


@pytest.mark.parametrize(
    ("then", "second"),
    [
        ((unanswered, usual), _REPLY_LOST),
        ((unanswered, unanswered, usual), _REPLY_LOST),
        ((late,), _LATE),
        ((usual, usual), _TWICE),
        ((doubled,), _DOUBLED),
    ],
)
def test_what_strikes_a_packet_that_was_damaged_before(then: tuple[Step, ...], second: str) -> None:
    found = named(dump(steps={4: damaged_then(*then)}))
    assert _ALTERED in found
    assert second in found


def test_a_unit_that_falls_silent_after_it_rejected_a_packet() -> None:
    ways = {**every(nothing), **dict.fromkeys(range(3), usual), 3: damaged_then(*[unanswered] * 3)}
    tape = dump(steps=ways, tail=False)
    found = named(end(tape.to(say("CANCEL", 3), after_ms=500)))
    assert _ALTERED in found
    assert _SILENT in found


def rejected(tape: Tape, place: int, packet: bytes) -> None:
    """Have a right packet rejected twice, and taken then."""
    for answer in ("NAK", "NAK", "ACK"):
        tape.to(packet).back(say(answer, place))


def test_a_right_packet_is_rejected_after_a_gap_that_the_unit_passed_over() -> None:
    """A unit that cannot put packets in order goes on with the next one (M1 p. 39)."""
    found = named(dump(steps={3: nothing, 6: rejected}))
    assert {_MISSING, _REJECTED} <= set(found)


def nothing(tape: Tape, place: int, packet: bytes) -> None:
    """Leave it out as if there were none."""


def test_a_unit_that_wants_a_missing_packet_rejects_nothing_that_is_right() -> None:
    def wanted(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).back(say("NAK", 3))

    assert _REJECTED not in named(dump(steps={3: nothing, 4: wanted, 5: wanted, 6: wanted}))


def test_a_repeated_packet_that_is_lost() -> None:
    found = named(dump(steps={4: damaged_then(lost), 5: usual}))
    assert _ALTERED in found
    assert _LOST in found


def test_a_packet_rejected_and_passed_over_was_not_lost() -> None:
    assert _LOST not in named(dump(steps={4: damaged_then()}))


def test_a_packet_twice_where_every_answer_is_late() -> None:
    def twice(tape: Tape, place: int, packet: bytes) -> None:
        late(tape, place, packet)
        late(tape, place, packet)

    found = named(dump(steps={**every(late), 4: twice}))
    assert found[:2] == [_TWICE, _LATE]


def test_a_packet_sent_again_as_the_sender_was_tired_of_waiting_is_not_twice_in_the_dump() -> None:
    def again(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).back(say("ACK", place), after_ms=500)
        tape.to(packet, after_ms=1).back(say("ACK", place))

    assert _TWICE not in named(dump(steps={4: again}))


def too_fast(*silent: int) -> Tape:
    """A closed loop on a line that is four per cent fast: each message takes less than it seems to.

    A message is stamped when its last byte arrives; each packet is sent as soon as the answer is
    there, 39.0 ms before that, though 127 bytes take 40.64 ms on a line (M1 p. 1).
    """
    tape = Tape()
    tape.to(header(4)).back(say("ACK"), after_ms=0.2)
    for place, packet in enumerate(packets(4)):
        tape.now_ns -= int(1.63 * MS)
        for _ in range(2 if place in silent else 0):
            tape.to(packet, after_ms=0)
            tape.now_ns += 480 * MS
        tape.to(packet, after_ms=0).back(say("ACK", place), after_ms=0.2 + place / 10)
    return end(tape)


@pytest.mark.parametrize("silent", [(), (2,)])
def test_a_line_too_fast_where_answers_are_lost(silent: tuple[int, ...]) -> None:
    found = named(too_fast(*silent))
    assert found[0] == _SPEED
    assert (_REPLY_LOST in found) is bool(silent)


def test_sensing_that_falls_silent_before_the_last_packet() -> None:
    """A unit that knows active sensing gives up after 330 ms without it (M1 p. 32)."""
    tape = Tape()
    for _ in range(8):
        tape.to(bytes((0xFE,)), after_ms=250)
    tape.to(header(3)).back(say("ACK"))
    for place, packet in enumerate(packets(3)[:2]):
        usual(tape, place, packet)
    for _ in range(3):
        tape.to(packets(3)[2], after_ms=500)
    assert _SENSING in named(tape.to(say("CANCEL", 2), after_ms=500))
