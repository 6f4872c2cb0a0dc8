"""A peer that sends without end: bounded memory, an end within moments, and the rig is named.

A MIDI line carries 3,125 bytes a second (M1 p. 1), so what sends more for long is no unit at one.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click
import pytest

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.requester import Requester
from dryload.emulator.ports.attention import Attention
from dryload.emulator.ports.pacer import Pacer
from dryload.emulator.ports.port import Arrival, PortError
from dryload.emulator.ports.real import RealLine
from dryload.harness.cli.options import command_of
from dryload.harness.cli.read import read
from dryload.harness.cli.replay import replay
from dryload.harness.files.problem import RIG, Problem
from tests import oracle
from tests.cli.replaying import dump
from tests.ports.clockwork import MS, FakeClock, FakePort

SECOND = 1_000 * MS
MOST_BYTES = 400_000
KINDS = {
    "active sensing": b"\xfe",
    "starts of messages": b"\xf0",
    "a message without an end": b"\xf0\x7e\x00" + b"\x01" * 4_096,
    "packets": oracle.dump(bits=16, words=range(40), sample_number=4, period_ns=22_676)[21:],
    "headers": oracle.header(sample_number=4, bits=16, length=40, period_ns=22_676),
    "ACK": oracle.handshake(kind="ACK"),
    "WAIT": oracle.handshake(kind="WAIT"),
}
TALK = """\
{"schema": "dryload/capture/1", "start_ns": 0, "directions": ["to unit", "from unit"]}
{"direction": "to unit", "end_ns": 9000000000, "hex": "f07e00037f00f7"}
"""


class Flood(FakePort):
    """Has 4 KB whenever somebody looks, which takes 0.1 ms."""

    def __init__(self, content: bytes) -> None:
        super().__init__(FakeClock(), holds_back=True)
        self.came = 0
        self._content = content * (4_096 // len(content) + 2)
        self._is_open = False

    def receive(self, timeout_ns: int, attention: Attention | None = None) -> list[Arrival]:
        self.clock.sleep_ns(100_000)
        if not self._is_open:  # so that there is an end to what is dropped when a line is made
            self._is_open = True
            return []
        data = self._content[:4_096]
        self.came += len(data)
        return [Arrival(self.clock.now_ns(), data, self.clock.now_ns())]


@pytest.mark.parametrize("kind", KINDS)
def test_a_flood_ends_a_line_and_little_of_it_is_kept(kind: str) -> None:
    line = RealLine(port := Flood(KINDS[kind]))
    requester = Requester(device_id=0, sample_number=4)
    line.connect(requester)
    requester.start(line.now_ns)
    with pytest.raises(PortError, match="fake port floods this computer"):
        line.run(lambda: False)
    assert port.came < MOST_BYTES
    kept = sum(len(passage.data) for passage in line.capture.passages)
    assert kept <= port.came + 100


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("command", ["replay", "replay of a capture", "read"])
def test_every_command_that_sends_says_that_it_is_the_rig(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    command: str,
    kind: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("4.syx").write_bytes(dump(4))
    Path("talk.jsonl").write_text(TALK, encoding="utf-8")
    ports: list[Flood] = []  # replay opens a port that has failed once more

    def open_one(*_: object) -> Flood:
        ports.append(Flood(KINDS[kind]))
        return ports[-1]

    monkeypatch.setattr("dryload.harness.cli.target._open", open_one)
    app = click.Group(commands=[command_of(read), command_of(replay)])
    words = {
        "replay": ["replay", "4.syx", "--to"],
        "replay of a capture": ["replay", "talk.jsonl", "--to"],
        "read": ["read", "--sample", "3-9", "-o", "desk", "--from"],
    }[command]
    with pytest.raises(Problem, match="more than a MIDI line can carry") as told:
        app([*words, "tcp:127.0.0.1:1"], standalone_mode=False)
    assert told.value.code == RIG
    assert "no cable or program sends back what it receives" in str(told.value)
    assert all(0 < port.came < MOST_BYTES for port in ports)
    assert ports


def test_a_long_dump_that_comes_as_fast_as_it_is_answered_is_no_flood() -> None:
    packets = 10_000
    header, *each = [
        message
        for _, message in oracle.split(
            oracle.dump(bits=16, words=[0] * 40 * packets, sample_number=4, period_ns=22_676)
        )
    ]
    to_come = iter([header, *each])

    def answer(message: bytes) -> Sequence[tuple[int, bytes]]:
        return [(10_000, data) for data in (next(to_come, b""),) if data]  # within 10 µs

    line = RealLine(FakePort(FakeClock(), answer=answer), pacer=Pacer(byte_ns=0))
    requester = Requester(device_id=0, sample_number=4)
    line.connect(requester)
    requester.start(line.now_ns)
    assert line.run(lambda: requester.is_over)
    assert len(requester.collected.packets) == packets


def test_a_line_that_is_full_for_ten_minutes_is_no_flood() -> None:
    clock = FakeClock()
    each = [(at * 320_000 * 625, b"\xfe" * 625) for at in range(1, 3_000)]  # 320 µs a byte
    line = RealLine(FakePort(clock, *each), keeps_capture=False)
    line.advance(600 * SECOND)
    assert clock.now_ns() >= 600 * SECOND


def test_what_came_in_one_go_because_this_process_was_held_up_is_no_flood() -> None:
    clock = FakeClock()
    line = RealLine(port := FakePort(clock))
    clock.sleep_ns(60 * SECOND)
    port.add(clock.now_ns(), b"\xfe" * 180_000)  # nearly a minute of a full line
    line.advance(SECOND)


def test_a_unit_that_is_served_goes_on_whatever_comes() -> None:
    line = RealLine(port := Flood(b"\xfe"), sends=Direction.FROM_UNIT, pacer=Pacer(byte_ns=0))
    line.run(lambda: port.came > 2 * MOST_BYTES)
    assert port.came > 2 * MOST_BYTES
