"""replay to a unit that sends a sample back only when somebody has pressed a key on it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from types import SimpleNamespace

import pytest

from dryload.harness.cli.progress import PacketProgress
from dryload.harness.files.problem import Problem
from dryload.harness.jobs.forecast import Doing, Step
from tests import oracle
from tests.cli.replaying import app, dump
from tests.cli.serving import dump as messages_of
from tests.jobs import bench
from tests.ports.clockwork import MS, FakeClock, FakePort

SECOND = 1_000 * MS


class Gear:
    """Takes a dump and, `walk_ns` after it is asked, gives it back."""

    def __init__(self, walk_ns: int) -> None:
        self.asked = 0
        self._walk_ns = walk_ns
        self._to_send: list[bytes] = []

    def answer(self, message: bytes) -> Sequence[tuple[int, bytes]]:
        kind = message[3]
        if kind in (0x01, 0x02):  # header or packet
            number = message[4] if kind == 0x02 else 0
            return [(MS, oracle.handshake(kind="ACK", packet_number=number))]
        if kind == 0x03:
            self.asked += 1
            header, *self._to_send = messages_of(4, bench.words(121))
            return [(self._walk_ns, header)] if self.asked == 1 else ()
        if kind == 0x7F and self._to_send:
            return [(MS, self._to_send.pop(0))]
        return ()


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., int]:
    monkeypatch.chdir(tmp_path)
    Path("one.syx").write_bytes(dump(4))

    def go(gear: Gear, *options: str) -> int:
        port = FakePort(FakeClock(), answer=gear.answer)
        monkeypatch.setattr("dryload.harness.cli.target._open", lambda *_: port)
        words = ["one.syx", "--to", "tcp:127.0.0.1:1", *options]
        code = app(words, standalone_mode=False)
        assert isinstance(code, int)
        return code

    return go


def test_reading_back_waits_as_long_as_it_is_told(run: Callable[..., int]) -> None:
    assert run(Gear(20 * SECOND)) == 1  # it could not be read back: nothing is shown
    patient = Gear(20 * SECOND)
    assert run(patient, "--patience", "30") == 0
    assert patient.asked == 1


def test_a_patience_that_is_none_and_one_for_an_emulated_unit_are_refused(
    run: Callable[..., int],
) -> None:
    with pytest.raises(Problem, match="give seconds"):
        run(Gear(MS), "--patience", "1000")
    with pytest.raises(Problem, match="--patience is for a port"):
        app(["one.syx", "--patience", "30"], standalone_mode=False)


def test_the_progress_says_what_is_waited_for() -> None:
    shown: list[dict[str, object]] = []
    bar = SimpleNamespace(
        add_task=lambda *_, **fields: 0, update=lambda _, **fields: shown.append(fields)
    )

    def left() -> object:
        return shown[-1]["left"]

    one = bench.dump()
    progress = PacketProgress(bar, [one], True)  # type: ignore[arg-type]  # all that is used of it
    assert progress.show is not None
    packets = len(one.outgoing.packets)
    progress.show(Step(one, Doing.SENDING, packets, packets, 0))
    progress.show(Step(one, Doing.ASKING, 0, packets, SECOND))
    assert shown[-1]["description"] == "dump 1 of 1, asking for it back"
    assert "key" not in str(left())
    progress._shown_s = 0.0
    progress.show(Step(one, Doing.ASKING, 0, packets, 3 * SECOND))
    assert left() == "no answer yet; press a key on the unit?"
    progress.show(Step(one, Doing.WAITING, 0, packets, 4 * SECOND))
    assert left() == "time unknown"
    progress._shown_s = 0.0
    progress.show(Step(one, Doing.WAITING, 0, packets, 6 * SECOND))
    assert left() == "press a key on the unit?"  # some want each dump confirmed
