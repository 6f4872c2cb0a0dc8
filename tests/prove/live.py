"""Proofs of faulty memories over real ports, beside the same in virtual time.

    python -m tests.prove.live [FAULT ...] [--unit serve|gear] [--way tcp|jack]

A fault is tried in four ways: `dryload serve` with the fault in its profile, and gear that knows
the standard alone with a plain faulty memory, over TCP and over JACK.  What `dryload prove` says as
a process at the port is held against a rehearsal with `--disturb`, or against the same gear in
virtual time.  At the port words lie for a few seconds before they are read, in virtual time for six
minutes: no fault here takes longer to show.  All of it takes some eight minutes.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from itertools import product
from pathlib import Path
from typing import Any, Final, NamedTuple, TypeAlias

from dryload.harness.jobs.live import LiveReplay
from dryload.harness.jobs.transfer import Settings
from dryload.harness.prove.proof import Proof, ProofRequest
from dryload.harness.prove.tested import TestedUnit
from dryload.harness.report import prove as report
from tests.cli.forked import Forked
from tests.foreign.commands import serving
from tests.foreign.endpoint import GearEndpoint
from tests.foreign.process import ROOT, environment, gear
from tests.ports import jack
from tests.ports.clockwork import FakeClock
from tests.ports.endpoint_port import EndpointPort
from tests.prove.faulty_gear import faulty_gear
from tests.prove.plain_memory import LISTED

ProofDocument: TypeAlias = Mapping[str, Any]
FAULTS: Final = {
    "nothing": "",
    "data_line_stuck": "data line 9 of bank 2 stuck high",
    "data_lines_joined": "data lines 4 and 5 of bank 1 joined",
    "data_line_loose": "data line 3 of bank 2 loose",
    "address_line": "address line 8 of bank 1 stuck",
    "address_lines_joined": "address lines 7 and 9 of bank 2 joined",
    "missing": "bank 2 missing",
    "half_the_size": "bank 2 half the size",
    "together": "banks 1 and 2 together",
    "chip": "chip 3 of bank 1 dead",
    "block": "quarter 2 of bank 2 dead",
    "cells": "6 bad cells, seed 3",
    "noise": "noise in 1 of 1000 reads",
    "slow_cells": "6 slow cells",
    "leaky_cells": "6 leaky cells after 2 s",
}
"""Each in the words of a profile and of --disturb; plain memories have those of `LISTED`."""
UNITS: Final = ("serve", "gear")
WAYS: Final = ("tcp", "jack")
SIZE: Final = 2_048
"""Words of each of the two banks."""
HOLD_S: Final = 3.0
"""How long words lie at the port."""
_SEED: Final = 17
_HUNG_S: Final = 300
_OWN: Final = ("target", "seconds")
"""What a proof at a port and a rehearsal need not have in common."""


class LiveCase(NamedTuple):
    """A fault, where it is, the way there, and how large the memory is."""

    fault: str
    unit: str
    way: str
    size: int = SIZE

    @property
    def name(self) -> str:
        """The name of its MIDI port, where it has one."""
        return f"{self.unit}-{self.fault}".replace("_", "-")


def cases(
    faults: Sequence[str], units: Sequence[str] = UNITS, ways: Sequence[str] = WAYS
) -> list[LiveCase]:
    """Those of some faults that there are."""
    every = (LiveCase(*each) for each in product(faults, units, ways))
    return [each for each in every if each.unit == "serve" or each.fault in LISTED]


# at a port


@contextmanager
def unit_at(case: LiveCase, folder: Path, jack_name: str | None) -> Iterator[str]:
    """Have the unit of a case at a port, in a process of its own; give the port."""
    if case.unit == "gear":
        where = ("--midi", case.name) if case.way == "jack" else ("--tcp",)
        memory = ("--fault", case.fault, "--size", str(case.size), "--seed", str(_SEED))
        with gear(*where, *memory, jack=jack_name, module="tests.prove.faulty_gear") as unit:
            yield unit.port
    else:
        where = ("--midi", case.name) if case.way == "jack" else ("--tcp", "127.0.0.1:0")
        profile = _profile(case, folder, FAULTS[case.fault])
        with (
            serving(str(profile), *where, "--no-panel", jack=jack_name) as unit,
            ThreadPoolExecutor(1) as pool,
        ):
            assert unit.process.stdout is not None
            pool.submit(list, unit.process.stdout)  # a pipe that nobody empties holds it up
            try:
                yield unit.port
            finally:
                unit.process.send_signal(signal.SIGTERM)


def _profile(case: LiveCase, folder: Path, *faults: str) -> Path:
    file = folder / f"{case.name}-{case.way}-{len(faults)}.toml"
    file.write_text(
        f'[unit]\nname = "bench"\n[memory]\nbank_words = {case.size}\nplaces = 2\n'
        f"fitted = [1, 2]\nfaults = {json.dumps([*filter(None, faults)])}\n"
        "[slots]\ncount = 12\n",
        encoding="utf-8",
    )
    return file


def live(case: LiveCase, folder: Path, jack_name: str | None) -> ProofDocument:
    """What the command says at a port."""
    with unit_at(case, folder, jack_name) as port:
        command = (sys.executable, "-m", "tests.prove.held", str(HOLD_S))
        journal = str(folder / f"{case.name}-{case.way}.proof")
        done = subprocess.run(
            [*command, "prove", "--to", port, "--wipe", "--json", "--journal", journal],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            cwd=ROOT,
            env=environment(jack_name),
            timeout=_HUNG_S,
            check=False,
        )
    return _read(done.returncode, done.stdout, done.stderr)


def _read(code: int, out: str, err: str) -> ProofDocument:
    assert out, err
    document: ProofDocument = json.loads(out)
    assert code == {"proved": 0, "rig": 3}.get(document["result"], 1), err
    return document


# in virtual time


def rehearsed(case: LiveCase, folder: Path) -> ProofDocument:
    """What is said of the same memory in virtual time."""
    if case.unit == "gear":
        return _of_gear(case)
    words = FAULTS[case.fault]
    disturb = ("--disturb", words) if words else ()
    to = f"unit:{_profile(case, folder)}"
    command = Forked(["prove", "--to", to, *disturb, "--json"], cwd=ROOT, env=dict(os.environ))
    with command:
        out, err = command.communicate(_HUNG_S)
    return _read(command.wait(), out, err)


def _of_gear(case: LiveCase) -> ProofDocument:
    endpoint = GearEndpoint(faulty_gear(case.fault, size=case.size, seed=_SEED))
    replay = LiveReplay(EndpointPort(endpoint, FakeClock()), settings=Settings(operator_ns=None))
    unit = TestedUnit(replay, replay.line, device_id=0)
    proven = Proof(unit, ProofRequest()).run()
    said = report.document(proven, target={}, modules=None, kept=(), restored=())
    document: ProofDocument = json.loads(json.dumps(said))
    return document


# both


class LiveAndNot(NamedTuple):
    """What is said of one memory at a port and in virtual time."""

    live: ProofDocument
    rehearsed: ProofDocument

    @property
    def differs(self) -> list[str]:
        """Where the two say different things."""
        keys = {*self.live, *self.rehearsed} - {*_OWN}
        return sorted(key for key in keys if self.live.get(key) != self.rehearsed.get(key))


def compared(case: LiveCase, folder: Path, jack_name: str | None) -> LiveAndNot:
    """Prove a memory at its port, and in virtual time."""
    name = jack_name if case.way == "jack" else None
    return LiveAndNot(live(case, folder, name), rehearsed(case, folder))


def is_right(case: LiveCase, said: LiveAndNot) -> bool:
    """Whether both say the same, and that is a fault where there is one."""
    wanted = "proved" if case.fault == "nothing" else "fault"
    return not said.differs and said.live["result"] == wanted


def _line_of(case: LiveCase, said: LiveAndNot) -> str:
    document = said.live
    told = "; ".join(
        f"{each['kind']} {','.join(map(str, each['lines']))} in {each['place']}"
        for each in document["faults"]
    )
    seconds = document["seconds"]
    if document["result"] == "proved":
        took = seconds["total"] - seconds["announced_at"]
        told = f"{took / seconds['announced'] - 1:+.1%} beside the time announced"
    verdict = f"{document['result']} after {seconds['total']:.0f} s: {told}"
    other = "as rehearsed" if is_right(case, said) else f"not as rehearsed: {said.differs}"
    return f"{case.fault:22}{case.unit:7}{case.way:6}{other}; {verdict}"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("faults", nargs="*", metavar="FAULT", help=", ".join(FAULTS))
    parser.add_argument("--unit", choices=UNITS)
    parser.add_argument("--way", choices=WAYS)
    parser.add_argument("--at-once", type=int, default=4)
    given = parser.parse_args()
    every = cases(
        given.faults or [*FAULTS],
        [given.unit] if given.unit else UNITS,
        [given.way] if given.way else WAYS,
    )
    right, tried = Counter[str](), Counter[str]()
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        name = None
        if given.way != "tcp":
            name, _ = stack.enter_context(jack.jack_server(jack.SYNCHRONOUS + "-prove"))
        pool = stack.enter_context(ThreadPoolExecutor(given.at_once))
        done = [pool.submit(compared, case, folder, name) for case in every]
        for case, result in zip(every, done, strict=True):
            said = result.result()
            tried[f"{case.unit} over {case.way}"] += 1
            right[f"{case.unit} over {case.way}"] += is_right(case, said)
            print(_line_of(case, said), flush=True)
    print("as rehearsed: " + "; ".join(f"{of} {right[of]} of {tried[of]}" for of in tried))


if __name__ == "__main__":
    main()
