"""The worked timelines follow from message lengths and the waiting rules (M1 pp. 1, 39)."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tests import oracle
from tests.vectors import fields, timeline

V1_LENGTHS = {
    "header": len(oracle.header(sample_number=1, bits=16, period_ns=22676, length=41)),
    "packet": len(oracle.packet(number=0, data=b"")),
    "ACK": len(oracle.handshake(kind="ACK")),
}


@pytest.mark.parametrize("entries", [timeline.CLOSED_LOOP, timeline.OPEN_LOOP])
def test_each_message_lasts_its_bytes(entries: timeline.Timeline) -> None:
    for what, start_ns, end_ns in entries:
        assert end_ns - start_ns == V1_LENGTHS[what.split()[0]] * timeline.BYTE_NS


def test_closed_loop_pauses_are_the_receivers_and_the_sender_follows_at_once() -> None:
    entries = timeline.CLOSED_LOOP
    pauses = [after[1] - before[2] for before, after in pairwise(entries)]
    header, packet = timeline.CLOSED_HEADER_ANSWER_NS, timeline.CLOSED_PACKET_ANSWER_NS
    assert pauses == [header, 0, packet, 0, packet]


def test_open_loop_pauses_are_the_shortest_legal_ones() -> None:
    entries = timeline.OPEN_LOOP
    pauses = [after[1] - before[2] for before, after in pairwise(entries)]
    assert pauses == [timeline.HEADER_WAIT_NS, timeline.PACKET_WAIT_NS]
    assert entries[-1][2] + timeline.PACKET_WAIT_NS == timeline.OPEN_LOOP_OVER_NS


def test_an_answer_may_start_as_late_as_it_still_ends_in_time() -> None:
    answer_ns = V1_LENGTHS["ACK"] * timeline.BYTE_NS
    assert timeline.LATEST_ANSWER_START_NS + answer_ns == timeline.PACKET_WAIT_NS


@pytest.mark.parametrize(("words", "open_loop", "closed_loop"), timeline.WORDS_PER_SECOND)
def test_words_per_second(words: int, open_loop: float, closed_loop: float) -> None:
    packet_ns = 127 * timeline.BYTE_NS
    assert round(words * 1e9 / (packet_ns + timeline.PACKET_WAIT_NS), 1) == open_loop
    assert round(words * 1e9 / (packet_ns + 6 * timeline.BYTE_NS), 1) == closed_loop


def test_durations_of_messages_are_their_bytes() -> None:
    for length, duration_ns in fields.LENGTHS.values():
        assert duration_ns == length * timeline.BYTE_NS


def test_packet_at_the_tolerance_of_the_line() -> None:
    nominal_ms = 127 * timeline.BYTE_NS / 1e6
    found = (round(nominal_ms / 1.01, 2), round(nominal_ms / 0.99, 2))
    assert found == timeline.PACKET_MS_AT_TOLERANCE
