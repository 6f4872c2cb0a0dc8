"""The real driver: its capture, its lateness, and endpoints that come and go."""

from __future__ import annotations

from dryload.emulator.dump.capture import Direction, Passage
from dryload.emulator.ports.lateness import TOLERANCE_NS
from dryload.emulator.ports.pacer import Pacer
from dryload.emulator.ports.port import PortError
from dryload.emulator.ports.real import RealLine
from tests import oracle
from tests.line.players import FROM, TO, Player
from tests.ports.clockwork import MS, FakeClock, FakePort

ACK = oracle.handshake(kind="ACK")
PACKET = oracle.packet(number=0, data=b"\x11")
ACK_NS, PACKET_NS = 1_920_000, 40_640_000  # bytes of ten bits at 31,250 baud (M1 p. 1)
CLOCK = b"\xf8"  # timing clock, a real-time byte (M1 p. 30)


def is_sorted(passages: list[Passage]) -> bool:
    ends = [passage.end_ns for passage in passages]
    return ends == sorted(ends)


def test_both_directions_are_kept_in_the_order_of_their_instants() -> None:
    port = FakePort(FakeClock(late_ns=90_000), (10 * MS, CLOCK), (PACKET_NS + 2 * MS, ACK))
    line = RealLine(port)
    line.connect(player := Player((0, PACKET), (60 * MS, ACK)))
    line.run(lambda: player.is_over)
    assert line.capture.passages == [
        Passage(FROM, 10 * MS, CLOCK),
        Passage(TO, PACKET_NS, PACKET),
        Passage(FROM, PACKET_NS + 2 * MS, ACK),
        Passage(TO, 60 * MS + ACK_NS, ACK),
    ]


def test_an_answer_stands_behind_what_it_answers_even_if_no_line_is_there() -> None:
    # Nothing is behind this port: the answer comes before a line could have carried the packet.
    port = FakePort(
        FakeClock(), answer=lambda message: [(2 * MS, ACK)] if message == PACKET else []
    )
    line = RealLine(port)
    line.connect(player := Player((0, PACKET)))
    line.run(lambda: player.is_over)
    assert line.capture.passages == [Passage(TO, 2 * MS, PACKET), Passage(FROM, 2 * MS, ACK)]
    # The reply limit still counts from where the line would have ended, in the unit's favour.
    assert [(what, now_ns) for what, now_ns, _ in player.log] == [
        ("says", 0),
        ("hears", 2 * MS),
        ("left", PACKET_NS),
    ]


def test_in_the_place_of_the_unit_the_directions_are_the_other_way_round() -> None:
    line = RealLine(FakePort(FakeClock(), (3 * MS, PACKET)), sends=Direction.FROM_UNIT)
    line.connect(Player((4 * MS, ACK)))
    line.advance(10 * MS)
    assert [passage.direction for passage in line.capture.passages] == [TO, FROM]


def test_a_recorder_hears_everything_and_nothing_needs_to_be_kept() -> None:
    heard: list[Passage] = []
    port = FakePort(FakeClock(), (50 * MS, ACK))
    line = RealLine(port, recorder=heard.append, keeps_capture=False)
    line.connect(Player((0, PACKET)))
    line.advance(60 * MS)
    assert heard == [Passage(TO, PACKET_NS, PACKET), Passage(FROM, 50 * MS, ACK)]
    assert line.capture.passages == []


def test_a_fresh_line_drops_what_was_received_before() -> None:
    clock = FakeClock()
    port = FakePort(clock, (0, ACK), (3, CLOCK))
    clock.sleep_ns(3)
    line = RealLine(port)
    line.connect(player := Player())
    line.advance(10)
    assert player.heard == b""
    assert line.capture.passages == []


def test_who_comes_later_is_not_told_what_was_said_to_the_one_before() -> None:
    port = FakePort(clock := FakeClock(), (5 * MS, ACK), (60 * MS, CLOCK))
    line = RealLine(port)
    line.connect(first := Player((0, PACKET)))
    line.advance(1 * MS)
    clock.sleep_ns(9 * MS)  # the harness is at something else
    line.connect(second := Player((10 * MS, ACK)))
    line.run(lambda: False, until_ns=70 * MS)
    assert [what for what, *_ in first.log] == ["says"]
    assert [(what, now_ns) for what, now_ns, _ in second.log] == [
        ("says", 10 * MS),
        ("left", PACKET_NS + ACK_NS),  # the message of the first had to leave before
        ("hears", 60 * MS),
    ]
    assert line.capture.bytes_of(FROM) == ACK + CLOCK
    assert line.capture.bytes_of(TO) == PACKET + ACK
    assert is_sorted(line.capture.passages)


def test_lateness_is_measured_and_what_could_change_an_outcome_is_counted() -> None:
    clock = FakeClock(late_ns=90_000, stalls=[(30 * MS, 7 * MS)])
    line = RealLine(FakePort(clock))
    line.connect(player := Player(*((at * 10 * MS, ACK) for at in range(6))))
    line.run(lambda: player.is_over)
    # The deadline at 30 ms was met when the process came back.
    assert line.lateness.worst_ns == 7_090_000
    assert line.lateness.worst_at_ns == 30 * MS
    # A deadline, and the message that was handed over for it.
    assert line.lateness.missed == 2
    assert line.lateness.met == 6 * 3  # a deadline, a hand-over and an end each


def test_waking_a_little_late_is_no_finding() -> None:
    for late_ns, missed in ((TOLERANCE_NS, 0), (TOLERANCE_NS + 1, 1)):
        line = RealLine(FakePort(FakeClock(late_ns=late_ns)), pacer=Pacer(byte_ns=0))
        line.connect(player := Player())
        player.wake_ns = 10 * MS
        line.advance(20 * MS)
        assert (line.lateness.missed, line.lateness.worst_ns) == (missed, late_ns)


def test_time_in_which_nobody_ran_the_line_is_no_lateness() -> None:
    clock = FakeClock()
    line = RealLine(FakePort(clock))
    line.connect(Player())
    line.advance(1 * MS)
    clock.sleep_ns(500 * MS)
    line.connect(player := Player((501 * MS, ACK)))
    line.run(lambda: player.is_over)
    assert line.lateness.worst_ns == 0


def test_a_message_that_the_port_refuses_is_not_in_the_capture() -> None:
    class Refusing(FakePort):
        def send(self, message: bytes) -> None:
            raise PortError("It did not take it.", "Try another.")

    for emulates in (False, True):
        line = RealLine(Refusing(FakeClock()), emulates_line=emulates)
        line.connect(player := Player((0, ACK)))
        try:
            line.run(lambda: player.is_over)
        except PortError:
            assert line.capture.passages == []
        else:
            raise AssertionError("nobody was told")
