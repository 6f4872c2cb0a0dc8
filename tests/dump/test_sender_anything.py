"""The sender: addresses, broken dumps, replies after the end, and anything at all."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dryload.emulator.dump.events import EventKind
from dryload.emulator.dump.outgoing import Outgoing
from dryload.emulator.dump.sender import Sender
from dryload.emulator.dump.sender_table import SenderState
from dryload.emulator.dump.switches import SenderSwitches
from tests import oracle
from tests.dump.talk import (
    EXTENDED,
    HEADER,
    everything,
    kinds,
    make_sender,
    packets,
    reply,
    started,
)

ANSWERED = EventKind.ANSWERED
IGNORED = EventKind.IGNORED
DONE = EventKind.DONE


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


def test_an_endless_message_from_the_unit_does_not_fill_the_memory() -> None:
    sender = started(make_sender())
    for _ in range(40):
        sender.receive_bytes(bytes(5000), 1)
    sender.receive_bytes(bytes.fromhex("F0 7E 00 07") + bytes(60_000), 1)
    # What never ended is let go at 64 KiB, and what follows counts again.
    sender.receive_bytes(bytes(6_000), 1)
    assert kinds(sender.receive_bytes(b"\xf7" + reply("ACK"), 1)) == [ANSWERED]


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
    after_silence=st.sampled_from(["go on", "again", "stop"]),
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


@settings(max_examples=300, deadline=None)
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
