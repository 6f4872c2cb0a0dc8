"""The requester: asks for loops and name, is stopped, and meets anything at all (M1 pp. 37-39)."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.requester_table import RequesterState
from dryload.emulator.wire.messages import ExtendedLoopPointsRequest, Message
from tests import oracle
from tests.dump.asking import (
    A_LOOP,
    A_NAME,
    ID,
    LONG_LOOP,
    LOOPS,
    NAME,
    PACKETS,
    asked,
    dumped,
    everything,
    header,
    make,
)
from tests.dump.bench import spoilt
from tests.dump.talk import FAR_NS, at_instants, kinds, reply

DONE = EventKind.DONE
GAVE_UP = EventKind.GAVE_UP


# Loops and name.


def test_after_the_dump_it_asks_one_question_after_another() -> None:  # LOP-05
    requester = dumped(LOOPS, NAME)
    assert not requester.is_over
    assert everything(requester) == [
        reply("ACK", 0, ID),
        reply("ACK", 0, ID),
        reply("ACK", 1, ID),
        oracle.loop_points_request(device_id=ID, sample_number=300, loop_number=16_383),
    ]
    requester.message_left(1000)
    assert requester.next_deadline_ns() == 1050

    # One message a loop; each starts the patience anew.
    assert requester.receive_bytes(A_LOOP, 1040) == ()
    assert requester.next_deadline_ns() == 1090
    requester.receive_bytes(LONG_LOOP, 1080)
    assert requester.next_deadline_ns() == 1130
    assert requester.handle_deadline(1129) == ()
    assert requester.handle_deadline(1130) == ()
    assert everything(requester) == [
        oracle.sample_name_request(device_id=ID, sample_number=300),
    ]
    assert requester.next_deadline_ns() is None
    requester.message_left(2000)
    requester.receive_bytes(A_NAME, 2020)
    assert requester.next_deadline_ns() == 2070

    assert at_instants(requester.handle_deadline(2070)) == [(DONE, 2070, 2)]
    assert requester.state is RequesterState.DONE
    assert [type(message).__name__ for message in requester.more] == [
        "LoopPoints",
        "ExtendedLoopPoints",
        "SampleName",
    ]


def test_patience_for_a_question_counts_from_its_own_end() -> None:
    requester = dumped(LOOPS)
    for _ in range(3):
        assert requester.bytes_to_send() in (reply("ACK", 0, ID), reply("ACK", 1, ID))
        requester.message_left(1000)
        assert requester.next_deadline_ns() is None  # the question has not left yet
    assert requester.bytes_to_send()
    requester.message_left(5000)
    assert requester.next_deadline_ns() == 5050


def test_no_answer_to_a_question_leads_to_the_next() -> None:
    requester = dumped(LOOPS, NAME)
    everything(requester)
    requester.message_left(1000)
    requester.handle_deadline(1050)
    everything(requester)
    requester.message_left(2000)

    assert kinds(requester.handle_deadline(2050)) == [DONE]
    assert requester.more == []


@pytest.mark.parametrize(
    "body", [header(), PACKETS[0], reply("WAIT", 0, ID), reply("CANCEL", 0, ID), PACKETS[0][:20]]
)
def test_while_it_asks_for_more_a_dump_is_none_of_its_business(body: bytes) -> None:
    requester = dumped(LOOPS)
    everything(requester)
    requester.message_left(1000)

    assert requester.receive_bytes(body, 1010) == ()
    assert requester.state is RequesterState.ASKED_MORE
    assert requester.next_deadline_ns() == 1050
    assert everything(requester) == []
    assert len(requester.collected.packets) == 2


def test_extended_loops_may_be_asked_for_too() -> None:
    wanted = ExtendedLoopPointsRequest(device_id=ID, sample_number=300, loop_number=2)
    requester = dumped(wanted)

    assert everything(requester)[-1] == oracle.loop_points_request(
        device_id=ID, sample_number=300, loop_number=2, extended=True
    )


# Stop.


def test_stop_before_the_start() -> None:
    requester = make()
    requester.stop(5)

    assert at_instants(requester.handle_deadline(5)) == [(GAVE_UP, 5, 0)]
    assert everything(requester) == []
    assert requester.is_over


def test_stop_tells_the_unit() -> None:  # HSK-19
    waiting, receiving = asked(), asked()
    receiving.receive_bytes(header(), 300)
    everything(receiving)
    for requester in (waiting, receiving):
        requester.stop(400)
        assert kinds(requester.handle_deadline(400)) == [GAVE_UP]
        assert everything(requester) == [reply("CANCEL", 0, ID)]
        assert requester.state is RequesterState.FAILED
        # What still comes is not taken any more.
        assert requester.receive_bytes(header() + PACKETS[0], 500) == ()
        assert everything(requester) == []


def test_stop_while_it_asks_for_more_keeps_the_dump() -> None:
    requester = dumped(LOOPS)
    everything(requester)
    requester.stop(600)

    assert kinds(requester.handle_deadline(600)) == [DONE]
    assert requester.collected.whole
    assert everything(requester) == []
    requester.stop(700)
    assert requester.handle_deadline(FAR_NS) == ()
    assert requester.state is RequesterState.DONE


@pytest.mark.parametrize("over", ["done", "failed", "idle"])
def test_outside_its_time_nothing_moves_it(over: str) -> None:
    requester = dumped() if over == "done" else make()
    if over == "failed":
        requester.stop(0)
    requester.handle_deadline(0)
    everything(requester)
    before = requester.state
    for body in (
        header(),
        PACKETS[0],
        A_LOOP,
        A_NAME,
        *(reply(k, 0, ID) for k in oracle.HANDSHAKES),
    ):
        assert requester.receive_bytes(body, 900) == ()
    assert requester.state is before
    assert everything(requester) == []


# Anything at all.

bodies = st.sampled_from(
    [
        *(header(), header(0), header(bits=40), *PACKETS, spoilt(PACKETS[0])),
        *(PACKETS[0][:60], PACKETS[0][:60] + b"\xf7", A_LOOP, A_NAME, LONG_LOOP),
        *(reply(kind, 0, ID) for kind in oracle.HANDSHAKES),
        bytes.fromhex("F0 7E 05 02 F7"),
    ]
)


@settings(max_examples=300, deadline=None)
@given(
    st.lists(st.sampled_from([LOOPS, NAME]), max_size=2), st.lists(bodies | st.none(), max_size=30)
)
def test_whatever_happens_nothing_is_unexpected_and_it_ends(
    questions: list[Message], walk: list[bytes | None]
) -> None:
    requester = asked(*questions)
    for now_ns, body in enumerate(walk, start=200):
        if body is not None:
            events = requester.receive_bytes(body, now_ns)
        else:
            while requester.bytes_to_send():
                requester.message_left(now_ns)
            events = requester.handle_deadline(requester.next_deadline_ns() or now_ns)
        assert EventKind.UNEXPECTED not in kinds(events)
        assert requester.collected.whole or requester.state is not RequesterState.DONE
    # Left alone it comes to an end: whatever it waits for has a limit, but for WAIT (HSK-09).
    for _ in range(6):
        while requester.bytes_to_send():
            requester.message_left(10**6)
        if (due_ns := requester.next_deadline_ns()) is not None:
            requester.handle_deadline(due_ns)
    assert requester.is_over or reply("WAIT", 0, ID) in walk
