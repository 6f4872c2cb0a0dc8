"""The script: what went one way goes again, every byte at its instant, whatever comes back."""

from __future__ import annotations

from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.emulator.dump.passed import passed
from dryload.emulator.dump.script import Cue, Script, cues_of
from dryload.emulator.line.simulate import SimulatedLine
from tests import oracle
from tests.edits import add_byte, cut_line, delay_message, lose_byte
from tests.files.captures import BYTE_NS, FROM, TO, bytewise, captures
from tests.line.players import Player

ACK: Final = oracle.handshake(kind="ACK")
PACKET: Final = oracle.packet(number=0, data=b"\x11")
MS: Final = 1_000_000


def played(capture: Capture, *, origin_ns: int) -> SimulatedLine:
    """Play both sides of a capture against each other."""
    host, unit = (
        Script(cues_of(capture, direction, origin_ns=origin_ns)) for direction in (TO, FROM)
    )
    line = SimulatedLine(unit)
    line.connect(host)
    for script in (host, unit):
        script.start(0)
    assert line.run(lambda: host.is_over and unit.is_over)
    return line


@given(captures())
def test_every_byte_of_any_conversation_passes_at_its_instant_again(was: Capture) -> None:
    # Where a passage began before the recording did, the script can only begin with it.
    origin_ns = min(each.end_ns - len(each.data) * BYTE_NS for each in was.passages)
    line = played(was, origin_ns=origin_ns)

    for direction in Direction:
        then = [(now_ns - origin_ns, byte) for now_ns, byte in bytewise(was, direction)]
        assert bytewise(line.capture, direction) == then


@given(captures(overlapping=True))
def test_what_a_driver_delivered_too_fast_for_a_line_loses_nothing(was: Capture) -> None:
    line = played(was, origin_ns=was.passages[0].end_ns)

    for direction in Direction:
        assert line.capture.bytes_of(direction) == was.bytes_of(direction)


def test_a_disturbed_conversation_is_played_as_it_was() -> None:
    host = Player((0, PACKET), (50 * MS, PACKET), (99 * MS, PACKET), (200 * MS, PACKET))
    line = SimulatedLine(
        Player((60 * MS, b"\xfe"), (99 * MS, ACK)),
        disturbances=[
            lose_byte(direction=TO, message=0, byte=7),
            add_byte(direction=TO, message=1, byte=3, value=0xF8),
            delay_message(direction=TO, message=2, by_ns=12_345),
            cut_line(direction=TO, at_ns=210 * MS),
        ],
    )
    line.connect(host)
    line.run(lambda: host.is_over)
    again = played(line.capture, origin_ns=0).capture

    for direction in Direction:
        assert bytewise(again, direction) == bytewise(line.capture, direction)


def test_a_message_waits_until_the_wire_is_free() -> None:
    script = Script([Cue(0, PACKET), Cue(5 * MS, ACK)])
    line = SimulatedLine(Player())
    line.connect(script)
    script.start(0)
    line.run(lambda: script.is_over)
    assert line.capture.passages == [
        Passage(TO, 127 * BYTE_NS, PACKET),
        Passage(TO, 133 * BYTE_NS, ACK),
    ]


def test_instants_count_from_the_start() -> None:
    script = Script([Cue(3 * MS, ACK), Cue(9 * MS, PACKET)])
    assert script.next_deadline_ns() is None
    assert script.bytes_to_send() == b""
    script.start(100 * MS)
    assert script.next_deadline_ns() == 103 * MS
    assert script.handle_deadline(103 * MS - 1) == ()
    assert script.bytes_to_send() == b""
    script.handle_deadline(103 * MS)
    assert script.next_deadline_ns() == 109 * MS
    assert (script.bytes_to_send(), script.bytes_to_send()) == (ACK, b"")
    assert not script.is_over
    script.handle_deadline(500 * MS)
    assert script.next_deadline_ns() is None
    assert not script.is_over
    assert script.bytes_to_send() == PACKET
    assert script.is_over


@given(st.lists(st.binary(max_size=40), max_size=6))
def test_nothing_that_arrives_changes_anything(arrivals: list[bytes]) -> None:
    script = Script([Cue(3 * MS, PACKET)])
    script.start(0)
    for now_ns, data in enumerate(arrivals):
        assert script.receive_bytes(data, now_ns) == ()
        assert script.message_left(now_ns) == ()
    assert script.next_deadline_ns() == 3 * MS
    assert script.bytes_to_send() == b""


def test_who_uses_it_wrongly_is_told() -> None:
    with pytest.raises(ValueError, match="back in time"):
        Script([Cue(2, ACK), Cue(1, ACK)])
    with pytest.raises(ValueError, match="back in time"):
        Script([Cue(-1, ACK)])
    script = Script([])
    script.start(0)
    with pytest.raises(ValueError, match="once"):
        script.start(0)


# What passed, piece by piece.


def test_messages_are_found_in_whatever_parts_they_came() -> None:
    first, second = PACKET[:50], PACKET[50:]
    capture = Capture(
        [
            Passage(TO, 16 * MS, first),
            Passage(FROM, 17 * MS, ACK),
            Passage(TO, 80 * MS, second + ACK),
        ]
    )
    packet, ack = passed(capture, TO)

    assert (packet.piece.raw, ack.piece.raw) == (PACKET, ACK)
    assert packet.start_ns == 16 * MS - 50 * BYTE_NS
    assert packet.end_ns == 80 * MS - 6 * BYTE_NS == ack.start_ns
    assert ack.end_ns == 80 * MS
    assert [(run.start_ns, run.data) for run in packet.runs] == [
        (packet.start_ns, first),
        (packet.end_ns - 77 * BYTE_NS, second),
    ]


@pytest.mark.parametrize(
    ("later_ns", "gap"), [(0, False), (77 * BYTE_NS, False), (77 * BYTE_NS + 1, True)]
)
def test_parts_between_which_there_is_no_gap_are_one_again(later_ns: int, gap: bool) -> None:
    parts = [Passage(TO, 16 * MS, PACKET[:50]), Passage(TO, 16 * MS + later_ns, PACKET[50:])]
    (packet,) = passed(Capture(parts), TO)

    assert [run.data for run in packet.runs] == ([PACKET[:50], PACKET[50:]] if gap else [PACKET])
    assert packet.end_ns == 16 * MS + later_ns
    assert [cue.data for cue in cues_of(Capture(parts))] == [run.data for run in packet.runs]


@given(captures(overlapping=True))
def test_no_byte_is_lost_or_moved(was: Capture) -> None:
    for direction in Direction:
        found = list(passed(was, direction))
        assert b"".join(each.piece.raw for each in found) == was.bytes_of(direction)
        for each in found:
            assert b"".join(run.data for run in each.runs) == each.piece.raw


@given(captures())
def test_every_byte_keeps_its_instant(was: Capture) -> None:
    for direction in Direction:
        assert bytewise(was, direction) == [
            (run.start_ns + (at + 1) * BYTE_NS, byte)
            for each in passed(was, direction)
            for run in each.runs
            for at, byte in enumerate(run.data)
        ]
