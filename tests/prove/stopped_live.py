"""The same as processes over TCP, in real time: signals are real ones, and so is the terminal."""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import ClassVar

from tests.cli.replaying import Said
from tests.foreign import wire
from tests.foreign.link import TcpListener
from tests.foreign.process import ROOT
from tests.prove.stopped_bench import Stop, StoppedRig

_HOLD_S = 1.0  # how long words lie before they are read
_HUNG_S = 120
_LOOK_S = 0.005


class HangingUp(TcpListener):
    """A cable that can be pulled."""

    def hang_up(self) -> None:
        """Let go of whoever is there."""
        if self._peer is not None:
            self._peer.close()
            self._peer = None


class LiveBench(StoppedRig):
    """The command as a process; the gear is a thread of this one until `close`."""

    kept: ClassVar = {0: 100, 1: 45, 2: 879}
    up_to = 2  # a number that holds nothing takes 4 s

    def __init__(self, folder: Path, fault: str) -> None:
        super().__init__(folder, fault)
        self._link = HangingUp()
        self.target = self._link.name
        self._process: subprocess.Popen[str] | None = None
        self._is_over = False
        self._wrong: BaseException | None = None
        self._thread = threading.Thread(target=self._be_gear)
        self._thread.start()

    def close(self) -> None:
        self._is_over = True
        self._thread.join()
        self._link.close()

    def run(self, *words: str, stop: Stop | None = None, typed: str | None = None) -> Said | None:
        self.gear.player = None  # what it was still sending has come to its end
        self.gear._answers.clear()
        self.seen.clear()
        self.stop = stop
        ours, theirs = pty.openpty()
        try:
            if typed is not None:
                os.write(ours, typed.encode())
            with subprocess.Popen(
                [sys.executable, "-m", "tests.prove.held", str(_HOLD_S), *words, "--no-pace"],
                stdin=subprocess.DEVNULL if typed is None else theirs,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
                cwd=self.place,
                env={
                    **os.environ,
                    "PYTHONPATH": str(ROOT),
                    "XDG_STATE_HOME": str(self.place / ".state"),
                },
            ) as self._process:
                out, err = self._process.communicate(timeout=_HUNG_S)
                code = self._process.returncode
        finally:
            self.stop = None
            os.close(ours)
            os.close(theirs)
        time.sleep(10 * _LOOK_S)  # the gear hears what was on its way
        if self._wrong is not None:
            raise self._wrong
        return None if code == -signal.SIGKILL else Said(code, out, err)

    def end_it(self, how: str) -> None:
        assert self._process is not None
        if how == "cable":
            self._link.hang_up()
        else:
            self._process.send_signal(signal.SIGKILL if how == "kill" else signal.SIGINT)

    def _be_gear(self) -> None:
        try:
            cutter = wire.Cutter()
            while not self._is_over:
                for message in self.gear.due(time.monotonic()):
                    self.tick("from the gear")
                    self._link.write(message)
                for raw in cutter.feed(self._link.read(_LOOK_S)):
                    self.hear(raw)
                    self.gear.take(raw, time.monotonic())
        except BaseException as problem:
            self._wrong = problem
