"""A replay that is stopped in the middle of a dump, and goes on: loaded, or the rig is named.

SIGSTOP and SIGCONT are what Ctrl-Z and `fg` come to, and a container that is frozen.  All of it at
once, in real time: python -m pytest tests/foreign/test_stopped.py takes a minute.
"""

from __future__ import annotations

import contextlib
import json
import signal
import sys
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import pytest

from tests.cli.forked import Forked
from tests.foreign import wire
from tests.foreign.commands import serving
from tests.foreign.process import ROOT, Running, environment, gear

PACKETS: Final = 60
WORDS: Final = wire.ramp(1021, 40 * PACKETS, 16)
HEAD: Final = wire.Head(sample=7, bits=16, period_ns=22_676, length=len(WORDS))
STOPS_S: Final = (3, 5, 20)
UNITS: Final = {
    "gear": ("--tells-at=20",),
    "gear that gives up after 2 s": ("--tells-at=20", "--idle-limit=2"),
    "gear that always says 0": ("--tells-at=20", "--idle-limit=2", "--ack-number=0"),
    "serve": None,
}
BOTH: Final = "serve, stopped as well"
_HUNG_S: Final = 150


@dataclass(frozen=True, slots=True, kw_only=True)
class Came:
    code: int
    document: dict[str, Any]
    held: list[int] | None

    @property
    def transfer(self) -> dict[str, Any]:
        (transfer,) = self.document["transfers"]
        assert isinstance(transfer, dict)
        return transfer


@contextlib.contextmanager
def unit_of(name: str) -> Iterator[Running]:
    habits = UNITS.get(name)
    with (
        serving("--tcp", "127.0.0.1:0", "--no-panel")
        if habits is None
        else gear("--tcp", *habits) as unit
    ):
        yield unit


def play(file: Path, name: str, for_s: int) -> Came:
    with unit_of(name) as unit:
        env = {**environment(None), "XDG_STATE_HOME": str(file.parent / f"{name} {for_s}")}
        words = ("replay", str(file), "--to", unit.port, "--json")
        with Forked(words, cwd=ROOT, env=env) as process:
            try:
                is_gear = UNITS.get(name) is not None
                unit.wait_for("packet" if is_gear else "header")
                if not is_gear:
                    time.sleep(1)  # a third of the dump
                both = [process, unit.process] if name == BOTH else [process]
                for each in both:
                    each.send_signal(signal.SIGSTOP)
                time.sleep(for_s)
                for each in both:
                    each.send_signal(signal.SIGCONT)
                out, _ = process.communicate(timeout=_HUNG_S)
            finally:
                process.kill()
        held = None
        if is_gear:
            sample = unit.end()["samples"].get(str(HEAD.sample))
            held = None if sample is None else sample["words"]
    return Came(code=process.wait(), document=json.loads(out), held=held)


@pytest.fixture(scope="module")
def came(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[tuple[str, int], Future[Came]]]:
    file = tmp_path_factory.mktemp("stopped") / "gulls.syx"
    file.write_bytes(wire.header(HEAD, 0) + b"".join(wire.packets(WORDS, 16, 0)))
    cases = [(name, for_s) for for_s in reversed(STOPS_S) for name in (*UNITS, BOTH)]
    with ThreadPoolExecutor(len(cases)) as pool:
        yield {case: pool.submit(play, file, *case) for case in cases}


@pytest.mark.skipif(sys.platform == "win32", reason="no process is stopped there by a signal")
@pytest.mark.parametrize("for_s", STOPS_S)
@pytest.mark.parametrize("name", [*UNITS, BOTH])
def test_a_stop_in_the_middle_of_a_dump_is_never_held_against_the_unit(
    came: dict[tuple[str, int], Future[Came]], name: str, for_s: int
) -> None:
    done = came[name, for_s].result()
    transfer = done.transfer
    blamed = [
        each
        for each in transfer["findings"]
        if each["verdict"] in ("broken", "bent") and each["answerable"] == "unit"
    ]
    assert not blamed
    assert not transfer.get("diagnosis")
    assert any("this computer" in each["message"].lower() for each in transfer["findings"])
    if (transfer["outcome"], transfer["verified"], done.code) == ("loaded", True, 0):
        assert done.held in (None, WORDS)
    else:
        assert done.code == 3
        assert "this computer was stopped" in transfer["reason"]
