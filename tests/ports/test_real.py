"""The real driver against a clock that stands still: what is told, when, and in which order."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import pytest

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.events import Event, EventKind
from dryload.emulator.dump.outgoing import Outgoing
from dryload.emulator.dump.sender import Sender, SenderEnd
from dryload.emulator.dump.switches import SenderSwitches
from dryload.emulator.ports.attention import Attention
from dryload.emulator.ports.port import Arrival, PortError
from dryload.emulator.ports.real import RealLine
from tests import oracle
from tests.line.players import Player
from tests.ports.clockwork import MS, FakeClock, FakePort

ACK = oracle.handshake(kind="ACK")
PACKET = oracle.packet(number=0, data=b"\x11")
HEADER = oracle.header(sample_number=1, bits=16, period_ns=22676, length=40)
# Bytes of ten bits at 31,250 baud (M1 p. 1): 6, 21 and 127 of them (M1 pp. 36-37).
ACK_NS, HEADER_NS, PACKET_NS = 1_920_000, 6_720_000, 40_640_000


def told(player: Player) -> list[tuple[str, int]]:
    return [(what, now_ns) for what, now_ns, _ in player.log if what != "says"]


def test_message_left_is_told_with_the_instant_the_last_byte_left() -> None:
    clock = FakeClock(late_ns=90_000)  # everybody wakes a little late, as on a real machine
    line = RealLine(port := FakePort(clock))
    player = Player((0, PACKET), (50 * MS, ACK))
    line.connect(player)
    assert line.run(lambda: player.is_over)
    assert told(player) == [("left", PACKET_NS), ("left", 50 * MS + ACK_NS)]
    assert port.sent == [(0, PACKET), (50 * MS + 90_000, ACK)]


def test_the_next_message_is_handed_over_only_when_the_one_before_has_left() -> None:
    line = RealLine(port := FakePort(FakeClock()))
    line.connect(player := Player((0, PACKET), (0, PACKET), (0, ACK)))
    line.run(lambda: player.is_over)
    assert port.sent == [(0, PACKET), (PACKET_NS, PACKET), (2 * PACKET_NS, ACK)]
    assert line.now_ns == 2 * PACKET_NS + ACK_NS


def test_a_late_hand_over_beyond_the_slack_begins_when_it_really_began() -> None:
    # Held up by 5 ms: a reply limit that began at the due instant would be 5 ms too short.
    line = RealLine(port := FakePort(FakeClock(stalls=[(10 * MS, 5 * MS)])))
    line.connect(player := Player((10 * MS, ACK)))
    line.run(lambda: player.is_over)
    assert port.sent == [(15 * MS, ACK)]
    assert told(player) == [("left", 15 * MS + ACK_NS)]


def answered(at_ns: int, *, knows: bool = True, stall: bool = True) -> tuple[EventKind, RealLine]:
    """Have a packet answered at an instant; the process is held up around the limit of 20 ms."""
    left_ns = HEADER_NS + PACKET_NS
    stalls = [(left_ns + 15 * MS, 40 * MS)] if stall else []
    clock = FakeClock(stalls=stalls)
    port = FakePort(clock, (HEADER_NS, ACK), (left_ns + at_ns, ACK), knows=knows)
    kinds: list[EventKind] = []
    line = RealLine(port, listener=lambda _, events: kinds.extend(e.kind for e in events))
    sender = Sender(Outgoing(header=HEADER, packets=[PACKET]))
    line.connect(sender)
    sender.start(0)
    line.run(lambda: sender.end is not None)
    assert sender.end is SenderEnd.SENT
    return kinds[1], line


@pytest.mark.parametrize("stall", [False, True])
@pytest.mark.parametrize(
    ("at_ns", "kind"),
    [
        (1, EventKind.ANSWERED),
        (20 * MS - 1, EventKind.ANSWERED),
        (20 * MS, EventKind.ANSWERED),  # at one instant arrivals come first
        (20 * MS + 1, EventKind.SILENCE),  # TIM-03: 20 ms (M1 p. 39)
    ],
)
def test_the_port_is_drained_before_a_deadline_is_believed(
    at_ns: int, kind: EventKind, stall: bool
) -> None:
    assert answered(at_ns, stall=stall)[0] is kind


def test_bytes_that_may_have_come_before_the_deadline_count_before_it() -> None:
    # The port gives the time at which they were found, 35 ms late: that is not the unit's fault.
    kind, line = answered(19 * MS, knows=False)
    assert kind is EventKind.ANSWERED
    assert line.lateness.doubtful == len(ACK)
    assert answered(19 * MS)[1].lateness.doubtful == 0


def test_who_is_held_up_between_looking_and_judging_looks_again() -> None:
    # The port is looked at before the limit and time is told after it: what came in between counts.
    left_ns = HEADER_NS + PACKET_NS

    class HeldUp(FakePort):
        def receive(self, timeout_ns: int, attention: Attention | None = None) -> list[Arrival]:
            found = super().receive(timeout_ns, attention)
            late = timeout_ns == 0 and self.clock.now_ns() >= left_ns
            if late and not found and not self.was_held_up:
                self.was_held_up = True
                self.clock.sleep_ns(40 * MS)
            return found

        was_held_up = False

    port = HeldUp(FakeClock(), (HEADER_NS, ACK), (left_ns + 10 * MS, ACK))
    kinds: list[EventKind] = []
    line = RealLine(port, listener=lambda _, events: kinds.extend(e.kind for e in events))
    line.connect(sender := Sender(Outgoing(header=HEADER, packets=[PACKET])))
    sender.start(0)
    line.run(lambda: sender.end is not None)
    assert kinds[:2] == [EventKind.ANSWERED, EventKind.ANSWERED]


def test_bytes_that_certainly_came_later_count_later() -> None:
    kind, line = answered(20 * MS + 1, knows=False, stall=False)
    assert kind is EventKind.SILENCE
    assert line.lateness.doubtful == 0


def test_no_drift_over_ten_thousand_messages_that_have_their_instants() -> None:
    clock = FakeClock(late_ns=90_000)
    line = RealLine(port := FakePort(clock))
    line.connect(player := Player(*((index * 3 * MS, ACK) for index in range(10_000))))
    line.run(lambda: player.is_over)
    assert told(player) == [("left", index * 3 * MS + ACK_NS) for index in range(10_000)]
    assert all(0 <= at_ns - i * 3 * MS <= 90_000 for i, (at_ns, _) in enumerate(port.sent))


def test_no_drift_over_ten_thousand_messages_back_to_back() -> None:
    line = RealLine(FakePort(FakeClock(late_ns=90_000)))
    line.connect(player := Player(*[(0, ACK)] * 10_000))
    line.run(lambda: player.is_over)
    assert told(player)[-1] == ("left", 10_000 * ACK_NS)


def test_no_drift_over_an_open_loop_dump() -> None:
    # 2 s for the header, then 20 ms after each packet (M1 p. 39), however late the process wakes.
    clock = FakeClock(late_ns=90_000)
    line = RealLine(FakePort(clock))
    sender = Sender(Outgoing(header=HEADER, packets=[PACKET] * 10_000))
    line.connect(sender)
    sender.start(0)
    line.run(lambda: sender.end is not None)
    expected_ns = HEADER_NS + 2_000 * MS + 10_000 * (PACKET_NS + 20 * MS)
    assert 0 <= clock.now_ns() - expected_ns <= 90_000


def test_a_run_ends_only_when_our_message_has_left() -> None:
    line = RealLine(FakePort(FakeClock()))
    line.connect(Player((0, PACKET)))
    line.run(lambda: False, until_ns=1)
    assert line.run(lambda: True)
    assert line.now_ns == PACKET_NS


def test_a_run_ends_at_its_instant() -> None:
    clock = FakeClock()
    line = RealLine(FakePort(clock))
    line.connect(player := Player((70 * MS, ACK)))
    assert not line.run(lambda: player.is_over, until_ns=60 * MS)
    assert line.now_ns == 60 * MS
    line.advance(1 * MS)
    assert line.now_ns == 61 * MS
    with pytest.raises(ValueError, match="cannot pass"):
        line.advance(-1)


def test_is_over_is_asked_at_least_every_50_ms() -> None:
    clock = FakeClock()
    line = RealLine(FakePort(clock))
    asked: list[int] = []

    def is_over() -> bool:
        asked.append(clock.now_ns())
        return clock.now_ns() > 1_000 * MS

    line.run(is_over)
    assert max(later - sooner for sooner, later in pairwise(asked)) <= 50 * MS


def test_a_port_that_goes_raises_and_the_capture_keeps_what_was_sent() -> None:
    port = FakePort(FakeClock(), (5 * MS, b"\xf8"))  # timing clock
    port.breaks_at_ns = 10 * MS
    line = RealLine(port)
    line.connect(player := Player((0, PACKET)))
    with pytest.raises(PortError, match=r"gone.*Mend it"):
        line.run(lambda: False)
    assert told(player) == [("hears", 5 * MS)]
    assert line.capture.bytes_of(Direction.TO_UNIT) == PACKET


@pytest.mark.parametrize(
    ("after_ns", "early"), [(3 * MS, 1), (PACKET_NS - 2 * MS, 0), (PACKET_NS, 0)]
)
def test_an_answer_that_no_line_of_that_pace_allows_is_counted(after_ns: int, early: int) -> None:
    # 127 bytes need 40.64 ms (M1 p. 1); what is answered sooner went another way
    line = RealLine(FakePort(FakeClock(), (after_ns, ACK)))
    line.connect(player := Player((0, PACKET)))
    line.run(lambda: player.is_over)
    assert line.lateness.early == early


def test_a_real_time_byte_in_between_is_no_early_answer() -> None:
    line = RealLine(FakePort(FakeClock(), (3 * MS, b"\xf8")))
    line.connect(player := Player((0, PACKET)))
    line.run(lambda: player.is_over)
    assert line.lateness.early == 0


# A process that was stopped: silence meanwhile is no evidence.


def stopped(
    at_ns: int, for_ns: int, *arrivals: tuple[int, bytes]
) -> tuple[Sender, RealLine, dict[EventKind, int]]:
    """Send a dump of two packets with this process stopped once; say when each event came first."""
    clock = FakeClock(stalls=[(at_ns, for_ns)])
    port = FakePort(clock, (HEADER_NS, ACK), *arrivals, knows=False)
    said: dict[EventKind, int] = {}

    def hear(_: Direction, events: Sequence[Event]) -> None:
        for event in events:
            said.setdefault(event.kind, clock.now_ns())

    line = RealLine(port, listener=hear)
    sender = Sender(
        Outgoing(header=HEADER, packets=[PACKET, PACKET]),
        switches=SenderSwitches(after_silence="again"),
    )
    line.connect(sender)
    sender.start(0)
    line.run(lambda: sender.end is not None, until_ns=60_000 * MS)
    return sender, line, said


LEFT_NS = HEADER_NS + PACKET_NS


@pytest.mark.parametrize("for_s", [3, 5, 20])
def test_who_was_stopped_waits_for_what_is_still_to_come(for_s: int) -> None:
    # Both ends were stopped: the answer comes 6 ms after everybody is back.
    away_ns = for_s * 1000 * MS
    sender, line, said = stopped(
        LEFT_NS + 5 * MS,
        away_ns,
        (LEFT_NS + away_ns + 11 * MS, ACK),
        (LEFT_NS + away_ns + 70 * MS, ACK[:4] + b"\x01\xf7"),
    )
    assert sender.end is SenderEnd.SENT
    assert sender.resent == 0
    assert EventKind.SILENCE not in said
    assert line.lateness.longest_stall_ns(0) >= away_ns - 20 * MS
    assert line.lateness.longest_stall_ns(LEFT_NS + 2 * away_ns) == 0


def test_a_limit_that_fell_due_meanwhile_comes_as_long_after_as_it_was_ahead() -> None:
    # Half a second is waited, and nothing of the three seconds counts.
    _, line, said = stopped(LEFT_NS + 5 * MS, 3_000 * MS)
    (gone_ns, back_ns) = line.lateness.stalls[0]
    assert said[EventKind.SILENCE] == LEFT_NS + 500 * MS + back_ns - gone_ns


def test_a_unit_that_was_stopped_does_not_give_its_dump_up() -> None:
    # Two limits at once: the answer that is due and the end of the unit's patience.
    class Both:
        """Answers 10 ms after it was asked and gives up 2 s after."""

        def __init__(self) -> None:
            self.answers_ns, self.ends_ns = 10 * MS, 2_000 * MS
            self.log: list[tuple[str, int]] = []

        def receive_bytes(self, data: bytes, now_ns: int) -> tuple[()]:
            return ()

        def message_left(self, now_ns: int) -> tuple[()]:
            return ()

        def bytes_to_send(self) -> bytes:
            return b""

        def next_deadline_ns(self) -> int | None:
            return min((each for each in (self.answers_ns, self.ends_ns) if each), default=None)

        def handle_deadline(self, now_ns: int) -> tuple[()]:
            if self.answers_ns and now_ns >= self.answers_ns:
                self.answers_ns = 0
                self.log.append(("answers", line.now_ns))
            if self.ends_ns and now_ns >= self.ends_ns:
                self.ends_ns = 0
                self.log.append(("ends", line.now_ns))
            return ()

    line = RealLine(FakePort(FakeClock(stalls=[(5 * MS, 5_000 * MS)])))
    both = Both()
    line.connect(both)
    line.run(lambda: not both.ends_ns, until_ns=20_000 * MS)
    (first, first_ns), (second, second_ns) = both.log
    assert (first, second) == ("answers", "ends")
    assert first_ns < 5_100 * MS
    assert second_ns >= 6_900 * MS
