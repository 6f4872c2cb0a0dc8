"""How often a MIDI port is looked at, and that no time is told worse for it; each sleep counts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.outgoing import Outgoing
from dryload.emulator.dump.sender import Sender, SenderEnd
from dryload.emulator.ports.lateness import TOLERANCE_NS
from dryload.emulator.ports.midi_port import MidiPort
from dryload.emulator.ports.pacer import Pacer
from dryload.emulator.ports.port import Truncated
from dryload.emulator.ports.real import RealLine
from dryload.emulator.unit.board import RackUnit
from dryload.harness.jobs.serve import Serving
from tests import oracle
from tests.line.players import Player
from tests.ports.clockwork import MS, FakeClock
from tests.ports.stand_in import FakeSink, FakeSource
from tests.unit.rack import profile_of

S = 1_000 * MS
ACK = oracle.handshake(kind="ACK")
PACKET = oracle.packet(number=0, data=b"\x11")
HEADER = oracle.header(sample_number=1, bits=16, period_ns=22676, length=4_000)
# Bytes of ten bits at 31,250 baud (M1 p. 1): 6, 21 and 127 of them (M1 pp. 36-37).
BYTE_NS, ACK_NS, HEADER_NS, PACKET_NS = 320_000, 1_920_000, 6_720_000, 40_640_000
IDLE = 250
"""Wakeups a second of a unit that nobody sends to, at most."""


class CountingClock(FakeClock):
    """Counts how often somebody sleeps: that is how often the process wakes."""

    def __init__(self, *, late_ns: int = 0, stalls: Sequence[tuple[int, int]] = ()) -> None:
        super().__init__(late_ns=late_ns, stalls=stalls)
        self.wakeups = 0

    def sleep_ns(self, duration_ns: int) -> None:
        self.wakeups += duration_ns > 0
        super().sleep_ns(duration_ns)


class Rig:
    """A MIDI port on stand-ins; `answer_ns` after each message to it has left, an ACK comes."""

    def __init__(
        self,
        *messages: tuple[int, bytes],
        answer_ns: int | None = None,
        byte_ns: int = BYTE_NS,
        late_ns: int = 0,
        stalls: Sequence[tuple[int, int]] = (),
    ) -> None:
        self.clock = CountingClock(late_ns=late_ns, stalls=stalls)
        source = self.source = FakeSource(self.clock, *sorted(messages))

        class Answering(FakeSink):
            def send_message(self, message: bytes) -> None:
                super().send_message(message)
                if answer_ns is not None:
                    left_ns = source.now_ns() + len(message) * byte_ns
                    number = message[4] if len(message) == len(PACKET) else 0
                    ack = oracle.handshake(kind="ACK", packet_number=number)
                    source.add(left_ns + answer_ns, ack)

        self.port = MidiPort(
            "desk",
            self.clock,
            source,
            Answering(),
            system="alsa",
            truncated=Truncated.NEVER,
            missing=lambda: "",
        )


def serve(rig: Rig, seconds: int) -> None:
    """Serve as the command does, for so long."""
    serving = Serving(rig.port, RackUnit(profile_of()), shown_port="midi:desk")
    serving.run(lambda: serving.time_ns >= seconds * S)


def studio(seconds: int) -> Iterator[tuple[int, bytes]]:
    """Yield what a sequencer sends for ever: 24 clocks a beat at 120 beats, and active sensing.

    Source: M1 p. 30; active sensing comes at least every 300 ms.
    """
    yield from ((at * S // 48, b"\xf8") for at in range(48 * seconds))
    yield from ((at * 300 * MS, b"\xfe") for at in range(seconds * 10 // 3))


@pytest.mark.parametrize("sequencer_plays", [False, True])
def test_an_idle_unit_wakes_seldom(sequencer_plays: bool) -> None:
    rig = Rig(*(studio(12) if sequencer_plays else ()))
    serve(rig, 2)
    before = rig.clock.wakeups
    serve(rig, 12)
    # The first two of the twelve seconds are wakeful: somebody may have just connected.
    rig_of_two = Rig(*(studio(2) if sequencer_plays else ()))
    serve(rig_of_two, 2)
    assert rig.clock.wakeups - before - rig_of_two.clock.wakeups <= 10 * IDLE


def loaded(answer_ns: int, *, byte_ns: int = BYTE_NS, packets: int = 100) -> tuple[Rig, RealLine]:
    """Send a dump whose messages are each answered so long after they left."""
    rig = Rig(answer_ns=answer_ns, byte_ns=byte_ns)
    line = RealLine(rig.port, pacer=Pacer(byte_ns=byte_ns))
    sent = [oracle.packet(number=at % 128, data=b"\x11") for at in range(packets)]
    sender = Sender(Outgoing(header=HEADER, packets=sent))
    line.connect(sender)
    sender.start(0)
    line.run(lambda: sender.end is not None)
    assert sender.end is SenderEnd.SENT
    return rig, line


@pytest.mark.parametrize("answer_ns", [0, 2 * MS, 10 * MS, 19 * MS])
def test_looking_seldom_makes_no_paced_dump_slower(answer_ns: int) -> None:
    rig, line = loaded(answer_ns)
    exact_ns = HEADER_NS + 100 * PACKET_NS + 101 * answer_ns
    # A byte a message at most, and less than one in a hundred: the rest is waited for exactly.
    assert exact_ns <= rig.clock.now_ns() <= exact_ns + 101 * BYTE_NS
    # Rests while a packet is on the line and after it, and in the last eighth a look a byte.
    each = PACKET_NS // (8 * MS) + answer_ns // (8 * MS) + answer_ns // 8 // BYTE_NS + 3
    assert rig.clock.wakeups <= 101 * each + answer_ns // BYTE_NS
    assert line.lateness.missed == 0


@pytest.mark.parametrize("answer_ns", [MS, 2 * MS, 10 * MS, 100 * MS])
def test_without_pace_an_answer_is_seen_soon(answer_ns: int) -> None:
    # By 0.15 ms or a sixty-fourth of what it took.
    rig, _ = loaded(answer_ns, byte_ns=0)
    exact_ns = 101 * answer_ns
    assert rig.clock.now_ns() <= exact_ns + 101 * max(150_000, answer_ns // 64)


def asked(*takes_ns: int) -> tuple[list[int], CountingClock]:
    """Send ACKs, each answered so long after it was sent; return how late each answer was seen."""
    rig = Rig()
    line = RealLine(rig.port, pacer=Pacer(byte_ns=0))
    line.connect(player := Player())
    late_ns = []
    for count, take_ns in enumerate(takes_ns, 1):
        player.add(line.now_ns, ACK)
        rig.source.add(line.now_ns + take_ns, ACK)
        due_ns = line.now_ns + take_ns
        line.run(lambda count=count: len(player.heard) == count * len(ACK))  # type: ignore[misc]
        late_ns.append(line.now_ns - due_ns)
    return late_ns, rig.clock


def test_answers_that_take_as_long_as_those_before_are_awaited_with_few_looks() -> None:
    # As a packet that is read takes after an ACK: 1.92 and 40.64 ms (M1 pp. 1, 36-37).
    # Before them come quicker ones, as while a dump was sent.
    before = asked(*[4 * MS] * 20)[1].wakeups
    late_ns, clock = asked(*[4 * MS] * 20, *[ACK_NS + PACKET_NS] * 108)
    assert max(late_ns) <= (ACK_NS + PACKET_NS) // 64
    # Five rests, and looks in the last eighth that are no closer than a sixty-fourth.
    assert clock.wakeups - before <= 8 * 120 + 100 * 18


def test_an_answer_that_is_sooner_than_those_before_waits_for_one_look_at_most() -> None:
    late_ns, _ = asked(*[100 * MS] * 10, MS, MS, 3 * MS, 100 * MS, MS)
    assert 0 <= late_ns[10] <= 8 * MS
    assert max(late_ns[11:13]) <= 150_000
    assert late_ns[13] <= TOLERANCE_NS
    assert late_ns[14] <= 150_000


@pytest.mark.parametrize(
    ("quiet_ns", "within_ns"),
    [(10 * MS, 300_000), (500 * MS, TOLERANCE_NS), (1_990 * MS, TOLERANCE_NS), (3 * S, 8 * MS)],
)
def test_the_longer_nothing_passes_the_later_it_is_seen(quiet_ns: int, within_ns: int) -> None:
    # A message after a message, by the time at which this process learns of it.
    for shift_ns in range(0, 8 * MS, 770_001):
        rig = Rig((4 * S, ACK), (comes_ns := 4 * S + quiet_ns + shift_ns, ACK))
        line = RealLine(rig.port, pacer=Pacer(byte_ns=0))
        line.connect(player := Player())
        line.run(lambda player=player: player.heard == ACK + ACK)  # type: ignore[misc]
        assert comes_ns <= line.now_ns <= comes_ns + within_ns


def test_what_follows_a_slow_answer_is_no_answer_and_seen_soon() -> None:
    for after_ns in range(10 * MS, 17 * MS, 770_001):
        rig = Rig((S, ACK), (comes_ns := S + after_ns, ACK))
        line = RealLine(rig.port, pacer=Pacer(byte_ns=0))
        line.connect(player := Player((MS, ACK)))
        line.run(lambda player=player: player.heard == ACK + ACK)  # type: ignore[misc]
        assert comes_ns <= line.now_ns <= comes_ns + 300_000


def answered_at(
    at_ns: int, *, stalls: Sequence[tuple[int, int]] = (), busy: tuple[int, int] = (0, 0)
) -> RealLine:
    """Have a unit without pace answer what comes after a silence; (from when, how long) it is busy.

    A stall holds the process up while it sleeps, what it is busy with is something else it does.
    """
    rig = Rig((MS, ACK), (at_ns, HEADER), late_ns=90_000, stalls=stalls)  # the first has no gap
    line = RealLine(rig.port, sends=Direction.FROM_UNIT, pacer=Pacer(byte_ns=0))
    line.connect(RackUnit(profile_of("[input]\nstore_packet_ms = 0\nstore_header_ms = 0\n")))

    def is_over() -> bool:
        nonlocal busy
        if busy[1] and line.now_ns >= busy[0]:
            rig.clock.sleep_ns(busy[1])
            busy = (0, 0)
        return False

    line.run(is_over, until_ns=5 * S)
    (_, comes, goes) = line.capture.passages
    assert (comes.data, goes.data[:4]) == (HEADER, ACK[:4])
    # What we found late did not come late.
    assert at_ns <= comes.end_ns <= at_ns + MS
    return line


@pytest.mark.parametrize("at_ns", [S, 2 * S + 5 * MS, 3 * S + 123_457, 4 * S + 1])
def test_what_ends_a_silence_finds_nobody_late(at_ns: int) -> None:
    assert answered_at(at_ns).lateness.missed == 0


def test_a_process_that_was_held_up_after_a_silence_was_late() -> None:
    for line in (
        answered_at(3 * S, stalls=[(3 * S, 30 * MS)]),
        answered_at(3 * S, busy=(3 * S - 51 * MS, 80 * MS)),
    ):
        assert line.lateness.missed > 0
        assert 20 * MS <= line.lateness.worst_ns <= 90 * MS


def test_answers_that_no_line_of_this_pace_allows_are_still_found() -> None:
    # 127 bytes need 40.64 ms (M1 p. 1); these are answered 3 ms after they were handed over.
    _, line = loaded(3 * MS - PACKET_NS)
    assert line.lateness.early >= 98


@pytest.mark.parametrize(("after_ns", "is_heard"), [(-1, True), (0, True), (1, False)])
def test_a_limit_is_as_exact_as_before(after_ns: int, is_heard: bool) -> None:
    # At an instant that is asked for the port is looked at, however seldom it was before.
    rig = Rig((MS, b"\xf8"), (5 * S + after_ns, ACK))
    line = RealLine(rig.port)
    line.connect(player := Player())
    player.wake_ns = 5 * S
    line.run(lambda: player.wake_ns is None)
    assert (player.heard == b"\xf8" + ACK) is is_heard
    line.advance(20 * MS)
    assert player.heard == b"\xf8" + ACK
    assert line.lateness.doubtful == 0


@given(
    st.lists(st.integers(1, 4 * S), min_size=1, max_size=6),
    st.lists(st.integers(0, 4 * S), max_size=4),
    st.booleans(),
)
def test_nothing_is_lost_and_each_is_told_within_a_look(
    comes: list[int], goes: list[int], emulates: bool
) -> None:
    # The unit is on an emulated line or on none, and speaks now and then itself.
    rig = Rig(*((at_ns, ACK) for at_ns in comes))
    line = RealLine(rig.port, sends=Direction.FROM_UNIT, emulates_line=emulates)
    line.connect(player := Player(*((at_ns, ACK) for at_ns in sorted(goes))))
    line.advance(6 * S)
    told = [now_ns for what, now_ns, _ in player.log if what == "hears"]
    free_ns, expected = 0, []
    for at_ns in sorted(comes):
        free_ns = max(at_ns, free_ns) + (ACK_NS if emulates else 0)
        expected.append(free_ns)
    assert player.heard == ACK * len(comes)
    for told_ns, expected_ns in zip(told, expected, strict=True):
        assert 0 <= told_ns - expected_ns <= 8 * MS
    assert line.lateness.worst_ns <= TOLERANCE_NS
