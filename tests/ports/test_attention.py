"""How often a MIDI port is looked at, and that no time is told worse for it; each sleep counts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.dump.capture import Direction
from emulator.dump.outgoing import Outgoing
from emulator.dump.sender import Sender, SenderEnd
from emulator.ports.lateness import TOLERANCE_NS
from emulator.ports.midi_port import MidiPort
from emulator.ports.pacer import Pacer
from emulator.ports.port import Truncated
from emulator.ports.real import RealLine
from emulator.unit.board import RackUnit
from harness.jobs.serve import Serving
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
        source = FakeSource(self.clock, *sorted(messages))

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
    assert rig.clock.wakeups <= 101 * (PACKET_NS // (8 * MS) + answer_ns // BYTE_NS + 5)
    assert line.lateness.missed == 0


@pytest.mark.parametrize("answer_ns", [MS, 2 * MS, 10 * MS, 100 * MS])
def test_without_pace_an_answer_is_seen_soon(answer_ns: int) -> None:
    # By 0.15 ms or a sixty-fourth of what it took.
    rig, _ = loaded(answer_ns, byte_ns=0)
    exact_ns = 101 * answer_ns
    assert rig.clock.now_ns() <= exact_ns + 101 * max(150_000, answer_ns // 64)


@pytest.mark.parametrize("after_ns", [S, 2 * S + MS, 3 * S + 123_457])
def test_what_ends_a_silence_is_answered_at_the_next_look_and_nobody_was_late(
    after_ns: int,
) -> None:
    rig = Rig((after_ns, HEADER), late_ns=90_000)
    line = RealLine(rig.port, sends=Direction.FROM_UNIT, pacer=Pacer(byte_ns=0))
    line.connect(player := Player())
    heard: list[int] = []
    line.run(lambda: bool(player.heard))
    heard.append(line.now_ns)
    assert after_ns <= heard[0] <= after_ns + 8 * MS + 90_000
    player.wake_ns = None
    player.add(line.now_ns, ACK)
    line.advance(10 * MS)
    assert line.lateness.missed == 0


def answered_after_silence(stalls: Sequence[tuple[int, int]]) -> RealLine:
    """Have a unit without pace answer what comes after three seconds."""
    rig = Rig((MS, ACK), (3 * S, HEADER), stalls=stalls)  # the first message has no gap
    line = RealLine(rig.port, sends=Direction.FROM_UNIT, pacer=Pacer(byte_ns=0))
    line.connect(RackUnit(profile_of("[input]\nstore_packet_ms = 0\nstore_header_ms = 0\n")))
    line.advance(4 * S)
    (_, comes, goes) = line.capture.passages
    assert (comes.data, goes.data[:4]) == (HEADER, ACK[:4])
    return line


def test_a_process_that_was_held_up_after_a_silence_was_late() -> None:
    assert answered_after_silence([]).lateness.missed == 0
    held_up = answered_after_silence([(3 * S, 30 * MS)]).lateness
    assert held_up.missed > 0
    assert 30 * MS - 8 * MS <= held_up.worst_ns <= 30 * MS + 8 * MS


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
