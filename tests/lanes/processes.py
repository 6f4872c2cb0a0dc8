"""The two commands, each in a process of its own, at the ends of a lane."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from tests.cli.runs import COMMAND, environment
from tests.cli.serving import Unit
from tests.lanes.lane import Lane

HUNG_S: Final = 240
"""After that a command that hangs is ended; an emulated computer is slow."""
_END_S: Final = 20
_BUSY: Final = (
    sys.executable,
    "-c",
    "import threading\n"
    "def burn():\n"
    "    while True:\n"
    "        sum(range(10_000))\n"
    "threading.Thread(target=burn, daemon=True).start()\n"
    "from dryload.harness.cli.main import main\n"
    "main()\n",
)
"""The same command, and a thread that holds the interpreter whenever it can."""


@contextmanager
def serving(lane: Lane, folder: Path, *options: str) -> Iterator[Unit]:
    """Serve at the unit's end of a lane."""
    command = _BUSY if lane.is_busy else COMMAND
    with subprocess.Popen(
        [*command, "serve", *lane.serve, "--no-panel", *options],
        cwd=folder,
        env=_environment(lane),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            yield Unit(process)
        finally:
            _end(process)


def replay(lane: Lane, folder: Path, *arguments: str) -> tuple[int, dict[str, Any]]:
    """Replay from the host's end; return the exit code and the document."""
    done = subprocess.run(
        [*COMMAND, "replay", *arguments, "--to", lane.target, "--json"],
        cwd=folder,
        env=_environment(lane),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        text=True,
        timeout=HUNG_S,
        check=False,
    )
    assert done.stdout, f"replay said nothing (exit {done.returncode})"
    document = json.loads(done.stdout)
    assert isinstance(document, dict)
    return done.returncode, document


def _environment(lane: Lane) -> dict[str, str]:
    plain = environment()
    return {**plain, "JACK_DEFAULT_SERVER": lane.server} if lane.server else plain


def _end(process: subprocess.Popen[str]) -> None:
    """Let it give its ports back: a client that is killed holds a MIDI server up."""
    process.terminate()
    try:
        process.wait(_END_S)
    except subprocess.TimeoutExpired:
        process.kill()
