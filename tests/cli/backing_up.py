"""The commands read, replay, diff and prove against whatever is behind a port in virtual time."""

from __future__ import annotations

import os
import signal
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import pytest

from dryload.emulator.dump.endpoint import Endpoint
from dryload.harness.cli.diff import diff
from dryload.harness.cli.options import command_of
from dryload.harness.cli.prove import prove
from dryload.harness.cli.read import read
from dryload.harness.cli.replay import replay
from dryload.harness.files.problem import INTERRUPTED, Problem
from tests.cli.replaying import Said
from tests.ports.clockwork import FakeClock
from tests.ports.endpoint_port import EndpointPort

TARGET = "tcp:127.0.0.1:1"
COMMANDS = {command.__name__: command_of(command) for command in (read, replay, diff, prove)}


class Desk:
    """An empty folder to work in, and at the other end of every port one `endpoint`."""

    def __init__(
        self,
        folder: Path,
        monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        self.clock = FakeClock()
        self.endpoint: Endpoint | None = None
        self.passes: Callable[[bytes], bool] = lambda message: True
        self.ports: list[EndpointPort] = []
        self._capsys = capsys
        monkeypatch.chdir(folder)
        monkeypatch.setenv("XDG_STATE_HOME", str(folder / ".state"))  # where journals go
        monkeypatch.setattr("dryload.harness.cli.target._open", lambda *_: self.open_port())

    def run(self, command: str, *words: str) -> Said:
        try:
            code = COMMANDS[command](words, standalone_mode=False)
        except Problem as problem:
            said = self._capsys.readouterr()
            return Said(problem.code, said.out, said.err + str(problem))
        except (click.Abort, KeyboardInterrupt):
            said = self._capsys.readouterr()
            return Said(INTERRUPTED, said.out, said.err)
        said = self._capsys.readouterr()
        return Said(code if isinstance(code, int) else 0, said.out, said.err)

    def back_up(self, folder: str = "desk", *options: str) -> Said:
        return self.run("read", "--from", TARGET, "--sample", "all", "-o", folder, *options)

    def put_back(self, folder: str = "desk", *options: str) -> Said:
        return self.run("replay", folder, "--to", TARGET, *options)

    def hang_up(self) -> None:
        self.ports[-1].hang_up()

    def _passes(self, message: bytes) -> bool:
        return self.passes(message)

    def open_port(self) -> EndpointPort:
        assert self.endpoint is not None, "nobody was to be asked"
        self.ports.append(EndpointPort(self.endpoint, self.clock, passes=self._passes))
        return self.ports[-1]


def listed(folder: str = "desk") -> dict[str, Any]:
    """What the list of a backup says, read by Python's own reader of TOML."""
    return tomllib.loads(Path(folder, "contents.toml").read_text(encoding="utf-8"))


def stored(folder: str = "desk") -> list[str]:
    return sorted(os.listdir(folder)) if os.path.isdir(folder) else []


def press_ctrl_c() -> None:
    os.kill(os.getpid(), signal.SIGINT)
