"""What is learnt of a unit: the rule of its numbers, its times, whether it says things twice."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.dump.habits import AnswerTimes, Numbering, SecondAnswers

MS = 1_000_000
PACKET_NS = 20 * MS  # M1 p. 39


def told(numbers: list[int], first: int = 0) -> Numbering:
    """Answers with these numbers, to packets that follow one another."""
    numbering = Numbering()
    for packet, number in enumerate(numbers, start=first):
        numbering.last = number % 128
        numbering.learn(packet % 128)
    return numbering


@given(st.integers(0, 300))
def test_the_packets_own_number_is_believed_at_once(first: int) -> None:
    numbering = told([first], first)
    assert numbering.knows
    assert not numbering.is_free
    assert numbering.habit == ""


@given(ahead=st.integers(1, 127), first=st.integers(0, 300))
def test_any_other_distance_is_believed_after_three_answers_in_a_row(
    ahead: int, first: int
) -> None:
    numbers = [first + at + ahead for at in range(3)]
    assert not told(numbers[:2], first).knows
    numbering = told(numbers, first)
    assert numbering.knows
    assert numbering.of(5) == (5 + ahead) % 128
    sign = ahead if ahead < 64 else ahead - 128
    assert numbering.habit == f"numbers its ACKs by {sign:+d}"


def test_numbers_that_say_nothing_are_told_as_that() -> None:
    assert told([127] * 5).habit == "numbers its ACKs always 127"
    assert told([9, 4, 77, 31, 2]).habit == "numbers its ACKs freely"
    assert not told([9, 4, 77, 31, 2]).knows


@pytest.mark.parametrize("taken_ms", [1, 20, 200])
def test_twice_what_a_packet_took_is_nothing_unusual_and_more_is(taken_ms: int) -> None:
    times = AnswerTimes(PACKET_NS)
    times.learn(taken_ms * MS)
    usual_ns = max(2 * taken_ms * MS, PACKET_NS)
    assert times.may_be(usual_ns)
    assert not times.may_be(usual_ns + 1)


def test_until_a_packet_was_answered_the_time_of_the_header_is_the_measure() -> None:
    times = AnswerTimes(PACKET_NS)
    times.learn_header(900 * MS)
    assert times.may_be(910 * MS)
    assert times.may_be(PACKET_NS)
    assert not times.may_be(450 * MS)


@pytest.mark.parametrize(("taken_ms", "is_quick"), [(0, True), (1, True), (2, False), (9, False)])
def test_a_header_that_is_answered_sooner_than_a_line_can_shows_a_quick_port(
    taken_ms: int, is_quick: bool
) -> None:
    times = AnswerTimes(PACKET_NS)
    times.learn_header(taken_ms * MS)  # six bytes take 1.92 ms of a line (M1 p. 1)
    assert times.is_quick is is_quick


def test_one_more_answer_is_expected_after_two_messages_that_were_answered_twice() -> None:
    twice = SecondAnswers()
    assert not twice.learn(came_early=True)
    twice.one_came = True
    assert twice.learn(came_early=False)
    assert twice.habit(4) == "says its ACKs twice"
    assert twice.habit(5) == ""
    assert not twice.learn(came_early=False)  # this one was answered once
