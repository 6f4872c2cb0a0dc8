"""The receiver: outside a dump, headers in a dump, silence, and anything at all (M1 p. 39)."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.receiver import Pace, Receiver
from dryload.emulator.dump.receiver_table import ReceiverState
from dryload.emulator.dump.storage import Accept, Hold, Ignore, Refuse
from dryload.emulator.dump.switches import ReceiverSwitches
from dryload.emulator.wire.codec import decode
from tests import oracle
from tests.dump.bench import ID, PACKETS, Bench, Shelf, header, said, spoilt
from tests.dump.talk import FAR_NS, at_instants, kinds, reply

OPENED = EventKind.OPENED
REFUSED = EventKind.REFUSED
ABANDONED = EventKind.ABANDONED
CANCELLED = EventKind.CANCELLED


# Outside a dump.


@pytest.mark.parametrize(
    "body",
    [
        PACKETS[0],
        spoilt(PACKETS[0]),
        PACKETS[0][:50] + b"\xf7",
        reply("CANCEL", 0, ID),
        reply("EOF", 0, ID),
        reply("ACK", 0, ID),
        reply("NAK", 0, ID),
        reply("WAIT", 0, ID),
        oracle.dump_request(device_id=ID, sample_number=1),
        header()[:-2] + b"\xf7",
        b"\xf0\x7e\x05\x09\xf7",
        b"\xf0\x7d\xf7",
    ],
)
def test_outside_a_dump_nothing_touches_the_storage(body: bytes) -> None:  # STA-01
    for bench in (Bench(), Bench(decision=Hold("confirm first"))):
        if isinstance(bench.shelf.decision, Hold):
            bench.hear(header())
        begun = len(bench.shelf.headers)
        assert bench.hear(body) == []
        assert len(bench.shelf.headers) == begun
        assert (bench.shelf.numbers, bench.shelf.ends) == ([], [])


@pytest.mark.parametrize("kind", ["ACK", "NAK", "WAIT", "EOF"])
def test_other_handshakes_in_a_dump_change_nothing(kind: str) -> None:  # HSK-18
    bench = Bench().opened()
    bench.hear(PACKETS[0])

    assert bench.tell(reply(kind, 0, ID)) == []
    assert bench.answers() == []
    assert bench.hear(PACKETS[1]) == ["ACK 1"]


def test_cancel_from_the_sender_ends_the_dump() -> None:  # HSK-11, HSK-19
    bench = Bench().opened()
    bench.hear(PACKETS[0])

    assert bench.tell(reply("CANCEL", 0, ID)) == [CANCELLED, ABANDONED]
    assert bench.answers() == []
    assert bench.shelf.ends == ["abandoned"]
    assert bench.receiver.next_deadline_ns() is None


# A header in the middle of a dump (STA-03).


def test_a_header_in_a_dump_begins_anew() -> None:
    bench = Bench().opened()
    bench.hear(PACKETS[0])

    assert bench.tell(header(80)) == [ABANDONED, OPENED]
    assert [said(answer) for answer in bench.answers()] == ["ACK 0"]
    assert bench.shelf.ends == ["abandoned"]
    assert bench.hear(PACKETS[0]) == ["ACK 0"]
    assert bench.receiver.stored == 1


def test_a_header_in_a_dump_may_be_refused() -> None:
    bench = Bench().opened()
    bench.shelf.decision = Refuse("no")

    assert bench.tell(header(80)) == [ABANDONED, REFUSED]
    assert [said(answer) for answer in bench.answers()] == ["CANCEL 0"]


def test_a_header_in_a_dump_may_be_ignored() -> None:
    bench = Bench(header_in_dump="ignore").opened()
    bench.hear(PACKETS[0])

    assert bench.tell(header(80)) == []
    assert bench.answers() == []
    assert len(bench.shelf.headers) == 1
    assert bench.hear(PACKETS[1]) == ["ACK 1"]


def test_a_header_in_a_dump_may_cancel_it() -> None:
    bench = Bench(header_in_dump="cancel").opened()
    bench.hear(PACKETS[0])

    assert bench.tell(header(80)) == [ABANDONED]
    assert [said(answer) for answer in bench.answers()] == ["CANCEL 0"]
    assert len(bench.shelf.headers) == 1
    assert bench.state is ReceiverState.IDLE


# The idle limit.


def test_a_dump_that_falls_silent_is_given_up() -> None:
    bench = Bench(idle_limit_ns=500).opened(now_ns=100)
    # The sender may take 2 s for silence before it sends packet 0 (TIM-01).
    assert bench.receiver.next_deadline_ns() == 100 + 2_000_000_000 + 500
    bench.tell(PACKETS[0], 1_000_000)
    assert bench.receiver.next_deadline_ns() == 1_000_500

    bench.receiver.act_on_deadline(1_000_499)
    assert bench.state is ReceiverState.RECEIVING
    bench.receiver.act_on_deadline(1_000_500)

    assert at_instants(bench.receiver.take_events()) == [(ABANDONED, 1_000_500, 1)]
    assert bench.shelf.ends == ["abandoned"]
    assert bench.receiver.next_deadline_ns() is None


def test_idle_time_begins_when_the_work_is_done() -> None:
    bench = Bench(idle_limit_ns=500, pace=Pace(packet_ns=3000)).opened(now_ns=0)
    bench.tell(PACKETS[0], 1000)
    assert bench.receiver.next_deadline_ns() == 4000  # its answer
    bench.receiver.act_on_deadline(4000)
    assert bench.receiver.next_deadline_ns() == 4500


def test_fragments_and_rejected_packets_keep_a_dump_alive() -> None:
    bench = Bench(idle_limit_ns=500).opened(now_ns=0)
    bench.tell(PACKETS[0], 1000)
    bench.tell(spoilt(PACKETS[1]), 1400)
    assert bench.receiver.next_deadline_ns() == 1900
    bench.receiver.take_fragment(PACKETS[1][:50], 1800)
    assert bench.receiver.next_deadline_ns() == 2300


def test_limit_0_waits_for_ever() -> None:
    bench = Bench(idle_limit_ns=0).opened(now_ns=100)
    bench.tell(PACKETS[0], 1_000_000)
    assert bench.receiver.next_deadline_ns() is None
    bench.receiver.act_on_deadline(FAR_NS)
    assert bench.state is ReceiverState.RECEIVING


# Anything at all.

habits = st.builds(
    ReceiverSwitches,
    number_jump=st.sampled_from(["store", "nak", "cancel", "ignore"]),
    repeated_packet=st.sampled_from(["acknowledge", "store"]),
    bad_form=st.sampled_from(["nak", "ignore"]),
    bad_checksum=st.sampled_from(["nak", "store"]),
    header_in_dump=st.sampled_from(["restart", "ignore", "cancel"]),
    header_ack_number=st.sampled_from(["zero", "127", "last", "varying"]),
    packet_ack_number=st.sampled_from(["packet", "next", "zero"]),
    reply_id=st.sampled_from(["own", "received"]),
    final_ack=st.booleans(),
    answers=st.booleans(),
    wait_before_ack=st.booleans(),
    nak_limit=st.integers(0, 3),
    idle_limit_ns=st.integers(0, 40),
)
decisions = st.sampled_from([Accept(), Refuse("no"), Hold("wait"), Ignore("asleep")])
bodies = st.one_of(
    st.integers(0, 3).map(lambda index: PACKETS[index]),
    st.integers(0, 3).map(lambda index: spoilt(PACKETS[index])),
    st.integers(0, 130).map(header),
    st.sampled_from(list(oracle.HANDSHAKES)).map(lambda kind: reply(kind, 0, ID)),
    st.sampled_from([PACKETS[0][:9] + b"\xf7", bytes.fromhex("F0 7E 05 02 F7"), b"\xf0\xf7"]),
)
moves = bodies | decisions | st.just("due") | st.integers(0, 126).map(lambda n: PACKETS[0][:n])


@settings(max_examples=300, deadline=None)
@given(
    switches=habits,
    pace=st.builds(Pace, header_ns=st.integers(0, 9), packet_ns=st.integers(0, 9)),
    room=st.integers(0, 4),
    walk=st.lists(moves, max_size=40),
)
def test_whatever_happens_nothing_is_unexpected_and_words_are_never_too_many(
    switches: ReceiverSwitches, pace: Pace, room: int, walk: list[Any]
) -> None:
    shelf = Shelf(room=room)
    receiver = Receiver(shelf, device_id=ID, switches=switches, pace=pace)
    planned = 0
    for now_ns, move in enumerate(walk):
        if move == "due":
            if (due_ns := receiver.next_deadline_ns()) is not None:
                receiver.act_on_deadline(max(now_ns, due_ns))
        elif isinstance(move, bytes) and not move.endswith(b"\xf7"):
            receiver.take_fragment(move, now_ns)
        elif isinstance(move, bytes):
            receiver.take(decode(move), now_ns)
        elif isinstance(move, Accept | Refuse) and now_ns % 2:
            receiver.release(move, now_ns)
        else:
            shelf.decision = move
        events = kinds(receiver.take_events())
        assert EventKind.UNEXPECTED not in events
        planned = oracle.packet_count(shelf.headers[-1].length, 16) if shelf.headers else 0
        assert len(shelf.numbers) <= min(room, planned)  # WRD-13, HSK-12
        while answer := receiver.bytes_to_send():
            assert switches.answers
            said(answer)
        due_ns = receiver.next_deadline_ns()
        receiver.act_on_deadline(now_ns)
        assert due_ns is None or receiver.next_deadline_ns() is None or due_ns >= 0
