"""The command prove at gear, where everything may end at any instant; here in virtual time.

A process that is killed is an exception that nobody handles, after which nothing reaches the gear
or the disk any more.  Real processes are in `stopped_live`.
"""

from __future__ import annotations

import io
import random
import sys
from collections import Counter
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any, ClassVar, NamedTuple, cast

import numpy as np
import pytest

from dryload.emulator.ports.port import Port, PortError
from dryload.harness.files.journal import Disk
from tests import oracle
from tests.cli.backing_up import TARGET, Desk, listed, press_ctrl_c
from tests.cli.replaying import Said
from tests.foreign import wire
from tests.foreign.endpoint import GearEndpoint
from tests.foreign.unit import Gear, Held
from tests.ports.clockwork import FakeClock
from tests.prove.faulty_gear import FaultyGear
from tests.prove.plain_memory import LISTED, PlainMemory


class KilledError(BaseException):
    """The process is gone: nothing of it runs any more."""


class Stop(NamedTuple):
    """What happens, and when."""

    how: str
    """"kill", "ctrl-c" or "cable"."""
    place: str
    """What is counted till then: messages "to the gear" or "from the gear", lines on the "disk", or
    a "second" each."""
    number: int
    again_after: int = 0
    """The same once more, when so many more messages have reached the gear; 0: only once."""


class Read(NamedTuple):
    out: str
    err: str


class Caught:
    """What a command prints, in place of what pytest has for that."""

    def __init__(self) -> None:
        self.out, self.err = io.StringIO(), io.StringIO()

    def readouterr(self) -> Read:
        said = Read(self.out.getvalue(), self.err.getvalue())
        for each in (self.out, self.err):
            each.seek(0)
            each.truncate()
        return said


class Typed(io.StringIO):
    """A terminal at which something is typed."""

    def isatty(self) -> bool:
        return True


class CountingClock(FakeClock):
    """Tells the bench of every second that begins."""

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self._bench = bench

    def sleep_ns(self, duration_ns: int) -> None:
        before = self.time_ns // 1_000_000_000
        super().sleep_ns(duration_ns)
        for _ in range(before, self.time_ns // 1_000_000_000):
            self._bench.tick("second")


class NotingGear(FaultyGear):
    """Notes the words of each dump as they came, whatever its memory makes of them."""

    def __init__(self, memory: PlainMemory) -> None:
        super().__init__(memory)
        self.taken: dict[int, list[int]] = {}

    def _keep(self, head: wire.Head) -> None:
        self.taken[head.sample] = list(self._words)
        super()._keep(head)


class LateGear(NotingGear):
    """Takes every header, and cancels when it is full."""

    def _take_header(self, raw: bytes, now_s: float) -> None:
        head = wire.head_of(raw)
        assert head is not None
        self.places.pop(head.sample, None)
        first = self._hole(1)
        if first is None:
            super()._take_header(raw, now_s)
        else:
            self.held.pop(head.sample, None)
            self._first = first
            Gear._take_header(self, raw, now_s)

    def _store(self, raw: bytes, head: wire.Head, at_s: float) -> None:
        behind = [first for first, _ in self.places.values() if first >= self._first]
        room = min([*behind, self.capacity]) - self._first
        if min(len(self._words) + len(wire.words_in(raw, head.bits)), head.length) > room:
            self._head = None
            self._answer(wire.CANCEL, raw[4], at_s)
        else:
            super()._store(raw, head, at_s)


class StoppedRig:
    """Gear with samples in a memory with a fault, and a command that something ends."""

    target: str
    kept: ClassVar = {2: 100, 3: 45, 7: 879}
    """Sample numbers of what the gear holds before, and their words: its memory is full."""
    gear_of: type[NotingGear] = NotingGear
    bank = 512
    """Words of each of its two banks."""
    up_to = 9
    """The last number that is asked for."""

    def __init__(self, folder: Path, fault: str) -> None:
        self.fault, self.place = fault, folder
        self.memory = PlainMemory("in a row", banks=2, size=self.bank, start=0, seed=17)
        LISTED[fault](self.memory)
        self.gear = self.gear_of(self.memory)
        self.seen: Counter[str] = Counter()
        self.stop: Stop | None = None
        self.heard: list[bytes] = []
        """What reached the gear."""
        rng = np.random.default_rng(5)
        for number, count in self.kept.items():
            self._hold(number, [int(word) for word in rng.integers(-(1 << 15), 1 << 15, count)])
        self.held: dict[int, list[int] | None] = {
            number: self.words(number) for number in self.kept
        }
        """What a dump request brings of each at the beginning."""
        self.folder = "kept"

    def words(self, number: int) -> list[int] | None:
        """Return what the gear has under a number, as its memory gives it; None for nothing."""
        if number not in self.gear.held:
            return None
        first, count = self.gear.places[number]
        return [int(word) - (1 << 15) for word in self.memory.read(first, count)]

    def initialise(self) -> None:
        """Do what the button of that name does."""
        self.gear.held.clear()
        self.gear.places.clear()

    def lose_power(self, dice: random.Random) -> None:
        """Lose all samples, or keep their names with other words; and forget what was going on."""
        shape = self.memory.cells.shape
        self.memory.cells[:] = np.random.default_rng(dice.randrange(99)).integers(0, 1 << 16, shape)
        if dice.randrange(2):
            self.initialise()
        self.gear._head = None

    def _hold(self, number: int, words: list[int]) -> None:
        first = sum(count for _, count in self.gear.places.values())
        self.memory.write(first, np.array(words) + (1 << 15))
        self.gear.places[number] = first, len(words)
        head = wire.Head(sample=number, bits=16, period_ns=22_676, length=len(words))
        self.gear.held[number] = Held(head, words)

    @property
    def has_overwritten(self) -> bool:
        """Whether a header (HDR-01, M1 p. 37) has reached the gear: before, nothing is lost."""
        return any(wire.said(raw, 0) == wire.HEADER for raw in self.heard)

    def check_kept(self) -> None:
        """What was kept is on the disk, word for word: whole files, in a list that is complete."""
        contents = listed(str(self.place / self.folder))
        assert contents["complete"]
        kept = {}
        for each in contents["sample"]:
            data = (self.place / self.folder / each["file"]).read_bytes()
            kept[each["number"]] = list(oracle.read_dump(data).words)
        assert kept == self.held

    # the command

    def hear(self, raw: bytes) -> None:
        """Note what reaches the gear, before it does."""
        self.tick("to the gear")
        if wire.said(raw, 0) == wire.HEADER and not self.has_overwritten:
            self.check_kept()
        self.heard.append(raw)

    def tick(self, place: str) -> None:
        """Count something, and end the command if it is its time."""
        self.seen[place] += 1
        if self.stop is None or place != self.stop.place or self.seen[place] != self.stop.number:
            return
        how, _, _, again = self.stop
        self.stop = None
        if again:
            self.stop = Stop(how, "to the gear", self.seen["to the gear"] + again)
        self.end_it(how)

    def end_it(self, how: str) -> None:
        """Let happen what ends the command."""
        raise NotImplementedError

    def run(self, *words: str, stop: Stop | None = None, typed: str | None = None) -> Said | None:
        """Run a command; None where it was killed.  `typed` is typed at a terminal."""
        raise NotImplementedError

    def prove(self, *words: str, stop: Stop | None = None, typed: str | None = None) -> Said | None:
        return self.run("prove", "--to", self.target, "--json", *words, stop=stop, typed=typed)

    def keep(self, *words: str, stop: Stop | None = None, typed: str | None = None) -> Said | None:
        return self.prove(
            "--keep", self.folder, "--up-to", str(self.up_to), *words, stop=stop, typed=typed
        )


class Bench(StoppedRig):
    """The command in this process, in virtual time."""

    target = TARGET

    def __init__(self, folder: Path, fault: str, patch: pytest.MonkeyPatch) -> None:
        super().__init__(folder, fault)
        self.has_died = False
        self.ports_left = 1 << 30
        """How often a port can still be opened."""
        self._caught = Caught()
        self._patch = patch
        self._desk = Desk(folder, patch, cast(Any, self._caught))
        self._desk.clock = CountingClock(self)
        self._desk.endpoint = GearEndpoint(self.gear)
        self._desk.passes = self._passes
        patch.setattr("dryload.harness.cli.target._open", lambda *_: self._port())
        self._take, self.gear.take = self.gear.take, self._hear  # type: ignore[method-assign]
        append = Disk.append

        def write(disk: Disk, path: str, content: bytes) -> None:
            self.check_alive()
            try:
                self.tick("disk")
            except KilledError:  # the beginning of the line is on the disk
                append(disk, path, content[: random.Random(len(content)).randrange(len(content))])
                raise
            append(disk, path, content)

        patch.setattr(Disk, "append", write)

    def _hear(self, raw: bytes, now_s: float) -> None:
        self.check_alive()
        self.hear(raw)
        self._take(raw, now_s)

    def _passes(self, message: bytes) -> bool:
        self.tick("from the gear")
        return True

    def _port(self) -> Port:
        self.ports_left -= 1
        if self.ports_left < 0:
            raise PortError("There is no such port.", "Plug it in.")
        return self._desk.open_port()

    def end_it(self, how: str) -> None:
        if how == "kill":
            self.has_died = True
            raise KilledError
        if how == "ctrl-c":
            press_ctrl_c()
        else:
            self._desk.hang_up()

    def check_alive(self) -> None:
        if self.has_died:
            raise KilledError

    def run(self, *words: str, stop: Stop | None = None, typed: str | None = None) -> Said | None:
        self.seen.clear()
        self.stop, self.has_died = stop, False
        self._patch.setattr(sys, "stdin", io.StringIO() if typed is None else Typed(typed))
        try:
            with redirect_stdout(self._caught.out), redirect_stderr(self._caught.err):
                return self._desk.run(*words)
        except KilledError:
            self._caught.readouterr()
            return None
        finally:
            self._quieten()

    def _quieten(self) -> None:
        """Let the gear say what it still has to say; nobody listens."""
        self.stop, self.has_died = None, False
        for _ in range(100):
            self._desk.clock.time_ns += 1_000_000_000
            self.gear.due(self._desk.clock.time_ns / 1e9)
        self._desk.endpoint = GearEndpoint(self.gear)
