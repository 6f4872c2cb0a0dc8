"""Live through one evening: run after run, and what was found false in each."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final, Protocol

from tests.evenings.check import Fault, faults_of
from tests.evenings.plan import Evening, Run
from tests.evenings.rack import Rack
from tests.evenings.said import Claim, Said, in_journal, said_in
from tests.evenings.tool import Ran, run_tool
from tests.foreign import wire
from tests.foreign.unit import Held

_PAUSE_NS: Final = 30_000_000_000
_BEGIN: Final = ("there is no journal", "Without --resume it is")
"""What the tool says where `--resume` leads nowhere."""
_SPARE_TRIES: Final = 3


class Runner(Protocol):
    """Runs the command once; the unit comes back as it is then."""

    def __call__(
        self, evening: Evening, run: Run, turn: int, rack: Rack, *, folder: Path, began_ns: int
    ) -> Ran: ...


@dataclass(slots=True)
class Turn:
    """One run with everything that is known of it."""

    run: Run
    ran: Ran
    said: Said
    journal: list[Claim]
    journal_before: list[Claim]
    began_with: dict[int, Held]
    """What the unit held when it began."""
    captured: bytes | None = None
    """What went to the unit by the capture, None where there is none that is a text."""


@dataclass(slots=True)
class Lived:
    """One evening."""

    evening: Evening
    turns: list[Turn] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)


def live_through(evening: Evening, runner: Runner = run_tool) -> Lived:
    """Run the command as often as the evening wants, then calmly until all is well."""
    lived = Lived(evening)
    folder = Path(tempfile.mkdtemp(prefix="evening-"))
    try:
        for name in evening.files:
            data = b"".join(dump.data() for dump in evening.dumps if dump.file == name)
            (folder / name).write_bytes(data)
        rack = Rack(evening.habits, evening.manners)
        for number in evening.held_before:
            rack.held[number] = Held(wire.Head(number, 16, 22_676, 3), [5, 6, 7])
        now_ns = 0
        for turn, run in enumerate(_runs(lived)):
            _prepare(rack, run, now_ns)
            before = in_journal(journal_in(folder))
            began_with = dict(rack.held)
            ran = runner(evening, run, turn, rack, folder=folder, began_ns=now_ns)
            rack, now_ns = deepcopy(ran.rack), ran.ends_ns + _PAUSE_NS
            done = Turn(
                run=run,
                ran=ran,
                said=said_in(ran.out, ran.err, as_json=run.as_json),
                journal=in_journal(journal_in(folder)),
                journal_before=before,
                began_with=began_with,
                captured=_captured(folder, run),
            )
            lived.turns.append(done)
        lived.faults = [
            fault for at in range(len(lived.turns)) for fault in faults_of(evening, lived.turns, at)
        ]
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return lived


def journal_in(folder: Path) -> Path:
    """Return the journal in its usual place."""
    return next(iter((folder / "dryload").glob("journal-*.jsonl")), folder / "none")


def _captured(folder: Path, run: Run) -> bytes | None:
    names = [each for each in run.options if each.endswith(".jsonl")]
    try:
        lines = [json.loads(line) for line in (folder / names[0]).read_text().splitlines()[1:]]
    except (OSError, ValueError, IndexError):
        return b"" if names else None
    return b"".join(bytes.fromhex(line["hex"]) for line in lines if line["direction"] == "to unit")


def _prepare(rack: Rack, run: Run, now_ns: int) -> None:
    """Do to the unit what happens to it between two runs."""
    if run.before == "off and on" and rack.is_on:
        rack.switch_off(now_ns / 1e9)
    if not rack.is_on:
        rack.switch_on()
    rack.saw = dict.fromkeys(rack.saw, 0)
    rack.headers.clear()
    rack.asked.clear()
    rack.player = None


def _runs(lived: Lived) -> Iterator[Run]:
    """Yield the runs of the plan, then calm ones until one ends well or nothing gets better."""
    evening = lived.evening
    yield from evening.runs
    calm = replace(evening.runs[0], troubles=(), hits=(), before="")
    options = tuple(each for each in calm.options if not each.startswith(("--capture", "passed-")))
    for _ in range(len(evening.dumps) + _SPARE_TRIES):
        last = lived.turns[-1]
        if last.ran.code == 0 and last.run.is_calm:
            return
        begins = any(told in last.ran.err for told in _BEGIN)
        more = () if begins else ("--resume",)
        yield replace(calm, options=(*options, *more))
