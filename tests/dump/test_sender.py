"""The sender, instant by instant (M1 p. 39; what is open there says its switch).

Times are literal nanoseconds and compared exactly: 2 s after a header and 20 ms after a packet
(M1 p. 39), counted from the end of the message on the wire (TIM-05).
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.dump.events import EventKind
from emulator.dump.sender import Limits, Outgoing, Sender, SenderEnd
from emulator.dump.sender_table import SenderState
from emulator.dump.switches import SenderSwitches
from tests import oracle
from tests.dump.talk import (
    EXTENDED,
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

ANSWERED, REJECTED, SILENCE = EventKind.ANSWERED, EventKind.REJECTED, EventKind.SILENCE
HELD, IGNORED, DONE = EventKind.HELD, EventKind.IGNORED, EventKind.DONE
CANCELLED, GAVE_UP, FELL_BACK = EventKind.CANCELLED, EventKind.GAVE_UP, EventKind.FELL_BACK


# The limits: 2 s and 20 ms from the end of the wire (TIM-01, TIM-03, TIM-05).


def test_the_header_limit_runs_from_the_moment_the_header_has_left() -> None:
    sender = make_sender()
    sender.start(0)
    assert sender.next_deadline_ns() is None
    assert sender.bytes_to_send() == HEADER
    assert sender.next_deadline_ns() is None  # it is still on the wire

    sender.message_left(6_720_000)

    assert sender.next_deadline_ns() == 2_006_720_000
    assert sender.handle_deadline(2_006_719_999) == ()
    assert sender.bytes_to_send() == b""
    assert at_instants(sender.handle_deadline(2_006_720_000)) == [(SILENCE, 2_006_720_000, None)]
    assert sender.bytes_to_send() == packets(3)[0]


def test_the_packet_limit_runs_from_the_moment_the_packet_has_left() -> None:
    sender = started(make_sender(), 6_720_000)
    sender.receive_bytes(reply("ACK"), 10_000_000)
    assert sender.bytes_to_send() == packets(3)[0]
    assert sender.next_deadline_ns() is None

    # A timer started when the packet was handed over would have run out at 30 ms.
    assert sender.handle_deadline(30_000_000) == ()
    sender.message_left(50_640_000)

    assert sender.next_deadline_ns() == 70_640_000
    assert sender.handle_deadline(70_639_999) == ()
    assert at_instants(sender.handle_deadline(70_640_000)) == [(SILENCE, 70_640_000, 0)]
    assert sender.bytes_to_send() == packets(3)[1]


def test_an_answer_ends_the_limit() -> None:
    sender = started(make_sender(), 0)

    assert at_instants(sender.receive_bytes(reply("ACK"), 1_999_999_999)) == [
        (ANSWERED, 1_999_999_999, None)
    ]
    assert sender.next_deadline_ns() is None
    assert sender.handle_deadline(FAR_NS) == ()
    assert sender.packet == 0


def test_limits_are_settable() -> None:
    limits = Limits(header_ns=7, packet_ns=5)
    sender = started(make_sender(limits=limits), 100)
    assert sender.next_deadline_ns() == 107
    sender.handle_deadline(107)
    sender.bytes_to_send()
    sender.message_left(200)
    assert sender.next_deadline_ns() == 205


# A whole dump.


def test_a_closed_loop_dump() -> None:
    sender = started(make_sender(3), 0)
    seen = []
    for number in range(3):
        seen += kinds(sender.receive_bytes(reply("ACK", max(number - 1, 0)), number))
        assert sender.bytes_to_send() == packets(3)[number]
        assert sender.bytes_to_send() == b""
        sender.message_left(number)
        assert sender.state is SenderState.PACKET
        assert sender.end is None
    seen += kinds(sender.receive_bytes(reply("ACK", 2), 9))

    assert seen == [ANSWERED, ANSWERED, ANSWERED, ANSWERED, DONE]
    assert sender.end is SenderEnd.SENT
    assert sender.state is SenderState.DONE
    assert sender.next_deadline_ns() is None
    assert everything(sender) == []  # no EOF in a sample dump unless asked for (HSK-18)


def test_an_open_loop_dump() -> None:
    sender = started(make_sender(2), 6_720_000)
    for now_ns in (2_006_720_000, 2_067_360_000):
        sender.handle_deadline(now_ns)
        assert sender.bytes_to_send()
        sender.message_left(now_ns + 40_640_000)
    assert sender.next_deadline_ns() == 2_128_000_000

    assert kinds(sender.handle_deadline(2_128_000_000)) == [SILENCE, DONE]
    assert sender.end is SenderEnd.SENT


def test_numbers_wrap_at_128_and_events_do_not() -> None:  # PKT-03
    sender = at_packet(make_sender(300), 0)
    sent = packets(300)
    for index in range(300):
        assert sender.packet == index
        events = sender.receive_bytes(reply("ACK", index % 128), index)
        assert events[0].kind is ANSWERED
        assert events[0].packet == index
        if index < 299:
            assert sender.bytes_to_send() == sent[index + 1]
            sender.message_left(index)
    assert sender.end is SenderEnd.SENT


@pytest.mark.parametrize("number", [0, 1, 5, 126, 127])
def test_any_number_answers_the_header(number: int) -> None:  # HSK-04
    sender = started(make_sender())

    assert kinds(sender.receive_bytes(reply("ACK", number), 1)) == [ANSWERED]
    assert sender.bytes_to_send() == packets(3)[0]


def test_a_dump_without_words_is_a_header_and_nothing_more() -> None:  # HDR-15
    answered = started(make_sender(0))
    silent = started(make_sender(0), 0)

    assert kinds(answered.receive_bytes(reply("ACK"), 1)) == [ANSWERED, DONE]
    assert kinds(silent.handle_deadline(2_000_000_000)) == [SILENCE, DONE]
    for sender in (answered, silent):
        assert sender.end is SenderEnd.SENT
        assert everything(sender) == []


def test_messages_after_the_dump_are_sent_without_waiting() -> None:
    loops = oracle.loop_points(sample_number=1, loop_number=1, loop_start=0, loop_end=5)
    name = oracle.sample_name(sample_number=1, name=b"gulls")
    sender = at_packet(make_sender(1, after=(loops, name)), 0)
    sender.receive_bytes(reply("ACK", 0), 1)

    assert sender.state is SenderState.DONE
    assert sender.has_more_to_send
    assert everything(sender) == [loops, name]
    sender.message_left(2)
    assert sender.next_deadline_ns() is None
    assert not sender.has_more_to_send


@pytest.mark.parametrize("count", [0, 1, 2])
def test_eof_comes_before_what_follows_where_the_switch_says_so(count: int) -> None:  # HSK-18
    name = oracle.sample_name(sample_number=1, name=b"gulls")
    sender = make_sender(count, after=(name,), switches=SenderSwitches(sends_eof=True))
    if count:
        at_packet(sender, count - 1)
        sender.receive_bytes(reply("ACK", count - 1), 1)
    else:
        started(sender).receive_bytes(reply("ACK"), 1)

    assert everything(sender) == [reply("EOF", max(count - 1, 0)), name]


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


# EOF and silence.


@pytest.mark.parametrize("packet", [None, 1])
@pytest.mark.parametrize("held", [False, True])
def test_eof_from_the_unit_is_ignored(packet: int | None, held: bool) -> None:  # HSK-18
    sender = started(make_sender()) if packet is None else at_packet(make_sender(), packet)
    if held:
        sender.receive_bytes(reply("WAIT"), 1)
    before = sender.state, sender.next_deadline_ns()

    assert kinds(sender.receive_bytes(reply("EOF", 0), 1)) == [IGNORED]
    assert (sender.state, sender.next_deadline_ns()) == before


@pytest.mark.parametrize("packet", [0, 2])
def test_silence_after_a_packet_may_stop_the_dump(packet: int) -> None:
    sender = at_packet(make_sender(switches=SenderSwitches(after_silence="stop")), packet)

    assert kinds(sender.handle_deadline(20_000_000)) == [SILENCE, GAVE_UP]
    assert sender.end is SenderEnd.SILENT
    assert everything(sender) == [reply("CANCEL", packet)]


# The extended header (EXT-09).


def test_silence_after_an_extended_header_falls_back_to_the_standard_one() -> None:
    sender = started(make_sender(header=EXTENDED, fallback=HEADER), 0)

    assert at_instants(sender.handle_deadline(2_000_000_000)) == [
        (SILENCE, 2_000_000_000, None),
        (FELL_BACK, 2_000_000_000, None),
    ]
    assert everything(sender) == [HEADER]
    assert sender.next_deadline_ns() is None
    sender.message_left(2_006_720_000)
    assert sender.next_deadline_ns() == 4_006_720_000
    # Silence now means what it always means.
    assert kinds(sender.handle_deadline(4_006_720_000)) == [SILENCE]
    assert everything(sender) == [packets(3)[0]]


def test_a_header_that_falls_back_may_be_rejected_once_like_any_other() -> None:
    sender = started(make_sender(header=EXTENDED, fallback=HEADER), 0)
    sender.receive_bytes(reply("NAK"), 1)
    assert everything(sender) == [EXTENDED]
    sender.message_left(2)
    sender.handle_deadline(2_000_000_002)
    assert everything(sender) == [HEADER]

    assert kinds(sender.receive_bytes(reply("NAK"), 2_000_000_003)) == [REJECTED]
    assert everything(sender) == [HEADER]


@pytest.mark.parametrize("count", [0, 3])
def test_silence_after_an_extended_header_without_another_one_ends_it(count: int) -> None:
    sender = started(make_sender(count, header=EXTENDED), 0)

    assert kinds(sender.handle_deadline(2_000_000_000)) == [SILENCE, GAVE_UP]
    assert sender.end is SenderEnd.SILENT
    assert everything(sender) == []


@pytest.mark.parametrize("fallback", [None, HEADER])
def test_the_switch_takes_that_silence_for_an_open_loop(fallback: bytes | None) -> None:
    go_on = SenderSwitches(extended_silence="go on")
    sender = started(make_sender(header=EXTENDED, fallback=fallback, switches=go_on), 0)
    assert kinds(sender.handle_deadline(2_000_000_000)) == [SILENCE]
    assert everything(sender) == [packets(3)[0]]

    empty = started(make_sender(0, header=EXTENDED, fallback=fallback, switches=go_on), 0)
    assert kinds(empty.handle_deadline(2_000_000_000)) == [SILENCE, DONE]
    assert everything(empty) == []


def test_an_extended_header_that_is_answered_is_like_any_other() -> None:
    sender = started(make_sender(header=EXTENDED, fallback=HEADER))

    assert kinds(sender.receive_bytes(reply("ACK"), 1)) == [ANSWERED]
    assert everything(sender) == [packets(3)[0]]


# Addresses.


def test_replies_from_another_device_are_ignored() -> None:  # DEV-01
    sender = started(make_sender())

    for kind in oracle.HANDSHAKES:
        assert sender.receive_bytes(reply(kind, device_id=1), 1) == ()
    assert sender.state is SenderState.HEADER


def test_replies_to_everybody_count() -> None:  # DEV-02
    sender = started(make_sender())

    assert kinds(sender.receive_bytes(reply("ACK", device_id=0x7F), 1)) == [ANSWERED]


def test_a_dump_to_everybody_takes_anybodys_reply() -> None:  # DEV-03 leaves the ID open
    header = oracle.header(device_id=0x7F, sample_number=1, bits=16, period_ns=1, length=120)
    sender = started(make_sender(header=header))

    assert kinds(sender.receive_bytes(reply("ACK", device_id=5), 1)) == [ANSWERED]
    sender.stop(2)
    assert everything(sender) == [reply("CANCEL", device_id=0x7F)]


# Broken dumps are sent as they are.


def test_broken_packets_are_sent_as_they_are() -> None:
    good = packets(6)
    broken = [
        good[0][:-1],  # no F7
        good[1][:60] + good[1][61:],  # a byte lost
        good[2][:125] + bytes([good[2][125] ^ 1]) + b"\xf7",  # wrong sum
        b"\xf0",
        good[4][:4] + b"\x80" + good[4][5:],  # PKT-07: 80 for a number
        good[5],
    ]
    sender = started(Sender(Outgoing(header=HEADER, packets=broken)), 0)
    sent = []
    while sender.end is None:
        sender.handle_deadline(sender.next_deadline_ns() or 0)
        sent += everything(sender)
        sender.message_left(0)

    assert sent == broken


def test_the_number_of_a_broken_packet_is_the_one_it_bears() -> None:
    wrong = oracle.packet(number=77, data=b"")
    sender = started(Sender(Outgoing(header=HEADER, packets=[wrong, wrong[:3]])))
    sender.receive_bytes(reply("ACK"), 1)
    everything(sender)

    assert kinds(sender.receive_bytes(reply("ACK", 0), 2)) == [IGNORED]
    assert kinds(sender.receive_bytes(reply("ACK", 77), 3)) == [ANSWERED]
    # One too short to bear a number has the one it should bear.
    assert everything(sender) == [wrong[:3]]
    assert kinds(sender.receive_bytes(reply("ACK", 1), 4)) == [ANSWERED, DONE]


def test_a_header_above_7f_does_not_keep_us_from_stopping() -> None:
    broken = HEADER[:2] + b"\xf5" + HEADER[3:]
    sender = started(Sender(Outgoing(header=broken, packets=[])))
    sender.stop(1)

    assert everything(sender) == [reply("CANCEL", device_id=0x75)]


@pytest.mark.parametrize("header", [b"", b"\xf0\x7e"])
def test_a_header_without_a_device_id_is_refused(header: bytes) -> None:
    with pytest.raises(ValueError, match="header"):
        Outgoing(header=header, packets=[])


@pytest.mark.parametrize("where", ["packets", "after", "fallback"])
def test_a_message_without_bytes_is_refused(where: str) -> None:
    # An empty message would say "nothing to send", and the dump would stand still.
    parts: dict[str, object] = {"packets": [], "after": (), "fallback": None}
    parts[where] = b"" if where == "fallback" else (packets(1)[0], b"")
    with pytest.raises(ValueError, match="without bytes"):
        Outgoing(header=HEADER, **parts)  # type: ignore[arg-type]  # of the right types by name


# After the end.


@pytest.mark.parametrize("end", ["never started", "done", "aborted"])
@pytest.mark.parametrize("count", [0, 1, 2])
@pytest.mark.parametrize("kind", [*oracle.HANDSHAKES, "request"])
def test_nothing_moves_a_sender_that_asked_nothing(end: str, count: int, kind: str) -> None:
    sender = make_sender(count)
    if end != "never started":
        started(sender)
        sender.receive_bytes(reply("CANCEL" if end == "aborted" else "ACK"), 1)
        for number in range(count if end == "done" else 0):
            everything(sender)
            sender.receive_bytes(reply("ACK", number), 1)
    everything(sender)
    before = sender.state
    data = (
        oracle.dump_request(sample_number=1)
        if kind == "request"
        else reply(kind, count - 1 if count else 0)
    )

    # The last answer of a slow unit comes when everything is over: no surprise.
    assert kinds(sender.receive_bytes(data, 2)) == [IGNORED]
    assert sender.state is before
    assert everything(sender) == []
    assert sender.next_deadline_ns() is None


# Anything at all.

switches = st.builds(
    SenderSwitches,
    header_nak=st.sampled_from(["resend once", "abort"]),
    wrong_ack=st.sampled_from(["ignore", "accept", "cancel"]),
    message_during_wait=st.sampled_from(["abort", "ignore"]),
    after_silence=st.sampled_from(["go on", "stop"]),
    extended_silence=st.sampled_from(["fall back", "go on"]),
    sends_eof=st.booleans(),
    resend_limit=st.integers(0, 3),
)
replies = st.builds(
    reply, st.sampled_from(list(oracle.HANDSHAKES)), st.integers(0, 4) | st.integers(0, 127)
)
steps = st.one_of(
    st.just("take"),
    st.just("left"),
    st.just("due"),
    st.lists(replies, min_size=1, max_size=3).map(b"".join),
    st.just(oracle.dump_request(sample_number=0)),
    st.just(reply("ACK", device_id=9)),
    st.sampled_from(["stop"]),
)


@settings(max_examples=300)
@given(
    switches=switches,
    count=st.integers(0, 4),
    header=st.sampled_from([HEADER, EXTENDED]),
    fallback=st.sampled_from([None, HEADER]),
    walk=st.lists(steps, max_size=40),
)
def test_whatever_happens_the_dump_is_sent_in_order_or_not_at_all(
    switches: SenderSwitches,
    count: int,
    header: bytes,
    fallback: bytes | None,
    walk: list[str | bytes],
) -> None:
    sender = make_sender(count, header=header, fallback=fallback, switches=switches)
    sender.start(0)
    sent: list[bytes] = []
    on_the_wire = False
    for now_ns, step in enumerate(walk):
        held = sender.state in (SenderState.HEADER_HELD, SenderState.PACKET_HELD)
        if step == "take" and not on_the_wire:
            message = sender.bytes_to_send()
            on_the_wire = bool(message)
            sent += [message] * on_the_wire
            assert not (held and message)  # HSK-09
        elif step == "left" and on_the_wire:
            on_the_wire = False
            sender.message_left(now_ns)
        elif step == "due" and (due_ns := sender.next_deadline_ns()) is not None:
            assert not on_the_wire
            assert not held
            sender.handle_deadline(due_ns)
            assert sender.next_deadline_ns() is None
        elif step == "stop":
            sender.stop(now_ns)
        elif isinstance(step, bytes):
            sender.receive_bytes(step, now_ns)
        assert EventKind.UNEXPECTED not in kinds(sender.take_events())
        assert (sender.end is not None) == (sender.state in (SenderState.DONE, SenderState.ABORTED))

    # Headers, then packets in order, each perhaps several times, then CANCEL or EOF.
    in_order = [HEADER if each in (HEADER, EXTENDED) else each for each in sent]
    first_times = list(dict.fromkeys(in_order))
    tail = [each for each in first_times if each[3] in (0x7D, 0x7B)]
    body = first_times[: len(first_times) - len(tail)]
    assert len(tail) <= 1
    assert body == [HEADER, *packets(count)][: len(body)]
    if body:
        assert in_order == sorted(in_order, key=first_times.index)
