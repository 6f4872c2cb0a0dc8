"""The sender: WAIT, CANCEL and stop (M1 pp. 36, 39)."""

import pytest

from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.sender import SenderEnd
from dryload.emulator.dump.sender_table import SenderState
from dryload.emulator.dump.switches import SenderSwitches
from tests import oracle
from tests.dump.talk import (
    FAR_NS,
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
HELD = EventKind.HELD
IGNORED = EventKind.IGNORED
DONE = EventKind.DONE
CANCELLED = EventKind.CANCELLED
GAVE_UP = EventKind.GAVE_UP


# WAIT.


@pytest.mark.parametrize("packet", [None, 0, 2])
def test_wait_holds_without_limit(packet: int | None) -> None:  # HSK-09
    sender = started(make_sender()) if packet is None else at_packet(make_sender(), packet)

    assert at_instants(sender.receive_bytes(reply("WAIT", 9), 5)) == [(HELD, 5, packet)]
    assert sender.next_deadline_ns() is None
    assert sender.handle_deadline(FAR_NS) == ()
    assert everything(sender) == []
    assert kinds(sender.receive_bytes(reply("WAIT", 9), FAR_NS)) == [HELD]
    assert sender.end is None


def test_ack_ends_a_wait() -> None:  # HSK-10
    header, packet, last = (
        started(make_sender()),
        at_packet(make_sender(), 1),
        started(make_sender(0)),
    )
    for sender in (header, packet, last):
        sender.receive_bytes(reply("WAIT"), 1)

    assert kinds(header.receive_bytes(reply("ACK", 77), 2)) == [ANSWERED]
    assert header.bytes_to_send() == packets(3)[0]
    assert kinds(packet.receive_bytes(reply("ACK", 1), 2)) == [ANSWERED]
    assert packet.bytes_to_send() == packets(3)[2]
    assert kinds(last.receive_bytes(reply("ACK", 1), 2)) == [ANSWERED, DONE]


@pytest.mark.parametrize("number", [0, 1, 2, 3, 127])
@pytest.mark.parametrize("packet", [1, 2])
def test_during_wait_the_number_of_an_ack_is_not_looked_at(packet: int, number: int) -> None:
    # Nothing else would ever end the WAIT, and some units answer with 0 always (common practice).
    sender = at_packet(make_sender(3), packet)
    sender.receive_bytes(reply("WAIT", number), 1)

    events = kinds(sender.receive_bytes(reply("ACK", number), 2))

    if packet == 2:
        assert events == [ANSWERED, DONE]
    else:
        assert events == [ANSWERED]
        assert everything(sender) == [packets(3)[2]]


def test_nak_after_wait_repeats_the_packet() -> None:  # HSK-10
    sender = at_packet(make_sender(), 1)
    sender.receive_bytes(reply("WAIT", 1), 1)

    assert kinds(sender.receive_bytes(reply("NAK", 0), 2)) == [IGNORED]
    assert kinds(sender.receive_bytes(reply("NAK", 1), 3)) == [REJECTED]
    assert sender.bytes_to_send() == packets(3)[1]
    sender.message_left(4)
    assert sender.next_deadline_ns() == 20_000_004


def test_nak_after_wait_repeats_the_header() -> None:
    sender = started(make_sender())
    sender.receive_bytes(reply("WAIT"), 1)

    assert kinds(sender.receive_bytes(reply("NAK"), 3)) == [REJECTED]
    assert sender.bytes_to_send() == HEADER


@pytest.mark.parametrize("packet", [None, 1])
def test_cancel_after_wait_aborts(packet: int | None) -> None:  # HSK-10
    sender = started(make_sender()) if packet is None else at_packet(make_sender(), packet)
    sender.receive_bytes(reply("WAIT"), 1)

    assert kinds(sender.receive_bytes(reply("CANCEL"), 2)) == [CANCELLED]
    assert sender.end is SenderEnd.CANCELLED


@pytest.mark.parametrize("packet", [None, 1])
def test_a_message_during_wait_aborts_unless_the_switch_says_otherwise(
    packet: int | None,
) -> None:  # HSK-22
    request = oracle.dump_request(sample_number=3)
    for switches, expected, end in (
        (SenderSwitches(), [GAVE_UP], SenderEnd.CONFUSED),
        (SenderSwitches(message_during_wait="ignore"), [IGNORED], None),
    ):
        sender = make_sender(switches=switches)
        sender = started(sender) if packet is None else at_packet(sender, packet)
        sender.receive_bytes(reply("WAIT"), 1)
        assert kinds(sender.receive_bytes(request, 2)) == expected
        assert sender.end is end
        assert everything(sender) == []


@pytest.mark.parametrize(
    "harmless",
    [
        "FE",  # real time (M1 p. 30)
        "90 40 40",  # a channel message
        "F0 7E 01 03 00 00 F7",  # for another device (DEV-01)
        "F0 7D 00 01 F7",  # another family
        "F0 F7",
        "F0 7E 00 7C",  # torn: nobody acts on it (FRM-04)
        "00 01 02",
    ],
)
def test_what_is_not_addressed_to_us_disturbs_no_wait(harmless: str) -> None:
    sender = at_packet(make_sender(), 1)
    sender.receive_bytes(reply("WAIT", 1), 1)

    assert sender.receive_bytes(bytes.fromhex(harmless), 2) == ()
    assert sender.state is SenderState.PACKET_HELD


@pytest.mark.parametrize("body", ["F0 7E 00 07 F7", "F0 7E 7F 07 F7", "F0 7E 00 01 05 F7"])
def test_unknown_and_malformed_messages_to_us_count_as_messages(body: str) -> None:  # HSK-22
    sender = at_packet(make_sender(), 1)
    assert kinds(sender.receive_bytes(bytes.fromhex(body), 1)) == [IGNORED]  # FRM-09
    sender.receive_bytes(reply("WAIT", 1), 1)

    assert kinds(sender.receive_bytes(bytes.fromhex(body), 2)) == [GAVE_UP]


def test_wait_holds_back_what_has_not_begun_to_leave() -> None:  # HSK-09
    sender = started(make_sender())
    events = sender.receive_bytes(reply("ACK") + reply("WAIT"), 1)

    assert kinds(events) == [ANSWERED, HELD]
    assert everything(sender) == []
    sender.message_left(2)
    assert sender.next_deadline_ns() is None
    # NAK has nothing to reject, any ACK lets the packet go.
    assert kinds(sender.receive_bytes(reply("NAK", 0), 3)) == [IGNORED]
    assert kinds(sender.receive_bytes(reply("ACK", 9), 4)) == [ANSWERED]
    assert everything(sender) == [packets(3)[0]]
    sender.message_left(5)
    assert sender.next_deadline_ns() == 20_000_005
    assert sender.packet == 0


def test_wait_holds_back_a_header_that_is_to_be_repeated() -> None:
    sender = started(make_sender())
    assert kinds(sender.receive_bytes(reply("NAK") + reply("WAIT"), 1)) == [REJECTED, HELD]
    assert everything(sender) == []
    assert kinds(sender.receive_bytes(reply("NAK"), 2)) == [IGNORED]

    assert kinds(sender.receive_bytes(reply("ACK"), 3)) == [ANSWERED]
    assert everything(sender) == [HEADER]
    assert sender.packet is None
    assert kinds(sender.receive_bytes(reply("ACK"), 4)) == [ANSWERED]
    assert everything(sender) == [packets(3)[0]]


@pytest.mark.parametrize("ending", [reply("CANCEL"), oracle.dump_request(sample_number=1)])
def test_what_was_held_back_is_not_sent_after_the_end(ending: bytes) -> None:  # HSK-11
    sender = started(make_sender())
    sender.receive_bytes(reply("ACK") + reply("WAIT") + ending, 1)

    assert sender.state is SenderState.ABORTED
    assert everything(sender) == []


# CANCEL and stop.


@pytest.mark.parametrize("packet", [None, 0, 2])
def test_cancel_stops_at_once(packet: int | None) -> None:  # HSK-11
    sender = started(make_sender()) if packet is None else at_packet(make_sender(), packet)

    assert at_instants(sender.receive_bytes(reply("CANCEL", 99), 5)) == [(CANCELLED, 5, packet)]
    assert sender.end is SenderEnd.CANCELLED
    assert sender.state is SenderState.ABORTED
    assert sender.next_deadline_ns() is None
    assert everything(sender) == []


def test_cancel_withdraws_the_packet_that_has_not_begun() -> None:  # HSK-11
    sender = started(make_sender())

    sender.receive_bytes(reply("ACK") + reply("CANCEL"), 5)

    assert everything(sender) == []


def test_stop_before_the_start_sends_nothing() -> None:
    sender = make_sender()
    sender.stop(5)

    assert at_instants(sender.take_events()) == [(GAVE_UP, 5, None)]
    assert sender.end is SenderEnd.STOPPED
    assert everything(sender) == []


@pytest.mark.parametrize("held", [False, True])
@pytest.mark.parametrize(("packet", "number"), [(None, 0), (0, 0), (2, 2)])
def test_stop_tells_the_unit(packet: int | None, number: int, held: bool) -> None:  # HSK-19
    sender = started(make_sender()) if packet is None else at_packet(make_sender(), packet)
    if held:
        sender.receive_bytes(reply("WAIT", number), 1)
    sender.stop(5)

    assert at_instants(sender.take_events()) == [(GAVE_UP, 5, packet)]
    assert sender.end is SenderEnd.STOPPED
    assert everything(sender) == [reply("CANCEL", number)]
    sender.message_left(6)
    assert sender.next_deadline_ns() is None


def test_stop_withdraws_what_has_not_begun() -> None:  # HSK-11
    sender = started(make_sender())
    sender.receive_bytes(reply("ACK"), 1)
    sender.stop(2)

    assert everything(sender) == [reply("CANCEL", 0)]


@pytest.mark.parametrize("end", ["done", "aborted"])
def test_stop_after_the_end_changes_nothing(end: str) -> None:
    sender = at_packet(make_sender(1), 0)
    sender.receive_bytes(reply("ACK" if end == "done" else "CANCEL"), 1)
    before = sender.state, sender.end
    sender.stop(2)

    events = sender.take_events()
    assert kinds(events) == [IGNORED]
    assert events[0].detail == "STOP"
    assert (sender.state, sender.end) == before
    assert everything(sender) == []


def test_it_is_started_once() -> None:
    sender = started(make_sender())
    sender.start(1)

    assert kinds(sender.take_events()) == [EventKind.UNEXPECTED]
    assert everything(sender) == []
