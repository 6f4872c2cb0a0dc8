"""The real driver with the unit at this end: the line is emulated, outsiders may do anything."""

from __future__ import annotations

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.outgoing import outgoing
from dryload.emulator.dump.sender import Sender
from dryload.emulator.ports.pacer import Pacer
from dryload.emulator.ports.real import RealLine
from dryload.emulator.unit.board import RackUnit
from tests import oracle
from tests.line.players import Player
from tests.ports.clockwork import MS, FakeClock, FakePort
from tests.unit.desk import sample_of
from tests.unit.rack import profile_of

ACK = oracle.handshake(kind="ACK")
PACKET = oracle.packet(number=0, data=b"\x11")
# Bytes of ten bits at 31,250 baud (M1 p. 1): 6, 7 and 127 of them (M1 pp. 36-37).
ACK_NS, REQUEST_NS, PACKET_NS = 1_920_000, 2_240_000, 40_640_000


def unit_line(port: FakePort, *, keeps_capture: bool = True) -> RealLine:
    return RealLine(
        port, sends=Direction.FROM_UNIT, emulates_line=True, keeps_capture=keeps_capture
    )


def test_what_comes_has_passed_over_the_line_before_it_is_told_of() -> None:
    line = unit_line(FakePort(FakeClock(), (1 * MS, PACKET), (2 * MS, ACK)))
    line.connect(player := Player())
    line.advance(100 * MS)
    assert player.log == [
        ("hears", 1 * MS + PACKET_NS, PACKET),
        ("hears", 1 * MS + PACKET_NS + ACK_NS, ACK),
    ]


def test_messages_that_come_together_are_told_of_one_by_one() -> None:
    # A driver merged two messages and a half: each counts when its F7 is there.
    line = unit_line(FakePort(FakeClock(), (1, ACK + ACK + PACKET[:10]), (100 * MS, PACKET[10:])))
    line.connect(player := Player())
    line.advance(200 * MS)
    assert player.heard == ACK + ACK + PACKET
    assert [now_ns for _, now_ns, _ in player.log] == [
        1 + ACK_NS,
        1 + 2 * ACK_NS,
        1 + 2 * ACK_NS + 10 * 320_000,
        100 * MS + 117 * 320_000,
    ]


def test_what_goes_is_handed_over_when_its_last_byte_would_be_out() -> None:
    for late_ns in (0, 90_000):
        line = unit_line(port := FakePort(FakeClock(late_ns=late_ns)))
        line.connect(player := Player((0, ACK), (0, PACKET)))
        line.run(lambda: player.is_over)
        assert port.sent == [(ACK_NS + late_ns, ACK), (ACK_NS + PACKET_NS + late_ns, PACKET)]
        assert [passage.end_ns for passage in line.capture.passages] == [
            ACK_NS,
            ACK_NS + PACKET_NS,
        ]


def test_what_the_port_itself_takes_is_no_part_of_the_line_s_time() -> None:
    # A message that came 3 ms after it was sent has been on the line for so long already, and one
    # that is to arrive at an instant goes so much earlier; but nothing before it can.
    port = FakePort(FakeClock(), (10 * MS, PACKET), (60 * MS, ACK), latency_ns=3 * MS)
    line = unit_line(port)
    line.connect(player := Player((100 * MS, PACKET), (200 * MS, ACK)))
    line.run(lambda: player.is_over)
    assert [(what, now_ns) for what, now_ns, _ in player.log if what != "says"] == [
        ("hears", 7 * MS + PACKET_NS),
        ("hears", 60 * MS),  # 57 + 1.92 ms would be before it was here
        ("left", 100 * MS + PACKET_NS),
        ("left", 200 * MS + ACK_NS),
    ]
    assert port.sent == [(97 * MS + PACKET_NS, PACKET), (200 * MS, ACK)]


def test_what_a_hand_at_the_panel_makes_ready_is_not_late() -> None:
    line = unit_line(port := FakePort(FakeClock(), latency_ns=1_000 * MS))
    line.connect(sender := Sender(outgoing(sample_of([1]), number=1, device_id=0)))
    line.advance(50 * MS)
    sender.start(line.now_ns)
    line.advance(30 * MS)
    assert [at_ns for at_ns, _ in port.sent] == [50 * MS]
    assert line.lateness.total_ns == 0


def test_on_this_line_messages_keep_their_instants_while_the_process_is_held_up() -> None:
    line = unit_line(FakePort(FakeClock(stalls=[(10 * MS, 50 * MS)])))
    line.connect(player := Player((10 * MS, ACK), (30 * MS, ACK)))
    line.run(lambda: player.is_over)
    assert [passage.end_ns for passage in line.capture.passages] == [
        10 * MS + ACK_NS,
        30 * MS + ACK_NS,
    ]
    assert line.lateness.missed > 0


def test_a_unit_behind_a_port_answers_when_a_unit_on_a_cable_does() -> None:
    unit = RackUnit(profile_of())
    number = 0
    request = oracle.handshake(kind="ACK")  # says nothing to a unit that is idle
    header = oracle.header(
        device_id=unit.panel.device_id, sample_number=number, bits=16, period_ns=22676, length=40
    )
    line = unit_line(port := FakePort(FakeClock(), (0, request), (10 * MS, header)))
    line.connect(unit)
    line.advance(100 * MS)
    takes_ns = unit.profile.input.store_header_ns
    answer = oracle.handshake(device_id=unit.panel.device_id, kind="ACK", packet_number=0)
    assert port.sent == [(10 * MS + len(header) * 320_000 + takes_ns + ACK_NS, answer)]


def flooded(*, holds_back: bool) -> tuple[RealLine, FakePort, Player]:
    """Have 4 MB come within a second, where the line takes 3,125 bytes in that time (M1 p. 1)."""
    chunk = ACK * (20 if holds_back else 2_000)
    step_ns = 30_000 if holds_back else 3 * MS
    port = FakePort(
        FakeClock(),
        *((at * step_ns, chunk) for at in range(1, 351)),
        holds_back=holds_back,
        at_most=1,
    )
    line = unit_line(port, keeps_capture=False)
    line.connect(player := Player())
    line.advance(1_060 * MS)
    return line, port, player


def test_a_flood_is_held_back_where_the_port_can_do_that() -> None:
    line, port, player = flooded(holds_back=True)
    assert line.lateness.lost_bytes == 0
    assert player.heard == (ACK * 1_000)[: len(player.heard)]
    assert port.waiting > 350 * 120 - 10_000
    assert len(player.heard) // 6 == (1_060 * MS - 30_000) // ACK_NS


def test_a_flood_loses_what_cannot_be_held_and_says_how_much() -> None:
    line, _, player = flooded(holds_back=False)
    assert 0 < 350 * 12_000 - line.lateness.lost_bytes < 1 << 20
    assert len(player.heard) // 6 == 1_057 * MS // ACK_NS


def test_without_a_pace_there_is_no_line_to_emulate() -> None:
    port = FakePort(FakeClock(), (5, PACKET))
    line = RealLine(port, sends=Direction.FROM_UNIT, emulates_line=True, pacer=Pacer(byte_ns=0))
    line.connect(player := Player((7, ACK)))
    line.run(lambda: player.is_over)
    assert player.log == [("hears", 5, PACKET), ("says", 7, ACK), ("left", 7, b"")]
    assert port.sent == [(7, ACK)]


def test_a_unit_that_is_asked_to_stop_stops_between_messages() -> None:
    clock = FakeClock()
    line = unit_line(port := FakePort(clock))
    line.connect(Player((0, PACKET)))
    assert line.run(lambda: clock.now_ns() > 10 * MS)
    assert port.sent == [(PACKET_NS, PACKET)]
