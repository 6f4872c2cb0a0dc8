"""The sender: NAK, and replies that answer something else (M1 p. 39)."""

import pytest

from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.sender import SenderEnd
from dryload.emulator.dump.switches import SenderSwitches
from tests.dump.talk import (
    HEADER,
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
REJECTED = EventKind.REJECTED
IGNORED = EventKind.IGNORED
DONE = EventKind.DONE
GAVE_UP = EventKind.GAVE_UP


# NAK.


def test_nak_sends_the_same_packet_again_and_then_the_next() -> None:  # HSK-07, PKT-04
    sender = at_packet(make_sender(), 1)

    assert at_instants(sender.receive_bytes(reply("NAK", 1), 5)) == [(REJECTED, 5, 1)]
    assert everything(sender) == [packets(3)[1]]
    assert sender.next_deadline_ns() is None
    sender.message_left(100)
    assert sender.next_deadline_ns() == 20_000_100
    sender.receive_bytes(reply("ACK", 1), 101)
    assert everything(sender) == [packets(3)[2]]


@pytest.mark.parametrize("limit", [1, 2, 3, 7])
def test_the_resend_limit_counts_rejections_of_one_packet(limit: int) -> None:  # HSK-17
    sender = at_packet(make_sender(switches=SenderSwitches(resend_limit=limit)), 0)
    for _ in range(limit - 1):
        assert kinds(sender.receive_bytes(reply("NAK"), 1)) == [REJECTED]
        assert everything(sender) == [packets(3)[0]]

    assert kinds(sender.receive_bytes(reply("NAK"), 2)) == [REJECTED, GAVE_UP]
    assert sender.end is SenderEnd.REJECTED
    assert everything(sender) == [reply("CANCEL", 0)]


def test_each_packet_has_its_own_count_of_rejections() -> None:  # HSK-17
    sender = at_packet(make_sender(), 0)
    for number in range(3):
        for _ in range(2):
            sender.receive_bytes(reply("NAK", number), 1)
            everything(sender)
        sender.receive_bytes(reply("ACK", number), 1)
        everything(sender)
    assert sender.end is SenderEnd.SENT


def test_limit_0_means_never() -> None:
    sender = at_packet(make_sender(switches=SenderSwitches(resend_limit=0)), 0)
    for _ in range(500):
        sender.receive_bytes(reply("NAK"), 1)
        assert everything(sender) == [packets(3)[0]]


def test_nak_of_another_number_is_ignored() -> None:  # HSK-08
    sender = at_packet(make_sender(), 2, 1000)
    for number in (0, 1, 3, 127):
        events = sender.receive_bytes(reply("NAK", number), 2000)
        assert kinds(events) == [IGNORED]
        assert events[0].detail == f"NAK_OTHER {number}"
    assert everything(sender) == []
    assert sender.next_deadline_ns() == 20_001_000  # the limit runs on


def test_nak_of_the_header_sends_it_once_more() -> None:
    sender = started(make_sender())
    assert kinds(sender.receive_bytes(reply("NAK", 55), 1)) == [REJECTED]
    assert everything(sender) == [HEADER]
    sender.message_left(10)
    assert sender.next_deadline_ns() == 2_000_000_010

    assert kinds(sender.receive_bytes(reply("NAK"), 11)) == [REJECTED, GAVE_UP]
    assert sender.end is SenderEnd.REJECTED
    assert everything(sender) == [reply("CANCEL", 0)]


def test_nak_of_the_header_ends_it_where_the_switch_says_so() -> None:
    for held in (False, True):
        sender = started(make_sender(switches=SenderSwitches(header_nak="abort")))
        if held:
            sender.receive_bytes(reply("WAIT"), 1)
        assert kinds(sender.receive_bytes(reply("NAK"), 1)) == [REJECTED, GAVE_UP]
        assert everything(sender) == [reply("CANCEL", 0)]


def test_two_naks_in_one_go_are_one_rejection() -> None:  # two units share an ID (DEV-05)
    packet, header = at_packet(make_sender(), 0), started(make_sender())

    assert kinds(packet.receive_bytes(reply("NAK") * 2, 1)) == [REJECTED, IGNORED]
    assert everything(packet) == [packets(3)[0]]
    assert kinds(header.receive_bytes(reply("NAK") * 2, 1)) == [REJECTED, IGNORED]
    assert everything(header) == [HEADER]


# ACK with another number.


def test_a_late_ack_answers_nothing() -> None:  # TIM-10
    sender = at_packet(make_sender(), 2, 1000)
    events = sender.receive_bytes(reply("ACK", 1), 2000)

    assert kinds(events) == [IGNORED]
    assert events[0].detail == "ACK_LATE 1"
    assert everything(sender) == []
    assert sender.next_deadline_ns() == 20_001_000
    assert kinds(sender.receive_bytes(reply("ACK", 2), 3000)) == [ANSWERED, DONE]


def test_a_late_ack_is_known_across_the_wrap() -> None:
    sender = at_packet(make_sender(130), 128)
    assert sender.receive_bytes(reply("ACK", 127), 1)[0].detail == "ACK_LATE 127"
    assert kinds(sender.receive_bytes(reply("ACK", 0), 1)) == [ANSWERED]


@pytest.mark.parametrize("number", [0, 3, 4, 127])
def test_an_ack_of_another_number(number: int) -> None:  # HSK-02
    waiting = at_packet(make_sender(4), 2)
    assert kinds(waiting.receive_bytes(reply("ACK", number), 1)) == [IGNORED]
    assert everything(waiting) == []

    taking = at_packet(make_sender(4, switches=SenderSwitches(wrong_ack="accept")), 2)
    assert kinds(taking.receive_bytes(reply("ACK", number), 1)) == [ANSWERED]
    assert everything(taking) == [packets(4)[3]]

    strict = at_packet(make_sender(4, switches=SenderSwitches(wrong_ack="cancel")), 2)
    assert kinds(strict.receive_bytes(reply("ACK", number), 1)) == [GAVE_UP]
    assert strict.end is SenderEnd.CONFUSED
    assert everything(strict) == [reply("CANCEL", 2)]


def test_an_ack_of_another_number_for_the_last_packet() -> None:  # HSK-02
    waiting = at_packet(make_sender(2), 1)
    assert kinds(waiting.receive_bytes(reply("ACK", 9), 1)) == [IGNORED]

    taking = at_packet(make_sender(2, switches=SenderSwitches(wrong_ack="accept")), 1)
    assert kinds(taking.receive_bytes(reply("ACK", 9), 1)) == [ANSWERED, DONE]

    strict = at_packet(make_sender(2, switches=SenderSwitches(wrong_ack="cancel")), 1)
    assert kinds(strict.receive_bytes(reply("ACK", 9), 1)) == [GAVE_UP]


@pytest.mark.parametrize("wrong_ack", ["ignore", "accept", "cancel"])
def test_what_comes_before_a_message_was_handed_over_is_no_answer_to_it(wrong_ack: str) -> None:
    switches = SenderSwitches(wrong_ack=wrong_ack)  # type: ignore[arg-type]  # one of its values
    header = make_sender(switches=switches)
    header.start(0)
    assert kinds(header.receive_bytes(reply("ACK", 0), 1)) == [IGNORED]
    assert kinds(header.receive_bytes(reply("NAK", 0), 1)) == [IGNORED]
    assert everything(header) == [HEADER]

    packet = started(make_sender(switches=switches))
    # The second ACK answers the header once more: a second unit with the same ID (DEV-05).
    assert kinds(packet.receive_bytes(reply("ACK", 0) * 2, 1)) == [ANSWERED, IGNORED]
    assert everything(packet) == [packets(3)[0]]
    assert packet.packet == 0


def test_an_answer_may_come_before_the_message_has_left() -> None:
    # A port that does not know when its bytes leave reports it late.
    sender = started(make_sender())
    sender.receive_bytes(reply("ACK"), 1)
    assert sender.bytes_to_send()
    sender.receive_bytes(reply("ACK", 0), 2)
    assert sender.packet == 1

    sender.message_left(3)  # of packet 0: packet 1 waits to be taken

    assert sender.next_deadline_ns() is None
    assert everything(sender) == [packets(3)[1]]
    sender.message_left(4)
    assert sender.next_deadline_ns() == 20_000_004
