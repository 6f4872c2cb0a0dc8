"""A sender that does not take silence for an open loop once it had answers ("again").

The standard lets a sender go on after 20 ms of silence (M1 p. 39); it need not.  That half a second
is waited, and how often, is our choice.
"""

import pytest

from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.sender import Sender, SenderEnd
from dryload.emulator.dump.switches import SenderSwitches
from tests import oracle
from tests.dump.talk import (
    FAR_NS,
    at_instants,
    at_packet,
    everything,
    kinds,
    make_sender,
    packets,
    reply,
    started,
)

ANSWERED = EventKind.ANSWERED
SILENCE = EventKind.SILENCE
DONE = EventKind.DONE
GAVE_UP = EventKind.GAVE_UP


def waiting_on(packet: int, called_for: int = 5) -> Sender:
    """At 0 ns `packet` of 5 has left; header and packets before it were answered."""
    switches = SenderSwitches(after_silence="again")
    # 40 words of 16 bits in a packet (M1 p. 39)
    header = oracle.header(sample_number=1, bits=16, period_ns=22_676, length=40 * called_for)
    return at_packet(make_sender(5, header=header, switches=switches), packet)


@pytest.mark.parametrize("packet", [0, 1, 3])
def test_a_unit_that_has_answered_is_waited_for_half_a_second(packet: int) -> None:
    sender = waiting_on(packet)
    assert sender.next_deadline_ns() == 20_000_000
    assert sender.handle_deadline(20_000_000) == ()
    assert sender.next_deadline_ns() == 500_000_000
    assert sender.handle_deadline(499_999_999) == ()

    (silence,) = sender.handle_deadline(500_000_000)
    assert (silence.kind, silence.packet, silence.detail) == (SILENCE, packet, "waited for")
    assert everything(sender) == [packets(5)[packet]]
    assert sender.resent == 1


def test_an_answer_that_is_overdue_is_taken_and_told_apart() -> None:
    sender = waiting_on(1)
    sender.handle_deadline(20_000_000)
    (answer,) = sender.receive_bytes(reply("ACK", 1), 60_000_000)
    assert (answer.kind, answer.packet, answer.detail) == (ANSWERED, 1, "overdue")
    assert everything(sender) == [packets(5)[2]]
    sender.message_left(100_000_000)
    (answer,) = sender.receive_bytes(reply("ACK", 2), 101_000_000)
    assert answer.detail == ""


def test_a_unit_that_has_gone_is_told_and_left() -> None:
    sender = waiting_on(3)
    for again in range(7):
        sender.handle_deadline(20_000_000)
        assert kinds(sender.handle_deadline(500_000_000)) == [SILENCE]
        assert everything(sender) == [packets(5)[3]], again
        sender.message_left(0)
    sender.handle_deadline(20_000_000)
    assert kinds(sender.handle_deadline(500_000_000)) == [SILENCE, GAVE_UP]
    assert sender.end is SenderEnd.SILENT
    assert everything(sender) == [reply("CANCEL", 3)]


def test_a_unit_that_answered_the_header_alone_turns_out_to_be_open_loop() -> None:
    sender = waiting_on(0)
    for again in range(7):
        sender.handle_deadline(20_000_000)
        sender.handle_deadline(500_000_000)
        assert everything(sender) == [packets(5)[0]], again
        sender.message_left(0)
    sender.handle_deadline(20_000_000)
    assert kinds(sender.handle_deadline(500_000_000)) == [SILENCE]
    for packet in range(1, 4):  # from now on 20 ms are enough
        assert everything(sender) == [packets(5)[packet]]
        sender.message_left(0)
        assert at_instants(sender.handle_deadline(20_000_000)) == [(SILENCE, 20_000_000, packet)]


def test_a_unit_that_never_answers_is_open_loop_as_ever() -> None:
    sender = started(make_sender(switches=SenderSwitches(after_silence="again")), 0)
    assert kinds(sender.handle_deadline(2_000_000_000)) == [SILENCE]
    assert everything(sender) == [packets(3)[0]]
    sender.message_left(0)
    assert at_instants(sender.handle_deadline(20_000_000)) == [(SILENCE, 20_000_000, 0)]


def test_a_unit_that_says_the_wrong_number_has_heard() -> None:
    sender = waiting_on(3)
    sender.receive_bytes(reply("ACK", 0), 5_000_000)
    # Nothing else came, so it was the answer: no silence, whatever the number.
    assert at_instants(sender.handle_deadline(20_000_000)) == [(ANSWERED, 20_000_000, 3)]
    assert everything(sender) == [packets(5)[4]]
    assert sender.resent == 0


def test_the_last_packet_goes_out_once_more_and_then_it_is_done() -> None:
    # some units never answer it (HSK-13)
    sender = waiting_on(4)
    sender.handle_deadline(20_000_000)
    (silence,) = sender.handle_deadline(500_000_000)
    assert silence.detail == "waited for, the last"
    assert everything(sender) == [packets(5)[4]]
    sender.message_left(0)
    sender.handle_deadline(20_000_000)
    assert kinds(sender.handle_deadline(500_000_000)) == [SILENCE, DONE]
    assert sender.end is SenderEnd.SENT


def test_a_wait_in_the_longer_time_has_no_limit() -> None:
    sender = waiting_on(2)
    sender.handle_deadline(20_000_000)
    sender.receive_bytes(reply("WAIT", 2), 100_000_000)
    assert sender.next_deadline_ns() is None
    sender.receive_bytes(reply("ACK", 2), FAR_NS)
    assert everything(sender) == [packets(5)[3]]


def test_a_unit_that_has_all_its_header_called_for_owes_no_more_answers() -> None:
    # STA-02: a dump ends when the word count is reached
    sender = waiting_on(2, called_for=3)
    sender.handle_deadline(20_000_000)
    sender.handle_deadline(500_000_000)
    assert everything(sender) == [packets(5)[2]]  # once more, to be sure
    sender.message_left(0)
    sender.handle_deadline(20_000_000)
    sender.handle_deadline(500_000_000)
    for packet in (3, 4):
        assert everything(sender) == [packets(5)[packet]]
        sender.message_left(0)
        sender.handle_deadline(20_000_000)
    assert sender.end is SenderEnd.SENT


def test_packets_beyond_what_the_header_called_for_are_not_waited_for() -> None:
    sender = waiting_on(3, called_for=3)
    assert at_instants(sender.handle_deadline(20_000_000)) == [(SILENCE, 20_000_000, 3)]
    assert everything(sender) == [packets(5)[4]]


def test_a_second_answer_to_the_packet_before_ends_a_wait_and_answers_nothing() -> None:
    # The packet before went out twice and both were taken: the second ACK is that of the copy.
    sender = waiting_on(1)
    sender.receive_bytes(reply("NAK", 1), 1_000_000)
    assert everything(sender) == [packets(5)[1]]
    sender.message_left(40_000_000)
    sender.receive_bytes(reply("ACK", 1), 41_000_000)
    assert everything(sender) == [packets(5)[2]]
    sender.message_left(80_000_000)
    sender.receive_bytes(reply("WAIT", 1), 81_000_000)
    assert sender.receive_bytes(reply("ACK", 1), 90_000_000) == ()

    assert everything(sender) == []
    assert sender.next_deadline_ns() == 110_000_000  # 20 ms, anew
    sender.handle_deadline(110_000_000)
    (silence,) = sender.handle_deadline(590_000_000)
    assert (silence.kind, silence.packet) == (SILENCE, 2)
    assert everything(sender) == [packets(5)[2]]


def test_an_ack_of_the_packet_before_ends_a_wait_where_that_went_out_once() -> None:
    # some units say 0 whatever the packet (HSK-02); nothing else would ever end the WAIT
    sender = waiting_on(1)
    sender.receive_bytes(reply("WAIT", 0), 1_000_000)
    sender.receive_bytes(reply("ACK", 0), 2_000_000)
    assert everything(sender) == [packets(5)[2]]
