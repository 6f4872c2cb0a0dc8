"""The simulated driver: what happens at one instant, in which order, and when a run ends."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from dryload.emulator.dump.capture import Capture, Direction, Passage
from dryload.emulator.dump.events import Event, EventKind
from dryload.emulator.dump.outgoing import Outgoing
from dryload.emulator.dump.sender import Sender, SenderEnd
from dryload.emulator.line.disturbance import Disturbance
from dryload.emulator.line.simulate import SimulatedLine
from tests import oracle
from tests.edits import delay_message, lose_message
from tests.line.players import BYTE_NS, FROM, TO, Player, bytewise
from tests.vectors import timeline

ACK = oracle.handshake(kind="ACK")
LONG = oracle.packet(number=0, data=b"\x11")
SIX = 6 * BYTE_NS
HEADER = oracle.header(sample_number=1, bits=16, period_ns=22676, length=120)


def line_of(
    host: Player | Sender, unit: Player, disturbances: Sequence[Disturbance] = ()
) -> SimulatedLine:
    line = SimulatedLine(unit, disturbances=disturbances)
    line.connect(host)
    return line


class Diary:
    """One list for all players and actions, so that the order of calls shows."""

    def __init__(self) -> None:
        self.entries: list[tuple[str, str, int]] = []

    def player(self, who: str, *messages: tuple[int, bytes]) -> Player:
        diary = self

        class Writing(Player):
            def _write(self, what: str, now_ns: int) -> None:
                diary.entries.append((who, what, now_ns))

            def receive_bytes(self, data: bytes, now_ns: int) -> Sequence[Event]:
                self._write("hears", now_ns)
                return super().receive_bytes(data, now_ns)

            def message_left(self, now_ns: int) -> Sequence[Event]:
                self._write("left", now_ns)
                return super().message_left(now_ns)

            def handle_deadline(self, now_ns: int) -> Sequence[Event]:
                self._write("deadline", now_ns)
                return super().handle_deadline(now_ns)

            def bytes_to_send(self) -> bytes:
                message = super().bytes_to_send()
                if message:
                    self._write("says", self.log[-1][1])
                return message

        return Writing(*messages)

    def at(self, now_ns: int) -> list[str]:
        return [f"{who} {what}" for who, what, when in self.entries if when == now_ns]


# one instant


def test_the_order_of_what_happens_at_one_instant() -> None:
    diary = Diary()
    host = diary.player("host", (0, ACK), (0, ACK))
    unit = diary.player("unit", (0, ACK), (0, ACK))
    line = line_of(host, unit)
    host.wake_ns = unit.wake_ns = SIX
    line.at(SIX, lambda now_ns: diary.entries.append(("hand", "one", now_ns)))
    line.at(SIX, lambda now_ns: diary.entries.append(("hand", "two", now_ns)))
    line.run(lambda: host.is_over and unit.is_over)
    assert diary.at(SIX) == [
        "host hears",
        "unit hears",
        "host left",
        "unit left",
        "host deadline",
        "unit deadline",
        "hand one",
        "hand two",
        "host says",
        "unit says",
    ]


def test_a_hand_at_the_panel_comes_before_the_next_message_of_that_instant() -> None:
    sender = Sender(Outgoing(header=HEADER, packets=[LONG] * 3))
    unit = Player((len(HEADER) * BYTE_NS, ACK))
    line = line_of(sender, unit)
    sender.start(0)
    # the ACK arrives, and at that very instant somebody stops the dump: no packet may begin
    line.at(len(HEADER) * BYTE_NS + SIX, sender.stop)
    line.run(lambda: sender.end is not None)
    assert sender.end is SenderEnd.STOPPED
    assert unit.heard == HEADER + oracle.handshake(kind="CANCEL")


@pytest.mark.parametrize(
    ("extra_ns", "kinds"),
    [
        (0, [EventKind.ANSWERED, EventKind.ANSWERED]),
        (1, [EventKind.ANSWERED, EventKind.SILENCE]),
    ],
)
def test_a_deadline_that_an_arrival_at_its_instant_has_lifted_does_not_come(
    extra_ns: int, kinds: list[EventKind]
) -> None:
    # the answer is complete 20 ms after the packet: in time (TIM-03, M1 p. 39)
    late = timeline.LATEST_ANSWER_START_NS
    header_ns, packet_ns = len(HEADER) * BYTE_NS, len(LONG) * BYTE_NS
    first_left = header_ns + SIX + packet_ns
    sender = Sender(Outgoing(header=HEADER, packets=[LONG, oracle.packet(number=1, data=b"")]))
    unit = Player((header_ns, ACK), (first_left + late + extra_ns, ACK))
    heard: list[EventKind] = []
    line = SimulatedLine(unit, listener=lambda _, events: heard.extend(e.kind for e in events))
    line.connect(sender)
    sender.start(0)
    line.run(lambda: False, until_ns=first_left + 20_000_000)
    assert heard == kinds


def test_actions_of_one_instant_keep_their_order_and_may_add_more() -> None:
    line = line_of(Player(), Player())
    seen: list[tuple[str, int]] = []
    line.at(50, lambda now_ns: seen.append(("third", now_ns)))
    line.at(20, lambda now_ns: seen.append(("first", now_ns)))

    def second(now_ns: int) -> None:
        seen.append(("second", now_ns))
        line.at(now_ns, lambda now_ns: seen.append(("added", now_ns)))

    line.at(20, second)
    assert line.run(lambda: len(seen) == 4)
    assert seen == [("first", 20), ("second", 20), ("added", 20), ("third", 50)]


@pytest.mark.parametrize("direction", [TO, FROM])
def test_what_an_action_makes_somebody_say_is_said_at_once(direction: Direction) -> None:
    host, unit = Player(), Player()
    line = line_of(host, unit)
    speaker, listener = (host, unit) if direction is TO else (unit, host)
    line.at(700, lambda now_ns: speaker.add(now_ns, ACK))
    line.run(lambda: bool(listener.heard))
    assert bytewise(line.capture, direction)[0] == (700 + BYTE_NS, 0xF0)


def test_a_deadline_comes_at_its_instant_and_not_with_somebody_elses() -> None:
    diary = Diary()
    host, unit = diary.player("host"), diary.player("unit")
    line = line_of(host, unit)
    host.wake_ns, unit.wake_ns = 1_001, 1_000
    line.run(lambda: False)
    assert diary.entries == [("unit", "deadline", 1_000), ("host", "deadline", 1_001)]


def test_an_action_for_the_past_happens_now() -> None:
    line = line_of(Player(), Player())
    line.advance(1_000)
    seen: list[int] = []
    line.at(10, seen.append)
    line.advance(0)
    assert seen == [1_000]


# the two directions


def test_both_directions_carry_at_the_same_time() -> None:
    host, unit = Player((0, LONG)), Player((BYTE_NS, LONG))
    line = line_of(host, unit)
    line.run(lambda: host.is_over and unit.is_over)
    assert bytewise(line.capture, TO) == [((at + 1) * BYTE_NS, b) for at, b in enumerate(LONG)]
    assert bytewise(line.capture, FROM) == [((at + 2) * BYTE_NS, b) for at, b in enumerate(LONG)]


@pytest.mark.parametrize("direction", [TO, FROM])
def test_a_disturbance_strikes_its_own_direction_only(direction: Direction) -> None:
    host, unit = Player((0, ACK)), Player((0, ACK))
    line = line_of(host, unit, [lose_message(direction=direction, message=0)])
    line.run(lambda: host.is_over and unit.is_over)
    assert (unit.heard == b"") == (direction is TO)
    assert (host.heard == b"") == (direction is FROM)


def test_the_capture_is_in_the_order_of_arrival() -> None:
    host, unit = Player((0, LONG), (0, ACK)), Player((5, ACK), (10**8, LONG))
    line = line_of(host, unit)
    line.run(lambda: host.is_over and unit.is_over)
    ends = [passage.end_ns for passage in line.capture.passages]
    assert ends == sorted(ends)
    assert line.capture.passages[0] == Passage(FROM, 5 + SIX, ACK)
    assert line.capture.bytes_of(TO) == LONG + ACK
    assert line.capture.bytes_of(FROM) == ACK + LONG


def test_a_second_message_waits_until_the_first_has_left() -> None:
    host, unit = Player((0, ACK), (0, ACK)), Player()
    line = line_of(host, unit)
    line.run(lambda: host.is_over)
    assert [(what, now) for what, now, _ in host.log] == [
        ("says", 0),
        ("left", SIX),
        ("says", SIX),
        ("left", 2 * SIX),
    ]


# the end of a run


def test_a_run_ends_only_when_the_wires_are_empty() -> None:
    host, unit = Player((0, LONG)), Player()
    line = line_of(host, unit)
    assert line.run(lambda: host.is_over)
    assert (line.now_ns, unit.heard) == (127 * BYTE_NS, LONG)


@pytest.mark.parametrize("direction", [TO, FROM])
def test_a_run_waits_for_a_message_that_was_held_up(direction: Direction) -> None:
    speaker, listener = Player((0, ACK)), Player()
    host, unit = (speaker, listener) if direction is TO else (listener, speaker)
    line = line_of(host, unit, [delay_message(direction=direction, message=0, by_ns=7)])
    assert line.run(lambda: speaker.is_over)
    assert (line.now_ns, listener.heard) == (SIX + 7, ACK)


def test_a_run_waits_until_a_message_has_left_that_never_arrives() -> None:
    host, unit = Player((0, ACK)), Player()
    line = line_of(host, unit, [lose_message(direction=TO, message=0)])
    assert line.run(lambda: host.is_over)
    assert (line.now_ns, unit.heard) == (SIX, b"")


def test_a_run_ends_when_nothing_will_happen_any_more() -> None:
    host, unit = Player((40, ACK)), Player()
    line = line_of(host, unit)
    assert not line.run(lambda: False)
    assert line.now_ns == 40 + SIX


def test_until_lets_everything_up_to_that_instant_happen_and_nothing_later() -> None:
    host, unit = Player((0, ACK)), Player()
    line = line_of(host, unit)
    assert not line.run(lambda: False, until_ns=SIX - 1)
    assert (line.now_ns, unit.heard) == (SIX - 1, b"")
    assert not line.run(lambda: False, until_ns=SIX)
    assert (line.now_ns, unit.heard) == (SIX, ACK)


def test_until_an_instant_that_has_passed_time_does_not_run_back() -> None:
    host, unit = Player((0, ACK), (10**9, ACK)), Player()
    line = line_of(host, unit)
    line.run(lambda: False, until_ns=10**8)
    assert not line.run(lambda: False, until_ns=5)
    assert line.now_ns == 10**8


def test_advancing_lets_time_pass_with_or_without_anything_to_do() -> None:
    host, unit = Player((0, ACK)), Player()
    line = line_of(host, unit)
    line.advance(SIX - 1)
    assert (line.now_ns, unit.heard) == (SIX - 1, b"")
    line.advance(1)
    assert (line.now_ns, unit.heard) == (SIX, ACK)
    line.advance(10**12)
    assert line.now_ns == 10**12 + SIX


def test_time_cannot_be_sent_backwards() -> None:
    with pytest.raises(ValueError, match="-1"):
        line_of(Player(), Player()).advance(-1)


def test_a_line_with_nobody_at_the_hosts_end_carries_what_the_unit_says() -> None:
    unit = Player((0, ACK))
    line = SimulatedLine(unit)
    assert not line.run(lambda: False)
    assert line.capture.passages == [Passage(FROM, SIX, ACK)]


# one host after another


def test_one_host_after_another_hears_what_comes_while_it_is_connected() -> None:
    first, second, unit = Player((0, ACK)), Player((0, LONG)), Player((10**7, ACK))
    line = line_of(first, unit)
    line.run(lambda: first.is_over)
    line.connect(second)
    line.run(lambda: second.is_over and unit.is_over)
    assert (first.heard, second.heard, unit.heard) == (b"", ACK, ACK + LONG)


def test_a_new_host_is_not_told_that_the_message_of_the_one_before_has_left() -> None:
    first, second, unit = Player((0, LONG)), Player((0, ACK)), Player()
    line = line_of(first, unit)
    line.run(lambda: False, until_ns=5)
    line.connect(second)
    line.run(lambda: second.is_over)
    # its own message goes out behind the one that is on the wire
    assert [(what, now) for what, now, _ in second.log] == [
        ("says", 5),
        ("left", 127 * BYTE_NS + SIX),
    ]
    assert unit.heard == LONG + ACK


def test_the_deadline_of_the_host_before_is_forgotten() -> None:
    first, unit = Player(), Player()
    first.wake_ns = 10**6
    line = line_of(first, unit)
    line.run(lambda: False, until_ns=5)
    line.connect(Player())
    assert not line.run(lambda: False)
    assert line.now_ns == 5


# what is listened to, and the same again


def test_the_listener_hears_events_with_the_direction_of_their_speaker() -> None:
    class Chatty(Player):
        def receive_bytes(self, data: bytes, now_ns: int) -> Sequence[Event]:
            return (Event(EventKind.IGNORED, now_ns),)

        def message_left(self, now_ns: int) -> Sequence[Event]:
            return (Event(EventKind.DONE, now_ns),)

        def handle_deadline(self, now_ns: int) -> Sequence[Event]:
            super().handle_deadline(now_ns)
            return (Event(EventKind.SILENCE, now_ns),)

    host, unit = Chatty((0, ACK)), Chatty((3, ACK))
    told: list[tuple[object, EventKind, int]] = []
    line = SimulatedLine(
        unit, listener=lambda where, events: told.extend((where, e.kind, e.now_ns) for e in events)
    )
    line.connect(host)
    line.run(lambda: host.is_over and unit.is_over)
    assert told == [
        (TO, EventKind.SILENCE, 0),
        (FROM, EventKind.SILENCE, 3),
        (FROM, EventKind.IGNORED, SIX),
        (TO, EventKind.DONE, SIX),
        (TO, EventKind.IGNORED, SIX + 3),
        (FROM, EventKind.DONE, SIX + 3),
    ]


def test_the_same_inputs_make_the_same_capture() -> None:
    def run() -> Capture:
        host, unit = Player((0, LONG), (3, ACK), (10**7, LONG)), Player((7, ACK), (9, LONG))
        line = line_of(host, unit, [delay_message(direction=FROM, message=1, by_ns=11)])
        line.run(lambda: host.is_over and unit.is_over)
        return line.capture

    assert run() == run()
