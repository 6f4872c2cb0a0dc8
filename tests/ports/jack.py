"""JACK servers of our own, with the dummy driver: real virtual MIDI ports without any hardware."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from dryload.emulator.ports.midi import list_ports
from dryload.emulator.ports.port import PortError

ROOT: Final = Path(__file__).parents[2]
_START_S: Final = 20.0
_SHARED: Final = Path("/dev/shm")
_OPTIONS: Final = ("-p", "64", "-r", "-d", "dummy", "-r", "48000", "-p", "64")
_ASK: Final = (
    "from dryload.emulator.ports.midi import list_ports\n"
    "print([each.problem for each in list_ports() if each.system == 'jack'])"
)
SYNCHRONOUS: Final = "synchronous"
"""A clean wire."""
ASYNCHRONOUS: Final = "asynchronous"
"""A bad one by nature: under load it loses, doubles and corrupts messages."""


def why_not() -> str:
    """Return why there can be no JACK server here, "" if there can."""
    if shutil.which("jackd") is None:
        return "no jackd here (Debian package jackd2)"
    try:
        systems = [ports.system for ports in list_ports()]
    except PortError as problem:
        return str(problem)
    return "" if "jack" in systems else "the MIDI library was built without JACK"


@contextmanager
def jack_server(mode: str) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """Start a server that nobody else knows and end it by its id; give its name and its process.

    Clients find it when JACK_DEFAULT_SERVER is the name.
    """
    name = f"dryload-{os.getpid()}-{mode}"
    synchronous = ("-S",) if mode.startswith(SYNCHRONOUS) else ()
    with tempfile.TemporaryFile() as log:
        server = subprocess.Popen(
            ["jackd", "-n", name, *synchronous, *_OPTIONS],
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=subprocess.STDOUT,
        )
        try:
            if not _answers(name, server):
                log.seek(0)
                said = log.read().decode(errors="replace")
                raise AssertionError(f"jackd does not answer (exit {server.poll()}): {said}")
            yield name, server
        finally:
            end(server)
            for left in _SHARED.glob(f"jack*{name}_*"):  # what a server that is killed leaves
                left.unlink(missing_ok=True)


def end(server: subprocess.Popen[bytes]) -> None:
    """End a server by its id."""
    server.terminate()
    try:
        server.wait(10)  # longer where a client was killed
    except subprocess.TimeoutExpired:  # it stays in the list of servers, which takes eight
        server.kill()
        server.wait()


def _answers(name: str, server: subprocess.Popen[bytes]) -> bool:
    """Ask in a process of its own, for a client that fails leaves traces in its process."""
    until_s = time.monotonic() + _START_S
    environment = {**os.environ, "JACK_DEFAULT_SERVER": name}
    while time.monotonic() < until_s and server.poll() is None:
        answer = subprocess.run(
            [sys.executable, "-c", _ASK],
            capture_output=True,
            check=False,
            env=environment,
            cwd=ROOT,
        )
        if answer.stdout.strip() == b"['']":
            return True
    return False
