"""What a job needs of a line, simulated or real, how long it runs one, and what the rig did wrong.

The rig is our own side: this computer, and what stands between it and the unit.  What it does wrong
is held against neither the unit nor the file.
"""

from collections.abc import Callable
from typing import Final, Protocol

from emulator.dump.capture import Capture
from emulator.dump.endpoint import Endpoint
from emulator.ports.lateness import TOLERANCE_NS, Lateness
from emulator.wire.prose import counted
from harness.judge.finding import Answerable, Finding, Place, Verdict

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
    findings = []
    if missed := after.missed - before.missed:
        is_worst = after.worst_ns > before.worst_ns  # of all so far: of others only that is known
        most = "up to" if is_worst else "at most"
        worst = f"{after.worst_ns / _MS:,.1f} ms"
        findings.append(
            _finding(
                f"This computer was late {counted(missed, 'time')}, by {most} {worst}: times of "
                "this transfer are longer by that, and it is not the unit's doing.",
                expected=f"every instant met within {TOLERANCE_NS // _MS} ms",
                found=f"{worst} late" if is_worst else f"{worst} late at most",
                do="Close other programs, or give dryload a higher priority.",
                time_ns=after.worst_at_ns if is_worst else None,
            )
        )
    if doubtful := after.doubtful - before.doubtful:
        findings.append(
            _finding(
                f"{counted(doubtful, 'byte')} may have come before or after a limit, for this "
                "computer was late in looking: they were taken to be in time.",
                expected="to know whether an answer came in time",
                found="a look that came too late to tell",
                do="Close other programs, or give dryload a higher priority.",
            )
        )
    if lost := after.lost_bytes - before.lost_bytes:
        findings.append(
            _finding(
                f"{counted(lost, 'byte')} that came were thrown away here, because more waited "
                "than can be held.",
                expected="every byte kept",
                found=f"{counted(lost, 'byte')} lost",
                do="See what else sends to this port.",
            )
        )
    if (early := after.early - before.early) > _A_FEW:
        findings.append(
            Finding(
                clause="TIM-06",
                verdict=Verdict.NOTED,
                answerable=Answerable.RIG,
                message=f"{counted(early, 'answer')} came before a line of 31,250 baud could have "
                "carried what they answer: there is no such line here, and part of the time was "
                "spent keeping its pace.",
                expected="a packet to take 40.64 ms",
                found="an answer sooner than that",
                do="--no-pace is quicker, if the unit can take it.",
            )
        )
    return tuple(findings)


def begun_again_findings(begun: int) -> tuple[Finding, ...]:
    """Return the finding that a dump was begun more than once because this computer was stopped."""
    if begun <= 1:
        return ()
    return (
        _finding(
            f"The dump was sent again from the start {counted(begun - 1, 'time')}: this computer "
            "was stopped in the middle of it, and the unit did not wait for it.",
            expected="a sender that goes on",
            found="a pause that the unit took for the end",
            do="Do not suspend dryload while a dump is on its way.",
        ),
    )


def _finding(
    message: str, *, expected: str, found: str, do: str, time_ns: int | None = None
) -> Finding:
    return Finding(
        clause="TIM-03",
        verdict=Verdict.RIG,
        answerable=Answerable.RIG,
        message=message,
        expected=expected,
        found=found,
        do=do,
        at=Place(time_ns=time_ns),
    )
