"""A host here and a unit in another process, over real ports: the twin of a rehearsal."""

from __future__ import annotations

import os
from contextlib import closing

import pytest

from dryload.emulator.dump.outgoing import Outgoing, outgoing
from dryload.emulator.dump.requester import Requester
from dryload.emulator.dump.sender import Sender, SenderEnd
from dryload.emulator.line.simulate import SimulatedLine
from dryload.emulator.ports.clock import MonotonicClock
from dryload.emulator.ports.midi import open_midi
from dryload.emulator.ports.pacer import Pacer
from dryload.emulator.ports.port import Port, PortError
from dryload.emulator.ports.real import RealLine
from dryload.emulator.ports.tcp import TcpClient, open_tcp
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.profile import load_profile
from tests.ports import jack
from tests.ports.clockwork import MS
from tests.ports.served import Served, served
from tests.unit.desk import noise, sample_of, words_of

WORDS = noise(1_200)  # 30 packets of 40 words of 16 bit (M1 p. 39)
NAME = "Lantern Desk"
JACK = ("--system", "jack")  # another system may be here as well, and be looked at first


def rehearsed_ns(dump: Outgoing) -> int:
    line = SimulatedLine(RackUnit(load_profile()))
    sender = Sender(dump)
    line.connect(sender)
    sender.start(0)
    line.run(lambda: sender.end is not None)
    return line.now_ns


def play(line: RealLine, dump: Outgoing) -> Sender:
    sender = Sender(dump)
    line.connect(sender)
    sender.start(line.now_ns)
    assert line.run(lambda: sender.end is not None, until_ns=line.now_ns + 60_000 * MS)
    return sender


def read(line: RealLine, number: int) -> list[int] | None:
    requester = Requester(device_id=0, sample_number=number)
    line.connect(requester)
    requester.start(line.now_ns)
    assert line.run(lambda: requester.is_over, until_ns=line.now_ns + 60_000 * MS)
    return words_of(requester)


def dial(unit: Served) -> TcpClient:
    host, number = unit.hello["address"]
    return open_tcp(host, number, MonotonicClock())


def check_transfer(port: Port, unit: Served) -> None:
    """Play a dump, read it back and look into the unit; the time is that of a rehearsal."""
    dump = outgoing(sample_of(WORDS), number=1, device_id=0)
    line = RealLine(port)
    apart = []
    for _ in range(4):
        begun_ns = line.now_ns
        sender = play(line, dump)
        apart.append(line.now_ns - begun_ns - rehearsed_ns(dump))
        assert (sender.end, sender.resent) == (SenderEnd.SENT, 0)
        if abs(apart[-1]) <= rehearsed_ns(dump) * 0.02:
            break  # on a busy machine the way to the unit is longer now and then
    assert read(line, 1) == WORDS
    said = unit.end()
    assert said["samples"] == {"1": WORDS}
    ends = [passage.end_ns for passage in line.capture.passages]
    assert ends == sorted(ends)
    was_late = line.lateness.missed or said["missed"]
    # Real time belongs to measurements, not to tests: whoever measures asks for it.
    if "DRYLOAD_MEASURE_TIME" in os.environ:
        assert was_late or abs(apart[-1]) <= rehearsed_ns(dump) * 0.02, apart


def test_a_dump_over_tcp_between_two_processes() -> None:
    with served() as unit, closing(dial(unit)) as port:
        check_transfer(port, unit)


@pytest.fixture
def clean(clean_jack: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", clean_jack)


@pytest.mark.port
@pytest.mark.usefixtures("clean")
def test_a_dump_over_jack_between_two_processes() -> None:
    with (
        served(*JACK, "--midi", NAME) as unit,
        closing(open_midi(NAME, MonotonicClock(), system="jack")) as port,
    ):
        check_transfer(port, unit)


@pytest.mark.port
def test_a_bad_wire_with_a_busy_unit_never_deceives(
    bad_jack: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The wire loses messages; what is read back says so each time, and in the end it is loaded.
    monkeypatch.setenv("JACK_DEFAULT_SERVER", bad_jack)
    dump = outgoing(sample_of(WORDS), number=1, device_id=0)
    with (
        served(*JACK, "--midi", NAME, "--no-pace", "--busy") as unit,
        closing(open_midi(NAME, MonotonicClock(), system="jack")) as port,
    ):
        line = RealLine(port, pacer=Pacer(byte_ns=0))
        for _ in range(20):
            sender = play(line, dump)
            line.advance(100 * MS)
            if sender.end is SenderEnd.SENT and read(line, 1) == WORDS:
                break
            line.advance(2_500 * MS)  # until the unit has given up what it has of it
        else:
            raise AssertionError("it was never loaded")
        assert unit.end()["samples"]["1"] == WORDS


@pytest.mark.port
@pytest.mark.usefixtures("clean")
def test_a_unit_that_ends_is_missed() -> None:
    with (
        served(*JACK, "--midi", NAME) as unit,
        closing(open_midi(NAME, MonotonicClock(), system="jack")) as port,
    ):
        unit.end()
        with pytest.raises(PortError, match=r"Lantern Desk.*no longer among"):
            RealLine(port).advance(10_000 * MS)


@pytest.mark.port
def test_a_jack_server_that_dies_is_missed(monkeypatch: pytest.MonkeyPatch) -> None:
    if reason := jack.why_not():
        pytest.skip(reason)
    with jack.jack_server(jack.SYNCHRONOUS + "-mortal") as (name, server):
        monkeypatch.setenv("JACK_DEFAULT_SERVER", name)
        with served(*JACK, "--midi", NAME) as unit:
            with closing(open_midi(NAME, MonotonicClock(), system="jack")) as port:
                jack.end(server)
                with pytest.raises(PortError, match="the JACK server no longer runs"):
                    RealLine(port).advance(10_000 * MS)
            assert unit.process.wait(20) != 0  # it learns of it as well


@pytest.mark.port
@pytest.mark.usefixtures("clean")
def test_two_ports_of_one_name_are_told_apart_and_a_wrong_name_lists_them() -> None:
    clock = MonotonicClock()
    with served(*JACK, "--midi", NAME) as first, served(*JACK, "--midi", "Gulls") as gulls:
        with pytest.raises(PortError) as caught:
            open_midi("Ship's Bell", clock, system="jack")
        assert f"{NAME}:in" in str(caught.value)
        assert "Gulls" in str(caught.value)
        with served(*JACK, "--midi", NAME) as second:
            with pytest.raises(PortError, match="2 ports to send to match"):
                open_midi(NAME, clock, system="jack")
            open_midi(f"{NAME}:in", clock, hears=f"{NAME}-01:out", system="jack").close()
            for each in (first, gulls, second):
                each.end()  # a client that is killed would hold the server up
