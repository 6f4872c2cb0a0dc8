"""How often the commands wake over real ports: how often their main threads stop to wait.

The threads of the MIDI library are counted apart: JACK wakes two of them with each of its periods,
whatever a program does.
"""

from __future__ import annotations

import subprocess
import tempfile
import time
from pathlib import Path
from typing import Final

from tests.cli.runs import COMMAND, ROOT, environment
from tests.lanes.lane import LANES, Lane, NoLaneError
from tests.lanes.processes import serving

SETTLE_S: Final = 3.0  # after that nothing of what came before keeps a command awake
IDLE_S: Final = 8.0
BUSY_S: Final = 4.0
_TASKS: Final = Path("/proc/self/task")
_DUMP: Final = ROOT / "captures_demo" / "good" / "ships-bell-8-bit.syx"  # takes 15 s on the line
_FIELD: Final = "voluntary_ctxt_switches:"


def show() -> None:
    """Print the wakeups a second of both commands, idle and in a paced transfer."""
    if not _TASKS.exists():
        print("wakeups: not measured: this system does not count them for each thread")
        return
    _show("tcp", Lane(("--tcp", "127.0.0.1:0"), ""))
    for name in ("jack", "alsa"):
        try:
            with LANES[name]() as lane:
                _show(name, lane)
        except NoLaneError as why:
            print(f"wakeups: {name}: not measured: {why}")


def _show(title: str, lane: Lane) -> None:
    with tempfile.TemporaryDirectory() as folder, serving(lane, Path(folder)) as unit:
        served = unit.process.pid
        assert served is not None
        time.sleep(SETTLE_S)
        _print(f"{title}, serve, idle", served, IDLE_S)
        server = {"JACK_DEFAULT_SERVER": lane.server} if lane.server else {}
        with subprocess.Popen(
            [*COMMAND, "replay", str(_DUMP), "--to", lane.target or unit.ready["port"]],
            cwd=folder,
            env={**environment(), **server},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        ) as replay:
            time.sleep(SETTLE_S)
            _print(f"{title}, serve, receiving", served, BUSY_S)
            _print(f"{title}, replay, sending", replay.pid, BUSY_S)
        unit.quit()


def _print(what: str, pid: int, for_s: float) -> None:
    before, begun = wakeups_of(pid), time.monotonic()
    time.sleep(for_s)
    after, took_s = wakeups_of(pid), time.monotonic() - begun
    main = (after[pid] - before[pid]) / took_s
    rest = (sum(after.values()) - sum(before.values())) / took_s - main
    print(f"wakeups a second: {what}: {main:,.0f}, and other threads {rest:,.0f}", flush=True)


def wakeups_of(pid: int) -> dict[int, int]:
    """Return how often each thread of a process has stopped to wait so far."""
    found = {}
    for task in Path(f"/proc/{pid}/task").iterdir():
        lines = (task / "status").read_text(encoding="utf-8").splitlines()
        found[int(task.name)] = next(
            int(line.removeprefix(_FIELD)) for line in lines if line.startswith(_FIELD)
        )
    return found


if __name__ == "__main__":
    show()
