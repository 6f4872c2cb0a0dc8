"""What the things that pass are called, and when they passed."""

from __future__ import annotations

import pytest

from dryload.emulator.dump.capture import Capture, Passage
from dryload.harness.judge.timed_messages import name_of, timed_messages
from tests import oracle
from tests.files.captures import BYTE_NS, FROM, TO

HEADER = oracle.header(sample_number=3, length=400, bits=16, period_ns=22_676)
PACKET = oracle.packet(number=7, data=b"\x01")
ACK = oracle.handshake(kind="ACK", packet_number=7)


@pytest.mark.parametrize(
    ("data", "name"),
    [
        (HEADER, "dump header"),
        (PACKET, "data packet with number 7"),
        (ACK, "ACK for number 7"),
        (oracle.dump_request(sample_number=1), "dump request"),
        (PACKET[:99] + b"\xf7", "damaged data packet"),
        (PACKET[:99], "data packet that was cut short"),
        (b"\xf0\x01\x02", "System Exclusive message that was cut short"),
        (b"\xf0\x43\x01\xf7", "System Exclusive message of another kind"),
        (b"\x90\x40\x40", "message that is not System Exclusive"),
        (b"\xfe", "real-time byte"),
        (b"\x40", "bytes that belong to no message"),
    ],
)
def test_everything_has_a_name(data: bytes, name: str) -> None:
    (found,) = timed_messages(Capture([Passage(TO, 0, data)]), [TO])
    assert name_of(found.piece) == name


def test_times_count_from_the_first_message_and_clock_bytes_apart() -> None:
    first_ns = 10**12
    found = timed_messages(
        Capture(
            [
                Passage(FROM, first_ns - 5, b"\xf8"),
                Passage(TO, first_ns + 21 * BYTE_NS, HEADER),
                Passage(FROM, first_ns + 40 * BYTE_NS, b"\xf8"),
                Passage(FROM, first_ns + 50 * BYTE_NS, ACK),
                Passage(TO, first_ns + 60 * BYTE_NS, PACKET[:3]),
                Passage(TO, first_ns + 200 * BYTE_NS, PACKET[3:]),
            ]
        ),
        [TO, FROM],
    )

    assert [(each.direction, each.number, each.is_realtime, each.place) for each in found] == [
        (FROM, 1, True, 0),
        (TO, 1, False, 1),
        (FROM, 2, True, 2),
        (FROM, 1, False, 3),
        (TO, 2, False, 4),
    ]
    assert [each.start_ns for each in found[1:]] == [0, 39 * BYTE_NS, 44 * BYTE_NS, 57 * BYTE_NS]
    assert [each.end_ns for each in found[1:3]] == [21 * BYTE_NS, 40 * BYTE_NS]
    # Three bytes, then nothing until the other 124 of them begin.
    assert [each.gaps_ns for each in found] == [0, 0, 0, 0, (200 - 124 - 60) * BYTE_NS]


def test_messages_that_were_delivered_together_come_after_those_delivered_before() -> None:
    # As over TCP on a busy computer: by their lengths packet 7 would have ended before packet 6.
    numbers = (6, 7, 8)
    one, two, three = (oracle.packet(number=number, data=b"\x01") for number in numbers)
    found = timed_messages(
        Capture([Passage(FROM, 10**9, one), Passage(FROM, 10**9 + 31_000_000, two + three)]), [FROM]
    )
    assert [each.packet_number for each in found] == list(numbers)
    assert [each.end_ns - found[0].end_ns for each in found] == [0, 0, 31_000_000]
