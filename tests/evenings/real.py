"""The same evenings for real: the command as a process over TCP, with signals, in real time."""

from __future__ import annotations

import signal
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Final

from tests.cli.forked import Forked
from tests.cli.runs import environment
from tests.evenings.plan import Evening, Run, Trouble
from tests.evenings.rack import Rack
from tests.evenings.tool import HUNG, Ran
from tests.evenings.world import KILLED, Cable, Log, S
from tests.foreign import wire
from tests.foreign.link import TcpListener

_LOOK_S: Final = 0.005
_LIMIT_S: Final = 120.0
_LONGEST_STOP_S: Final = 5.0
_PACKETS: Final = 30
_KINDS: Final = ("kill", "ctrl-c", "late", "unit off")


def made_real(evening: Evening) -> Evening:
    """Return what of an evening can be had for real, and does not last too long."""
    dumps = tuple(dump for dump in evening.dumps if dump.packets <= _PACKETS) or evening.dumps[:1]
    files = [dump.file for dump in dumps]
    dumps = tuple(
        replace(dump, index=files[:place].count(dump.file)) for place, dump in enumerate(dumps)
    )
    habits = replace(
        evening.habits, delay=min(evening.habits.delay, 0.3), wait=min(evening.habits.wait, 3.0)
    )
    runs = tuple(
        replace(run, troubles=tuple(filter(None, map(_real, run.troubles)))) for run in evening.runs
    )
    manners = replace(evening.manners, key_s=0.0, deaf_s=0.0)
    return replace(
        evening, target="tcp", dumps=dumps, habits=habits, manners=manners, runs=runs, is_real=True
    )


def _real(trouble: Trouble) -> Trouble | None:
    if trouble.kind not in _KINDS:
        return None
    for_s = min(trouble.for_s, _LONGEST_STOP_S)
    at_s = trouble.at_s if trouble.step is None else trouble.step / 40
    return replace(trouble, step=None, at_s=at_s, for_s=for_s)


class RealRunner:
    """Runs the command as a process; the unit listens at one address all the evening."""

    def __init__(self) -> None:
        self._door: Final = _Door()

    def close(self) -> None:
        """Listen no more."""
        self._door.close()

    def __call__(
        self, evening: Evening, run: Run, turn: int, rack: Rack, *, folder: Path, began_ns: int
    ) -> Ran:
        """Run it once; what goes wrong does so from its first message on."""
        words = ("replay", *evening.files, "--to", self._door.name, *run.options)
        arguments = (*words, "--json") if run.as_json else words
        bench = _Bench(evening, run, rack, self._door, began_ns)
        env = environment() | {"XDG_STATE_HOME": str(folder)}
        with Forked(arguments, cwd=folder, env=env) as process, ThreadPoolExecutor(1) as pool:
            said = pool.submit(process.communicate)
            try:
                bench.serve(process)
            finally:
                process.kill()
                out, err = said.result()
                self._door.hang_up()
        code = process.wait()
        if bench.log.ended:
            code = HUNG
        elif code == -signal.SIGKILL:
            bench.log.ended, code = "kill", KILLED
        return Ran(
            arguments=arguments,
            code=code,
            out=out,
            err=err,
            log=bench.log,
            rack=rack,
            began_ns=began_ns,
            ends_ns=bench.now_ns(),
        )


class _Door(TcpListener):
    """Where the unit is reached."""

    def hang_up(self) -> None:
        """Close the connection that there is."""
        if self._peer is not None:
            self._peer.close()
            self._peer = None


class _Bench:
    """The unit behind a socket, and whoever disturbs the process."""

    def __init__(self, evening: Evening, run: Run, rack: Rack, link: _Door, began_ns: int) -> None:
        self.log: Final = Log()
        self._rack: Final = rack
        self._link: Final = link
        self._cable: Final = Cable(self.log, rack, evening.has_line, run.hits)
        self._began_ns: Final = began_ns
        self._start_ns: Final = time.monotonic_ns()
        self._troubles: Final = list(run.troubles)
        self._later: list[tuple[int, str]] = []

    def now_ns(self) -> int:
        return self._began_ns + time.monotonic_ns() - self._start_ns

    def serve(self, process: Forked) -> None:
        """Be the unit until the process ends."""
        cutter = wire.Cutter()
        first_ns = 0
        while process.poll() is None:
            for raw in cutter.feed(self._link.read(_LOOK_S)):
                first_ns = first_ns or self.now_ns()
                self._cable.send(raw, self.now_ns())
            now_ns = self.now_ns()
            self._cable.catch_up(now_ns)
            while self._cable.here and self._cable.here[0][0] <= now_ns:
                self._link.write(self._cable.here.pop(0)[1])
            hung_up_s = self._rack.hung_up_s
            if hung_up_s is not None and hung_up_s * S <= now_ns:
                self._rack.hung_up_s = None
                self._link.hang_up()
            if first_ns:
                self._disturb(process, now_ns, (now_ns - first_ns) / S)
            if now_ns - self._began_ns > _LIMIT_S * S:
                self.log.ended = "hung"
                return

    def _disturb(self, process: Forked, now_ns: int, since_s: float) -> None:
        while self._troubles and self._troubles[0].at_s <= since_s:
            self._strike(process, self._troubles.pop(0), now_ns)
        while self._later and self._later[0][0] <= now_ns:
            _, kind = self._later.pop(0)
            self.log.told.append((now_ns, kind))
            match kind:
                case "goes on":
                    process.send_signal(signal.SIGCONT)
                case "unit on":
                    self._rack.switch_on()
                case "ctrl-c":
                    process.send_signal(signal.SIGINT)

    def _strike(self, process: Forked, trouble: Trouble, now_ns: int) -> None:
        self.log.told.append((now_ns, f"{trouble.kind} {trouble.for_s or ''}".strip()))
        self.log.struck.add(trouble.kind)
        then_ns = now_ns + round(trouble.for_s * S)
        match trouble.kind:
            case "kill":
                process.kill()
            case "ctrl-c":
                process.send_signal(signal.SIGINT)
                if trouble.for_s:
                    self._later.append((then_ns, "ctrl-c"))
            case "late":
                self.log.late_ns += then_ns - now_ns
                process.send_signal(signal.SIGSTOP)
                self._later.append((then_ns, "goes on"))
            case "unit off":
                self._rack.switch_off(now_ns / S)
                self._link.hang_up()
                self._later.append((then_ns, "unit on"))
        self._later.sort()
