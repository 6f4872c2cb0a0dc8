"""What a job needs of a line, simulated or real, how long it runs one, and what the rig did wrong.

The rig is our own side: this computer, and what stands between it and the unit.  What it does wrong
is held against neither the unit nor the file.
"""

from collections.abc import Callable
from typing import Final, Protocol

from dryload.emulator.dump.capture import Capture
from dryload.emulator.dump.endpoint import Endpoint
from dryload.emulator.ports.lateness import TOLERANCE_NS, Lateness
from dryload.emulator.wire.prose import counted
from dryload.harness.judge.finding import Finding, Findings, Place

MINUTE_NS: Final = 60_000_000_000
PATIENCE_NS: Final = 10 * MINUTE_NS
"""How long a transfer may stand still, a unit that asked to wait above all (HSK-09); our choice."""
_MS: Final = 1_000_000
_A_FEW: Final = 2  # answers that came early: they may be to something else
_SLICE_NS: Final = 10_000_000_000  # a line that is never quiet is looked at this often


class Line(Protocol):
    """The host's end of a cable."""

    @property
    def now_ns(self) -> int:
        """Return the time."""
        ...

    @property
    def capture(self) -> Capture:
        """Return everything that passed so far."""
        ...

    def connect(self, endpoint: Endpoint) -> None:
        """Put an endpoint at the host's end."""
        ...

    def run(self, is_over: Callable[[], bool], *, until_ns: int | None = None) -> bool:
        """Run until `is_over` and the line is quiet; False when it never will be."""
        ...

    def advance(self, by_ns: int) -> None:
        """Let time pass."""
        ...


def run_patiently(
    line: Line,
    is_over: Callable[[], bool],
    signs: Callable[[], int],
    *,
    wants_stop: Callable[[], bool],
    patience_ns: int,
) -> None:
    """Run until `is_over`, until the user stops it, or until no sign of life came for so long.

    `signs` grows with every sign of life.
    """
    seen, since_ns = signs(), line.now_ns
    while not wants_stop():
        until_ns = line.now_ns + _SLICE_NS
        if line.run(lambda: is_over() or wants_stop(), until_ns=until_ns):
            return
        if line.now_ns < until_ns:
            return  # nothing will ever happen any more
        if signs() > seen:
            seen, since_ns = signs(), line.now_ns
        elif line.now_ns - since_ns >= patience_ns:
            return


def never() -> bool:
    """Want nothing: what is asked where nobody can stop a job."""
    return False


def late_findings(before: Lateness, after: Lateness) -> tuple[Finding, ...]:
    """Return findings on how late this process was between two looks at its lateness."""
    found = Findings()
    if missed := after.missed - before.missed:
        is_worst = after.worst_ns > before.worst_ns  # of all so far: of others only that is known
        found.tell(
            "computer was late",
            Place(time_ns=after.worst_at_ns if is_worst else None),
            often=counted(missed, "time"),
            most="up to" if is_worst else "at most",
            worst=f"{after.worst_ns / _MS:,.1f} ms",
            known="" if is_worst else " at most",
            tolerance=TOLERANCE_NS // _MS,
        )
    if doubtful := after.doubtful - before.doubtful:
        found.tell("looked too late to tell", bytes=counted(doubtful, "byte"))
    if lost := after.lost_bytes - before.lost_bytes:
        found.tell("bytes thrown away here", bytes=counted(lost, "byte"))
    if (early := after.early - before.early) > _A_FEW:
        found.tell("no line of this pace here", answers=counted(early, "answer"))
    return tuple(found.told())
