"""What our own side of a transfer did wrong: the rig, never the unit or the file."""

from typing import Final

from emulator.ports.lateness import TOLERANCE_NS, Lateness
from harness.jobs.fetch import Fetched
from harness.judge.finding import Answerable, Finding, Place, Verdict
from harness.judge.plain import counted

_MS: Final = 1_000_000
_A_FEW: Final = 2  # may be answers to something else


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


def in_seconds(ns: int) -> str:
    """Return a time as it stands in a sentence."""
    return f"{ns / 1_000_000_000:.1f} s"


def torn_findings(back: Fetched) -> tuple[Finding, ...]:
    """Return the finding that reading back took more than one try."""
    if not back.torn:
        return ()
    return (
        Finding(
            clause="PKT-03",
            verdict=Verdict.RIG,
            answerable=Answerable.RIG,
            message=f"Reading back had to be done again {counted(back.torn, 'time')}: packets "
            "were lost on the way from the unit.",
            expected="every packet of the sample that was asked for",
            found="a gap in the packet numbers, or an early end",
            do="See that nothing else uses the port; try another interface or a shorter cable.",
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
