"""Links on the cable: what each does to the bytes, where it is at work, and how it is named."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dryload.emulator.dump.capture import Direction
from dryload.emulator.line.cable import Cable
from dryload.emulator.line.disturbance import Disturbance, FaultInjector
from dryload.emulator.line.link import Link, link_named
from dryload.emulator.line.link_cable import cables
from dryload.emulator.line.simulate import SimulatedLine
from tests import oracle
from tests.edits import (
    add_byte,
    cut_line,
    delay_message,
    flip_bit,
    lose_byte,
    lose_message,
    repeat_message,
)
from tests.line.any_link import links, name_of
from tests.line.players import BYTE_NS, FROM, TO, Player, bytewise

MS = 1_000_000
ACK = oracle.handshake(kind="ACK", packet_number=5)
WAIT = oracle.handshake(kind="WAIT", packet_number=5)
PACKET = oracle.packet(number=3, data=bytes(range(120)))
REQUEST = oracle.dump_request(sample_number=1)
HEADER = oracle.header(sample_number=1, bits=16, period_ns=22676, length=120)
NOTE = b"\x90\x40\x7f"
SINGLES = {6: 0, 7: 1, 8: 0, 10: 1, 17: 0, 21: 0, 34: 1, 127: 1}
"""Whether a message of so many bytes ends in a USB event with its F7 alone (USB-MIDI 1.0 s. 4)."""


def cable_with(
    name: str, direction: Direction = TO, disturbances: Sequence[Disturbance] = ()
) -> Cable:
    there, back = cables(link_named(name), FaultInjector(disturbances))
    return there if direction is TO else back


def passed(name: str, *messages: bytes, direction: Direction = TO) -> bytes:
    """What is left of messages sent one after another."""
    cable = cable_with(name, direction)
    for message in messages:
        cable.send(message, 0)
    return b"".join(data for _, data in cable.arrivals)


def both_ways(name: str) -> list[bytes]:
    return [passed(name, PACKET, direction=way) for way in (TO, FROM)]


# USB


def test_usb_loses_nothing_and_begins_a_message_to_the_unit_on_a_whole_millisecond() -> None:
    cable = cable_with("usb")
    assert cable.send(PACKET, 300_001) == 300_001 + 127 * BYTE_NS  # the sender knows of no frame
    assert list(cable.arrivals) == [(1 * MS + 127 * BYTE_NS, PACKET)]


def test_usb_lets_a_message_follow_another_at_once() -> None:
    cable = cable_with("usb")
    cable.send(ACK, 0)
    cable.send(ACK, 1)
    assert [at_ns for at_ns, _ in cable.arrivals] == [6 * BYTE_NS, 12 * BYTE_NS]


def test_usb_ends_a_message_to_the_host_on_a_whole_millisecond() -> None:
    cable = cable_with("usb", FROM)
    cable.send(ACK, 0)  # 1.92 ms
    cable.send(PACKET, 10 * MS)  # 50.64 ms
    cable.send(ACK, 100 * MS + 80_000)  # 102 ms
    assert list(cable.arrivals) == [(2 * MS, ACK), (51 * MS, PACKET), (102 * MS, ACK)]


def test_usb_lets_real_time_bytes_stand_between_events_only() -> None:
    assert passed("usb", b"\xf0\x7e\xf8\x00\x11\xf7") == b"\xf8\xf0\x7e\x00\x11\xf7"
    assert passed("usb", b"\xf0\x7e\x00\xf8\x11\xf7") == b"\xf0\x7e\x00\xf8\x11\xf7"


def test_usb_keeps_what_waits_for_its_event_until_the_next_message() -> None:
    cable = cable_with("usb")
    cable.send(b"\xf0\x7e\x00\x11", 0)
    assert b"".join(data for _, data in cable.arrivals) == b"\xf0\x7e\x00"
    cable.send(ACK, 0)
    assert b"".join(data for _, data in cable.arrivals) == b"\xf0\x7e\x00\x11" + ACK


@pytest.mark.parametrize(("length", "is_single"), SINGLES.items())
@pytest.mark.parametrize("direction", Direction)
def test_an_end_that_travels_alone_is_lost(
    length: int, is_single: int, direction: Direction
) -> None:
    message = b"\xf0" + bytes(length - 2) + b"\xf7"
    left = message[:-1] if is_single else message
    assert passed("usb-lost-ends", message, direction=direction) == left
    assert passed("usb", message, direction=direction) == message


# At most so many


def test_of_a_long_message_no_more_than_so_many_bytes_pass() -> None:
    assert passed("at-most-64", PACKET, HEADER, PACKET) == PACKET[:64] + HEADER + PACKET[:64]
    assert passed("at-most-21", HEADER) == HEADER
    assert passed("at-most-20", HEADER) == HEADER[:-1]
    assert both_ways("at-most-100") == [PACKET[:100]] * 2


def test_short_messages_and_real_time_bytes_are_no_part_of_what_is_too_long() -> None:
    cut = b"\xf0\x7e\x00"  # without an end
    assert passed("at-most-2", cut, NOTE, b"\x41\x42") == cut[:2] + NOTE + b"\x41\x42"
    assert passed("at-most-2", b"\xf0\xf8\x7e\xf8\x00\xf8\xf7") == b"\xf0\xf8\x7e\xf8\xf8"


def test_the_line_is_silent_where_bytes_vanished() -> None:
    cable = cable_with("at-most-64")
    left_ns = cable.send(PACKET, 0)
    cable.send(ACK, 0)
    assert left_ns == 127 * BYTE_NS
    assert (
        list(cable.arrivals)
        == [
            (64 * BYTE_NS, PACKET[:64]),
            (128 * BYTE_NS, b"\xf0"),  # it cuts the one before
            (133 * BYTE_NS, ACK[1:]),
        ]
    )


# Every so manyth


@given(
    every=st.integers(2, 300),
    messages=st.lists(st.sampled_from([ACK, PACKET, HEADER, NOTE, b"\xf8"]), max_size=8),
)
@settings(max_examples=100, deadline=None, derandomize=True)
def test_every_so_manyth_byte_of_the_stream_is_lost(every: int, messages: list[bytes]) -> None:
    stream = b"".join(messages)
    left = bytearray(stream)
    del left[every - 1 :: every]
    assert passed(f"every-{every}th", *messages) == left


def test_bytes_are_lost_on_the_way_to_the_unit_unless_said_otherwise() -> None:
    assert both_ways("every-100th") == [PACKET[:99] + PACKET[100:], PACKET]
    assert both_ways("every-100th-from-unit") == [PACKET, PACKET[:99] + PACKET[100:]]
    assert both_ways("every-100th-both-ways") == [PACKET[:99] + PACKET[100:]] * 2


def test_what_was_counted_lives_with_the_line_and_not_with_the_link() -> None:
    link = link_named("every-100th")
    for _ in range(2):
        there, _back = cables(link)
        there.send(PACKET, 0)
        assert [len(data) for _, data in there.arrivals] == [99, 27]


# Splits and joins


@pytest.mark.parametrize("direction", Direction)
def test_a_message_comes_in_pieces_with_pauses(direction: Direction) -> None:
    cable = cable_with("splits-50", direction)
    cable.send(PACKET, 0)
    cable.send(ACK, 0)
    assert list(cable.arrivals) == [
        (50 * BYTE_NS, PACKET[:50]),
        (100 * BYTE_NS + MS, PACKET[50:100]),
        (127 * BYTE_NS + 2 * MS, PACKET[100:]),
        (133 * BYTE_NS + 2 * MS, ACK),
    ]


def test_short_messages_come_as_one_delivery() -> None:
    cable = cable_with("joins", FROM)
    cable.send(WAIT, 0)  # there after 1.92 ms
    cable.send(ACK, 4 * MS)  # 5.92 ms
    cable.send(ACK, 9 * MS)  # 10.92 ms
    assert list(cable.arrivals) == [(10 * MS, WAIT + ACK), (20 * MS, ACK)]


def test_a_delivery_claims_no_time_that_another_has() -> None:
    cable = cable_with("joins", FROM)
    cable.send(ACK, 0)
    cable.send(PACKET, 2 * MS)  # there after 42.64 ms, handed over after 50 or later
    (first_ns, _), (second_ns, data) = cable.arrivals
    assert (first_ns, data) == (10 * MS, PACKET)
    assert second_ns == first_ns + 127 * BYTE_NS


def test_joining_is_the_hosts_affair() -> None:
    cable = cable_with("joins")
    cable.send(WAIT, 0)
    cable.send(ACK, 0)
    assert [data for _, data in cable.arrivals] == [WAIT, ACK]


# Echo and filter


def lines(
    name: str | None, host: Player, unit: Player, disturbances: Sequence[Disturbance] = ()
) -> SimulatedLine:
    """A line that was run until everything was said."""
    link = None if name is None else link_named(name)
    line = SimulatedLine(unit, disturbances=disturbances, link=link)
    line.connect(host)
    line.run(lambda: host.is_over and unit.is_over)
    return line


def test_what_the_host_sends_comes_back_while_it_goes_there() -> None:
    host, unit = Player((0, PACKET), (1, NOTE)), Player((41 * MS, ACK))
    line = lines("echo", host, unit)
    assert unit.heard == PACKET + NOTE
    assert host.heard == PACKET + NOTE + ACK
    assert bytewise(line.capture, FROM)[:130] == bytewise(line.capture, TO)
    said = [at_ns for what, at_ns, _ in unit.log if what == "left"]
    assert said == [130 * BYTE_NS + 6 * BYTE_NS]  # it had to wait: two cannot talk at once


def test_the_unit_hears_no_echo_of_its_own() -> None:
    host, unit = Player(), Player((0, ACK))
    lines("echo", host, unit)
    assert (host.heard, unit.heard) == (ACK, b"")


def test_the_echo_is_of_what_was_sent_and_not_of_what_the_cable_made_of_it() -> None:
    host, unit = Player((0, ACK)), Player()
    lines("echo", host, unit, [lose_message(direction=TO, message=0)])
    assert (host.heard, unit.heard) == (ACK, b"")


def test_exclusive_messages_are_filtered_and_others_pass() -> None:
    mixed = [NOTE, PACKET, b"\xf8", b"\xf0\x7e\xfe\x00\xf7", b"\xf6", b"\x41"]
    for direction in Direction:
        assert passed("no-exclusive", *mixed, direction=direction) == NOTE + b"\xf8\xfe\xf6\x41"
    assert passed("no-exclusive", b"\xf0\x7e\x00", b"\x11\x12", NOTE, b"\xf7") == NOTE + b"\xf7"


@pytest.mark.parametrize(
    ("name", "left"),
    [("no-exclusive-to-unit", [b"", PACKET]), ("no-exclusive-from-unit", [PACKET, b""])],
)
def test_a_filter_may_be_at_work_one_way(name: str, left: list[bytes]) -> None:
    assert both_ways(name) == left


# With disturbances


def test_to_the_unit_the_link_comes_before_the_cable() -> None:
    lost = lose_byte(direction=TO, message=0, byte=63)  # the last that the link lets pass
    cable = cable_with("at-most-64", TO, [lost])
    cable.send(PACKET, 0)
    assert [data for _, data in cable.arrivals] == [PACKET[:63]]


def test_towards_the_host_the_cable_comes_before_the_link() -> None:
    lost = lose_byte(direction=FROM, message=0, byte=63)
    cable = cable_with("at-most-64", FROM, [lost])
    cable.send(PACKET, 0)
    assert b"".join(data for _, data in cable.arrivals) == PACKET[:63] + PACKET[64:65]


PLACE = st.integers(0, 8)
WHERE = {"direction": st.sampled_from(Direction), "message": st.integers(0, 3)}
DISTURBANCES: st.SearchStrategy[list[Disturbance]] = st.lists(
    st.one_of(
        st.builds(flip_bit, **WHERE, byte=PLACE, bit=st.integers(0, 7)),
        st.builds(lose_byte, **WHERE, byte=PLACE),
        st.builds(add_byte, **WHERE, byte=PLACE, value=st.integers(0, 255)),
        st.builds(lose_message, **WHERE),
        st.builds(repeat_message, **WHERE),
        st.builds(delay_message, **WHERE, by_ns=st.integers(0, 3_000_000)),
        st.builds(cut_line, direction=WHERE["direction"], at_ns=st.integers(0, 60 * BYTE_NS)),
    ),
    max_size=4,
)
MESSAGES = st.sampled_from(
    [ACK, PACKET, HEADER, REQUEST, NOTE, b"\xf8", b"\xf0\x7e\x00", b"\xf0\xf8\x01\xf7", b"\x01"]
)
WHOLE = st.sampled_from([ACK, PACKET, HEADER, REQUEST, NOTE, b"\xf8"])
INSTANTS = st.integers(0, 90 * MS)
SAYS = st.lists(st.tuples(INSTANTS, MESSAGES), max_size=5).map(sorted)
SAYS_WHOLE = st.lists(st.tuples(INSTANTS, WHOLE), max_size=5).map(sorted)


@given(link=links(), host=SAYS, unit=SAYS, disturbances=DISTURBANCES)
@settings(max_examples=300, deadline=None, derandomize=True)
def test_any_link_over_any_line_ends_and_keeps_the_order_of_time_and_is_repeatable(
    link: Link,
    host: list[tuple[int, bytes]],
    unit: list[tuple[int, bytes]],
    disturbances: list[Disturbance],
) -> None:
    captures = []
    for _ in range(2):
        line = lines(name_of(link), Player(*host), Player(*unit), disturbances)
        captures.append(line.capture)
    assert captures[0] == captures[1]
    for direction in Direction:
        instants = [at_ns for at_ns, _ in bytewise(captures[0], direction)]
        assert all(later - earlier >= BYTE_NS for earlier, later in pairwise(instants))
        assert not instants or instants[0] >= BYTE_NS


@pytest.mark.parametrize(
    "name", ["at-most-127", "every-100000th", "splits-127", "joins", "usb", "echo"]
)
@given(host=SAYS_WHOLE, unit=SAYS_WHOLE)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_what_a_link_does_not_touch_arrives_as_without_it(
    name: str, host: list[tuple[int, bytes]], unit: list[tuple[int, bytes]]
) -> None:
    plain = lines(None, Player(*host), Player(*unit)).capture
    linked = lines(name, Player(*host), Player(*unit)).capture
    if name in ("joins", "usb"):  # nothing is lost; times are others
        assert all(plain.bytes_of(way) == linked.bytes_of(way) for way in Direction)
    elif name == "echo":
        assert [p for p in plain.passages if p.direction is TO] == [
            p for p in linked.passages if p.direction is TO
        ]
    else:
        assert linked == plain
