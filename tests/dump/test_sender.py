"""The sender: its limits and whole dumps, instant by instant (M1 p. 39).

Times are literal nanoseconds and compared exactly: 2 s after a header and 20 ms after a packet
(M1 p. 39), counted from the end of the message on the wire (TIM-05).
"""

import pytest

from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.outgoing import Outgoing
from dryload.emulator.dump.replies import Limits
from dryload.emulator.dump.sender import SenderEnd
from dryload.emulator.dump.sender_table import SenderState
from dryload.emulator.dump.switches import SenderSwitches
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

ANSWERED = EventKind.ANSWERED
REJECTED = EventKind.REJECTED
SILENCE = EventKind.SILENCE
IGNORED = EventKind.IGNORED
DONE = EventKind.DONE
GAVE_UP = EventKind.GAVE_UP
FELL_BACK = EventKind.FELL_BACK


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


def test_what_follows_a_dump_can_be_left_out() -> None:
    name = oracle.sample_name(sample_number=1, name=b"gulls")
    dump = Outgoing(header=HEADER, packets=packets(1), fallback=EXTENDED, after=(name,))

    alone = dump.without_after()

    assert (alone.header, alone.packets, alone.fallback) == (HEADER, packets(1), EXTENDED)
    assert alone.after == ()


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
