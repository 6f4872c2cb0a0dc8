"""Causes in the unit while a dump runs: for each a capture that proves it and a near miss.

What CANCEL, NAK and WAIT ask for, and when an answer is due, is from M1 pp. 35-39; the extended
header from CA-019.  That full memory ends a dump always at the same packet, and that some units do
not answer the last one, is common practice.
"""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from dryload.harness.diagnose.cause import Strength
from dryload.harness.diagnose.diagnose import CaptureDiagnosis, diagnose
from dryload.harness.files.recorded import Recorded, TakenAt
from tests import oracle
from tests.judge.talking import PERIOD, Step, Tape, dump, end, flipped, header, packets, say

_REFUSED, _ENDED = "unit refuses the sample", "unit ended the dump"
_WAITS, _REJECTS = "unit waits for somebody", "unit rejects good packets"
_SILENT, _TAKES = "unit fell silent", "unit takes damaged packets"
_EXTENDED, _FINAL = "extended header not known", "final answer missing"
_MINE = {_REFUSED, _ENDED, _WAITS, _REJECTS, _SILENT, _TAKES, _EXTENDED, _FINAL}


def told(tape: Tape, taken_at: TakenAt = TakenAt.LINE) -> CaptureDiagnosis:
    """The diagnosis of a tape taken at a place."""
    recorded: Recorded = replace(tape.recorded(), taken_at=taken_at)
    return diagnose(recorded)


def first(tape: Tape, taken_at: TakenAt = TakenAt.LINE) -> tuple[str, int | None]:
    """The cause named first, and its packet."""
    found = told(tape, taken_at).first
    assert found is not None, "nothing was named"
    return found.name, None if found.at is None else found.at.packet


def named(tape: Tape, taken_at: TakenAt = TakenAt.LINE) -> dict[str, Strength]:
    """Whatever of the unit's causes is named, remarks included, and how strongly.

    What only follows from another cause is left out.
    """
    found = told(tape, taken_at)
    named = (*(each for each in found.causes if not each.follows), *found.remarks)
    return {each.name: each.strength for each in named if each.name in _MINE}


def until(place: int, count: int = 8, tape: Tape | None = None) -> Tape:
    """Header and packets before one, all of them acknowledged."""
    tape = Tape() if tape is None else tape
    tape.to(header(count)).back(say("ACK"))
    for at, packet in enumerate(packets(count)[:place]):
        tape.to(packet).back(say("ACK", at))
    return tape


def answered(*said: tuple[str, int]) -> Step:
    """Send it and have it answered so."""

    def step(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet)
        for kind, number in said:
            tape.back(say(kind, number))

    return step


def unanswered(tape: Tape, place: int, packet: bytes) -> None:
    """Send it, and leave the 20 ms of an open loop (M1 p. 39) behind it."""
    tape.to(packet).now_ns += 20_500_000


def again(*kinds: str) -> Step:
    """Send it as often as there are answers, and have each answered so."""

    def step(tape: Tape, place: int, packet: bytes) -> None:
        for kind in kinds:
            tape.to(packet).back(say(kind, place))

    return step


@pytest.mark.parametrize("taken_at", list(TakenAt))
def test_a_dump_as_it_should_be_names_nothing(taken_at: TakenAt) -> None:
    assert not named(dump(), taken_at)


# CANCEL.


def test_a_refused_header() -> None:
    assert first(end(Tape().to(header(8)).back(say("CANCEL")))) == (_REFUSED, None)


def test_a_damaged_header_is_refused_by_right() -> None:
    spoiled = header(8)[:-3] + b"\xf7"
    assert _REFUSED not in named(end(Tape().to(spoiled).back(say("CANCEL"))))


def test_a_header_with_its_bytes_reversed_is_refused_for_that() -> None:
    turned = bytearray(header(8))
    turned[7:10] = turned[7:10][::-1]
    tape = end(Tape().to(bytes(turned)).back(say("CANCEL")))
    assert _REFUSED not in named(tape)
    assert first(tape)[0] == "header fields high byte first"


def test_one_cancel_in_the_middle_is_memory_or_a_hand() -> None:
    found = named(end(until(3).to(packets(8)[3]).back(say("CANCEL", 3))))
    assert found[_ENDED] is found[_ENDED] is Strength.FAIR


def test_another_packet_the_second_time_is_no_memory() -> None:
    tape = until(3).to(packets(8)[3]).back(say("CANCEL", 3))
    tape.now_ns += 3_000_000_000
    until(6, tape=tape).to(packets(8)[6]).back(say("CANCEL", 6))
    assert first(end(tape)) == (_ENDED, 3)


@pytest.mark.parametrize("at", [3, 4])
def test_a_cancel_after_a_missing_packet_is_for_that(at: int) -> None:
    tape = until(3)
    tape.to(packets(8)[at + 1]).back(say("CANCEL", at + 1))
    assert not {_ENDED} & named(end(tape)).keys()


def test_a_cancel_to_a_damaged_packet_is_for_that() -> None:
    tape = until(3).to(flipped(packets(8)[3])).back(say("CANCEL", 3))
    assert not {_ENDED} & named(end(tape)).keys()


def test_a_cancel_after_several_noes_is_for_those() -> None:
    tape = until(3)
    again("NAK", "NAK", "CANCEL")(tape, 3, packets(8)[3])
    assert not {_ENDED} & named(end(tape)).keys()


# WAIT.


def test_a_wait_and_nothing_after_it() -> None:
    tape = until(3).to(packets(8)[3]).back(say("WAIT", 3))
    assert first(end(tape)) == (_WAITS, 3)


def test_how_long_nothing_came_after_a_wait_is_said_only_where_it_is_long() -> None:
    def said(tape: Tape) -> str:
        found = told(tape)
        (wait,) = [e for e in (*found.causes, *found.remarks) if e.name == _WAITS]
        return wait.evidence[0].text

    waiting = until(3).to(packets(8)[3]).back(say("WAIT", 3))
    assert said(waiting.to(say("CANCEL", 3))).endswith(
        "and then gave no answer before the dump was stopped."
    )
    assert said(end(until(3).to(packets(8)[3]).back(say("WAIT", 3)))).endswith(
        "gave no answer for 3.00 s."
    )


def test_a_wait_that_ends() -> None:
    def slow(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(packet).back(say("WAIT", place)).back(say("ACK", place), after_ms=60_000)

    assert not named(dump(steps={3: slow}))


def test_a_recording_that_stops_during_a_wait_shows_nothing() -> None:
    assert _WAITS not in named(until(3).to(packets(8)[3]).back(say("WAIT", 3)))


def test_where_wait_always_comes_first_the_answer_is_missing() -> None:
    tape = Tape().to(header(8)).back(say("ACK"))
    for place, packet in enumerate(packets(8)[:4]):
        said = [("WAIT", place), ("ACK", place)][: 1 if place == 3 else 2]
        answered(*said)(tape, place, packet)
    assert first(end(tape)) == ("answers lost on the way back", 3)


# NAK.


def test_several_sound_packets_rejected() -> None:
    steps = {place: again("NAK", "ACK") for place in (1, 3, 4)}
    assert first(dump(steps=steps)) == (_REJECTS, 1)


def test_what_came_damaged_is_rejected_by_right() -> None:
    def mended(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(flipped(packet)).back(say("NAK", place))
        tape.to(packet).back(say("ACK", place))

    assert not {_REJECTS, _REJECTS} & named(dump(steps={1: mended, 3: mended})).keys()


def test_one_sound_packet_rejected_each_time() -> None:
    tape = until(3)
    again("NAK", "NAK", "NAK")(tape, 3, packets(8)[3])
    assert first(end(tape.to(say("CANCEL", 3)))) == (_REJECTS, 3)


def test_where_the_way_there_is_not_seen_little_speaks_for_the_unit() -> None:
    tape = until(3)
    again("NAK", "NAK", "NAK")(tape, 3, packets(8)[3])
    found = named(end(tape.to(say("CANCEL", 3))), TakenAt.HOST)
    assert {found[_REJECTS], found[_REJECTS]} == {Strength.WEAK}


def test_what_comes_after_a_missing_packet_is_rejected_by_right() -> None:
    tape = until(3)
    for _ in range(3):
        tape.to(packets(8)[4]).back(say("NAK", 4))
    assert not {_REJECTS, _REJECTS} & named(end(tape.to(say("CANCEL", 4)))).keys()


def test_a_header_that_is_only_ever_rejected() -> None:
    tape = Tape()
    for _ in range(3):
        tape.to(header(8)).back(say("NAK"))
    assert first(end(tape.to(say("CANCEL")))) == (_REJECTS, None)


# ACK to what is damaged.


def test_a_damaged_packet_that_is_taken() -> None:
    def taken(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(flipped(packet)).back(say("ACK", place))

    assert named(dump(steps={3: taken}))[_TAKES] is Strength.STRONG


def test_a_damaged_packet_that_is_taken_when_it_came_right() -> None:
    def mended(tape: Tape, place: int, packet: bytes) -> None:
        tape.to(flipped(packet)).back(say("NAK", place))
        tape.to(packet).back(say("ACK", place))

    assert _TAKES not in named(dump(steps={3: mended}))


# Silence.


def test_answers_that_cease() -> None:
    found = named(dump(steps=dict.fromkeys(range(4, 8), unanswered)))
    assert found[_SILENT] is Strength.STRONG  # as it says later who it is, the way back is right


def test_the_last_answer_alone_is_left_out_by_some() -> None:
    found = told(dump(steps={7: unanswered}))
    assert not found.causes
    assert {each.name for each in found.remarks} == {_FINAL}


def test_a_unit_that_answers_no_request_behind_its_last_silence_need_not_be_gone() -> None:
    tape = dump(steps={7: unanswered}, tail=False)
    tape.to(oracle.dump_request(sample_number=1), after_ms=100).now_ns += 3_000_000_000
    tape.to(oracle.identity_request())
    assert _SILENT not in named(tape)


def test_a_last_answer_that_came_is_not_missing() -> None:
    assert _FINAL not in named(dump())


def test_answers_that_cease_behind_a_damaged_packet() -> None:
    def damaged(tape: Tape, place: int, packet: bytes) -> None:
        unanswered(tape, place, packet[:60] + b"\xf7")

    assert _SILENT not in named(dump(steps=dict.fromkeys(range(4, 8), damaged)))


def test_one_packet_is_rejected_while_others_get_no_answer() -> None:
    steps = dict.fromkeys((1, 2), unanswered)
    assert _REJECTS in named(dump(steps={**steps, 4: again("NAK", "NAK")}))


def test_answers_lost_here_and_there_are_no_rejection() -> None:
    assert _REJECTS not in named(dump(steps=dict.fromkeys((2, 4, 5), unanswered)))


# The extended header.


def extended(count: int = 4) -> bytes:
    """An extended header for as many packets (CA-019 p. 2)."""
    return oracle.extended_header(
        sample_number=1, bits=16, rate_integer=10**9 // PERIOD, length=40 * count, channels=1
    )


def to_nobody(tape: Tape, head: bytes, count: int = 4) -> Tape:
    """A whole dump in the open loop, without an answer (M1 p. 39)."""
    tape.to(head).now_ns += 2_000_000_000
    for place, packet in enumerate(packets(count)):
        unanswered(tape, place, packet)
    return tape


def test_an_extended_header_that_is_passed_over() -> None:
    tape = to_nobody(Tape(), extended())
    tape.now_ns += 3_000_000_000
    assert first(end(until(4, 4, tape)))[0] == _EXTENDED


def test_a_standard_header_that_is_passed_over_first() -> None:
    tape = to_nobody(Tape(), header(4))
    tape.now_ns += 3_000_000_000
    assert _EXTENDED not in named(end(until(4, 4, tape)))


# Going on after a jump.


def after_a_jump(kind: str) -> Tape:
    """Packet 3 never comes; what does the unit say to packet 4?"""
    tape = until(3)
    for place in range(4, 8 if kind == "ACK" else 5):
        tape.to(packets(8)[place]).back(say(kind, place))
    return end(tape)


def test_a_unit_that_goes_deaf_is_known_without_times() -> None:
    """Without times nothing shows that a packet came again before it could be answered."""
    tape = Tape().to(header(6)).back(say("ACK")).to(packets(6)[0]).back(say("ACK", 0))
    for _ in range(4):
        tape.to(packets(6)[1], after_ms=500)
    untimed = replace(tape.recorded(is_timed=False), taken_at=TakenAt.LINE)
    assert _SILENT in {each.name for each in diagnose(untimed).causes}
