"""A MIDI port on a stand-in for the library: times, losses, what is refused; no MIDI is needed."""

from __future__ import annotations

import gc
import weakref
from enum import Enum

import pytest

from dryload.emulator.ports.clock import MonotonicClock
from dryload.emulator.ports.midi import serve_midi
from dryload.emulator.ports.midi_port import MidiPort
from dryload.emulator.ports.port import PortError, Truncated
from tests import oracle
from tests.ports.clockwork import MS, FakeClock
from tests.ports.stand_in import FakeSink, FakeSource

ACK = oracle.handshake(kind="ACK")


class Rig:
    def __init__(self, *messages: tuple[int, bytes], clock: FakeClock | None = None) -> None:
        self.clock = clock or FakeClock()
        self.source = FakeSource(self.clock, *messages)
        self.sink = FakeSink()
        self.gone = ""
        self.port = MidiPort(
            "desk",
            self.clock,
            self.source,
            self.sink,
            system="jack",
            truncated=Truncated.NEVER,
            missing=lambda: self.gone,
        )


def test_nothing_is_lost_when_the_reader_is_slow() -> None:
    rig = Rig(*((index, bytes([0xC0, index % 128])) for index in range(50_000)))
    rig.clock.sleep_ns(1_000 * MS)
    got: list[bytes] = []
    while arrivals := rig.port.receive(0):
        got += [arrival.data for arrival in arrivals]
    assert got == [bytes([0xC0, index % 128]) for index in range(50_000)]


def test_a_wait_ends_when_something_comes_or_the_time_is_over() -> None:
    rig = Rig((5 * MS, ACK))
    assert rig.port.receive(0) == ()
    (arrival,) = rig.port.receive(100 * MS)
    assert (arrival.data, arrival.at_ns) == (ACK, rig.clock.now_ns())
    assert rig.clock.now_ns() - 5 * MS <= 300_000
    before_ns = rig.clock.now_ns()
    assert rig.port.receive(10 * MS) == ()
    assert rig.clock.now_ns() == before_ns + 10 * MS


def test_a_process_that_was_held_up_still_learns_when_messages_came() -> None:
    # The second second is slept through; what came in it keeps its distances.
    rig = Rig((1 * MS, ACK), (1_100 * MS, ACK), (1_150 * MS, ACK))
    (first,) = rig.port.receive(10 * MS)
    rig.port.receive(1)
    rig.clock.sleep_ns(2_000 * MS)
    second, third = rig.port.receive(0)
    assert second.at_ns - first.at_ns == 1_099 * MS
    assert third.at_ns - second.at_ns == 50 * MS
    assert third.since_ns - second.since_ns == 50 * MS


@pytest.mark.parametrize(
    ("message", "parts"),
    [
        (ACK, [ACK]),
        (ACK + ACK, [ACK, ACK]),
        (b"\xf0\x01\xf8\x02\xf7", [b"\xf0\x01\xf8\x02\xf7"]),
        (b"\xf0\x01\x02", [b"\xf0\x01\x02"]),
        (b"\x01\x02\x03\x04\xf7", [b"\x01\x02\x03", b"\x04", b"\xf7"]),
        (b"\x90\x3c\x40\x3c\x00", [b"\x90\x3c\x40", b"\x3c\x00"]),
        (b"\xf8", [b"\xf8"]),
        (b"", []),
    ],
)
def test_a_message_goes_in_parts_that_the_library_takes(message: bytes, parts: list[bytes]) -> None:
    rig = Rig()
    rig.port.send(message)
    assert rig.sink.sent == parts


def test_what_the_system_would_lose_is_refused() -> None:
    rig = Rig()
    longest = rig.port.abilities.longest
    assert longest is not None
    rig.port.send(b"\xf0" + bytes(longest - 2) + b"\xf7")
    with pytest.raises(PortError, match=r"16,380.*not sent.*tcp"):
        rig.port.send(b"\xf0" + bytes(longest - 1) + b"\xf7")
    assert len(rig.sink.sent) == 1


def test_a_port_that_vanishes_is_noticed_within_a_second_of_waiting() -> None:
    rig = Rig()
    rig.gone = '"desk" is no longer listed'
    with pytest.raises(PortError, match=r"no longer listed.*Connect"):
        rig.port.receive(2_000 * MS)
    assert rig.clock.now_ns() <= 1_001 * MS


def test_a_port_that_vanishes_is_noticed_before_the_library_waits_for_ever() -> None:
    rig = Rig()
    rig.gone = "the server no longer runs"
    with pytest.raises(PortError, match="no longer runs"):
        rig.port.send(ACK * 3_000)
    assert sum(map(len, rig.sink.sent)) < 16_384


def test_whatever_the_library_raises_is_a_port_error() -> None:
    rig = Rig()
    rig.sink.problem = RuntimeError("no device")
    with pytest.raises(PortError, match=r"no device.*still connected"):
        rig.port.send(ACK)


class Kind(Enum):
    """Kinds of errors as the library numbers them, of those that one of its bindings wraps up."""

    WARNING = 0
    DRIVER_ERROR = 8


@pytest.mark.parametrize(("warning", "error"), [(0, 8), (Kind.WARNING, Kind.DRIVER_ERROR)])
def test_a_warning_of_the_library_is_no_error_and_an_error_is_one(
    warning: object, error: object
) -> None:
    # Kinds as the library numbers them: 0 and 1 are warnings, 8 is the driver's error.
    rig = Rig()
    rig.sink.says = (warning, "incomplete message!")
    rig.port.send(b"\xf0\x01")
    assert rig.sink.sent == [b"\xf0\x01"]
    rig.sink.says = (error, "cannot send")
    with pytest.raises(PortError, match="cannot send"):
        rig.port.send(ACK)


def test_the_library_does_not_keep_a_port_alive() -> None:
    # One of its bindings complains on standard error when its objects outlive the interpreter.
    rig = Rig()
    port, sink = weakref.ref(rig.port), rig.sink
    del rig
    gc.collect()
    assert port() is None
    assert sink.sent == []


def test_a_closed_port_never_touches_the_library_again() -> None:
    rig = Rig()
    rig.port.close()
    rig.port.close()
    assert rig.source.deleted == rig.sink.deleted == 1
    with pytest.raises(PortError, match="closed"):
        rig.port.send(ACK)
    with pytest.raises(PortError, match="closed"):
        rig.port.receive(0)


@pytest.mark.parametrize("name", ["", "a:b", "x" * 31, "a\nb"])
def test_a_name_that_no_system_takes_is_refused(name: str) -> None:
    with pytest.raises(PortError, match="cannot be the name"):
        serve_midi(name, MonotonicClock())
