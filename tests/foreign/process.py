"""Foreign gear and foreign senders as processes, for tests; started and ended by their ids."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, Final, Protocol

ROOT: Final = Path(__file__).parents[2]
_END_S: Final = 20
_HUNG_S: Final = 120


class Process(Protocol):
    """A process with pipes, however it was started."""

    @property
    def stdin(self) -> IO[str] | None: ...
    @property
    def stdout(self) -> IO[str] | None: ...
    def poll(self) -> int | None: ...
    def wait(self, timeout: float | None = None) -> int: ...
    def send_signal(self, number: int, /) -> None: ...


class Running:
    """A process that says something in JSON when it is ready and when it ends."""

    def __init__(self, process: Process) -> None:
        self.process = process
        self.port = str(self._line()["port"])

    def wait_for(self, event: str) -> dict[str, Any]:
        """Wait until it says something of this kind; return that."""
        while (said := self._line())["event"] != event:
            pass
        return said

    def end(self) -> dict[str, Any]:
        """Let it end; return what it says then."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        said = self._line()
        assert self.process.wait(_END_S) == 0
        return said

    def _line(self) -> dict[str, Any]:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, "the foreign process has ended without a word"
        said = json.loads(line)
        assert isinstance(said, dict)
        return said


def environment(jack: str | None) -> dict[str, str]:
    """Return that of a process that may find the MIDI server `jack`."""
    return {**os.environ, "JACK_DEFAULT_SERVER": jack} if jack else dict(os.environ)


@contextmanager
def gear(
    *arguments: str, jack: str | None = None, module: str = "tests.foreign.gear"
) -> Iterator[Running]:
    """Start foreign gear; end it if it still runs."""
    with subprocess.Popen(
        [sys.executable, "-m", module, *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env=environment(jack),
    ) as process:
        try:
            yield Running(process)
        finally:
            _end(process)


def send(what: str, port: str, *arguments: str, jack: str | None = None) -> dict[str, Any]:
    """Let a foreign sender `play` a sample to a port or `ask` for one; return its last line."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.foreign.sender", what, "--to", port, *arguments],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env=environment(jack),
        timeout=_HUNG_S,
        check=True,
    )
    ready, end = done.stdout.splitlines()
    assert json.loads(ready)["event"] == "ready"
    said = json.loads(end)
    assert isinstance(said, dict)
    return said


def _end(process: subprocess.Popen[str]) -> None:
    """Let it give its ports back: a client that is killed holds a MIDI server up."""
    if process.poll() is None:
        assert process.stdin is not None
        process.stdin.close()
        try:
            process.wait(_END_S)
        except subprocess.TimeoutExpired:
            process.kill()
