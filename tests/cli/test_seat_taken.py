"""A port that takes us and hangs up at once, as one does that has somebody else on it: the rig."""

from __future__ import annotations

import select
import socket
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import click
import pytest

from dryload.harness.cli.options import command_of
from dryload.harness.cli.read import read
from dryload.harness.cli.replay import replay
from dryload.harness.files.problem import RIG, Problem
from tests.cli.replaying import dump

PATIENCE_S = 30
app = click.Group(commands=[command_of(read), command_of(replay)])
COMMANDS = {
    "replay": ["replay", "one.syx", "--to"],
    "replay of a capture": ["replay", "talk.jsonl", "--to"],
    "read": ["read", "--sample", "4", "-o", "4.syx", "--from"],
    "read all": ["read", "--sample", "all", "-o", "desk", "--from"],
}
TALK = """\
{"schema": "dryload/capture/1", "start_ns": 0, "directions": ["to unit", "from unit"]}
{"direction": "to unit", "end_ns": 1920000, "hex": "f07e00037f00f7"}
"""


@pytest.fixture
def taken(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A target whose seat is taken; the hanging up has arrived when the connection is made."""
    connect = socket.create_connection

    def connected(*given: Any, **named: Any) -> socket.socket:
        made = connect(*given, **named)
        assert select.select([made], [], [], PATIENCE_S)[0]
        return made

    with socket.create_server(("127.0.0.1", 0)) as door, ThreadPoolExecutor(1) as pool:
        door.settimeout(PATIENCE_S)

        def hang_up() -> None:
            peer, _ = door.accept()
            peer.close()

        ended = pool.submit(hang_up)
        monkeypatch.setattr("dryload.emulator.ports.tcp.socket.create_connection", connected)
        host, number = door.getsockname()
        yield f"tcp:{host}:{number}"
        ended.result(PATIENCE_S)


@pytest.mark.parametrize("command", COMMANDS)
def test_a_seat_that_is_taken_is_the_rig_and_said_in_a_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, taken: str, command: str
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("one.syx").write_bytes(dump(4))
    Path("talk.jsonl").write_text(TALK, encoding="utf-8")
    with pytest.raises(Problem, match="the other side has closed the connection") as told:
        app([*COMMANDS[command], taken], standalone_mode=False)
    assert told.value.code == RIG
    assert "nobody else is connected" in str(told.value)
