"""A unit behind a port in a process of its own, for tests: runs until its standard input ends.

Prints one JSON line when it can be reached, and one at the end with what its slots hold.
"""

from __future__ import annotations

import argparse
import json
import select
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from dryload.emulator.dump.capture import Direction
from dryload.emulator.ports.clock import MonotonicClock
from dryload.emulator.ports.midi import serve_midi
from dryload.emulator.ports.pacer import Pacer
from dryload.emulator.ports.port import Port
from dryload.emulator.ports.real import RealLine
from dryload.emulator.ports.tcp import TcpServer
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.profile import load_profile
from dryload.emulator.wire.constants import BYTE_NS
from tests.ports.jack import ROOT


class Served:
    """The other process: `hello` is its first line."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        self.hello = self._line()

    def end(self) -> dict[str, Any]:
        """Let it end; return what it says then."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        said = self._line()
        assert self.process.wait(20) == 0
        return said

    def _line(self) -> dict[str, Any]:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, "the serving process has ended"
        said = json.loads(line)
        assert isinstance(said, dict)
        return said


@contextmanager
def served(*arguments: str) -> Iterator[Served]:
    """Start the other process; end it by its id if it still runs."""
    with subprocess.Popen(
        [sys.executable, "-m", "tests.ports.served", *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    ) as process:
        try:
            yield Served(process)
        finally:
            process.kill()


def main(arguments: Sequence[str]) -> None:
    """Serve."""
    options = argparse.ArgumentParser()
    options.add_argument("--midi")
    options.add_argument("--system")
    options.add_argument("--profile", default="lantern-desk")
    options.add_argument("--no-pace", action="store_true")
    options.add_argument("--busy", action="store_true")
    chosen = options.parse_args(arguments)
    clock = MonotonicClock()
    port: Port
    if chosen.midi:
        port = serve_midi(chosen.midi, clock, system=chosen.system)
    else:
        port = TcpServer(0, clock)
    pacer = Pacer(byte_ns=0 if chosen.no_pace else BYTE_NS)
    unit = RackUnit(load_profile(chosen.profile))
    line = RealLine(port, sends=Direction.FROM_UNIT, pacer=pacer, emulates_line=True)
    line.connect(unit)
    if chosen.busy:
        threading.Thread(target=_burn, daemon=True).start()
    latency_ns = port.abilities.latency_ns
    hello = {"address": getattr(port, "address", None), "latency_ns": latency_ns}
    print(json.dumps(hello), flush=True)
    line.run(lambda: bool(select.select([sys.stdin], [], [], 0)[0]))
    samples = {
        slot.sample_number: [int(word) for word in slot.sample.words]
        for slot in unit.slots
        if slot.sample is not None
    }
    late = line.lateness
    print(json.dumps({"samples": samples, "worst_ns": late.worst_ns, "missed": late.missed}))
    port.close()


def _burn() -> None:
    """Hold the interpreter whenever the driver lets go of it."""
    while True:
        sum(range(10_000))


if __name__ == "__main__":
    main(sys.argv[1:])
