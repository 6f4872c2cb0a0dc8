"""The sender: a packet went out twice, both copies arrived, and the unit answers both (HSK-14)."""

from __future__ import annotations

import pytest

from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.sender import Sender
from dryload.emulator.dump.switches import SenderSwitches
from tests import oracle
from tests.dump.talk import at_packet, everything, make_sender, packets, reply

AGAIN = SenderSwitches(after_silence="again")
MS = 1_000_000


def waits(sender: Sender, number: int, now_ns: int) -> None:
    """Ask to wait and answer, as units do that need time for every packet."""
    sender.receive_bytes(reply("WAIT", number), now_ns)
    sender.receive_bytes(reply("ACK", number), now_ns + 30 * MS)


def test_a_unit_that_names_the_next_packet_answers_a_copy_with_the_number_that_is_due() -> None:
    sender = at_packet(make_sender(5, switches=AGAIN), 1)
    waits(sender, 2, 0)  # "2 is next" is the answer to packet 1
    assert everything(sender) == [packets(5)[2]]
    sender.message_left(80 * MS)
    waits(sender, 2, 82 * MS)  # a copy of packet 1, whoever made it

    assert everything(sender) == []
    assert sender.packet == 2
    waits(sender, 3, 130 * MS)  # the answer to packet 2
    assert everything(sender) == [packets(5)[3]]
    assert sender.resent == 0


def test_the_line_may_have_made_the_copy() -> None:
    sender = at_packet(make_sender(5, switches=AGAIN), 1)
    waits(sender, 1, 0)
    assert everything(sender) == [packets(5)[2]]
    sender.message_left(80 * MS)
    waits(sender, 1, 82 * MS)
    assert (everything(sender), sender.packet) == ([], 2)
    waits(sender, 2, 130 * MS)
    assert everything(sender) == [packets(5)[3]]


def test_a_unit_that_says_0_whatever_the_packet_is_never_kept_waiting() -> None:
    header = oracle.header(sample_number=1, bits=16, period_ns=22_676, length=40 * 300)
    sender = at_packet(make_sender(300, header=header, switches=AGAIN), 0)
    for packet in range(299):
        waits(sender, 0, packet * 100 * MS)
        assert everything(sender) == [packets(300)[packet + 1]]
        sender.message_left((packet * 100 + 90) * MS)


def test_every_copy_has_its_answer() -> None:
    sender = at_packet(make_sender(5, switches=AGAIN), 1)
    waits(sender, 2, 0)
    everything(sender)
    sender.message_left(80 * MS)
    for at in (82, 124, 166):
        waits(sender, 2, at * MS)
    assert (everything(sender), sender.packet) == ([], 2)


def test_a_unit_that_named_the_next_packet_once_by_mistake_costs_one_packet_more() -> None:
    sender = at_packet(make_sender(5, switches=AGAIN), 1)
    waits(sender, 2, 0)  # it should have said 1
    everything(sender)
    sender.message_left(80 * MS)
    waits(sender, 2, 82 * MS)
    sender.handle_deadline(132 * MS)
    (silence,) = sender.handle_deadline(612 * MS)
    assert (silence.kind, silence.packet) == (EventKind.SILENCE, 2)
    assert everything(sender) == [packets(5)[2]]
    sender.message_left(660 * MS)
    waits(sender, 2, 662 * MS)
    assert everything(sender) == [packets(5)[3]]


@pytest.mark.parametrize("number", [0, 7])
def test_a_wait_that_begins_while_a_packet_is_on_its_way_is_not_for_that_packet(
    number: int,
) -> None:
    # The unit says the same whatever the packet; the one before went out twice (TIM-05).
    sender = at_packet(make_sender(5, switches=AGAIN), 1)
    sender.receive_bytes(reply("NAK", 1), 1 * MS)
    everything(sender)
    sender.message_left(40 * MS)
    waits(sender, number, 41 * MS)
    assert everything(sender) == [packets(5)[2]]  # it leaves at 111 ms
    waits(sender, number, 73 * MS)
    assert (everything(sender), sender.packet) == ([], 2)
    sender.message_left(111 * MS)
    waits(sender, number, 112 * MS)
    assert everything(sender) == [packets(5)[3]]


def test_where_nothing_went_out_twice_a_wait_may_come_as_early_as_it_likes() -> None:
    # A port that is faster than a cable brings answers before we think a packet has left.
    sender = at_packet(make_sender(5, switches=AGAIN), 1)
    for packet in (2, 3):
        waits(sender, 0, packet * 10 * MS)
        assert everything(sender) == [packets(5)[packet]]
