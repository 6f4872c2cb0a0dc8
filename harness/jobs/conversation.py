"""Compare two capture files as conversations."""

from dataclasses import dataclass

from emulator.dump.capture import Direction
from harness.files import opening
from harness.files.capture_file import CaptureFile, form_of, load
from harness.files.problem import Problem
from harness.judge.conversation import Comparison, compare


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaptureComparison:
    """Two capture files and how the second is as against the first."""

    a: CaptureFile
    b: CaptureFile
    comparison: Comparison
    remarks: tuple[str, ...] = ()
    """What could not be compared, in plain words."""


def are_captures(a: str, b: str) -> bool:
    """Return whether both files are captures; a Problem where only one of them is."""
    if a == b == opening.STANDARD_INPUT:
        raise Problem("standard input can be only one of the two files.")
    forms = form_of(a), form_of(b)
    if None not in forms:
        return True
    if forms == (None, None):
        return False
    capture, other = (a, b) if forms[1] is None else (b, a)
    raise Problem(
        f"{opening.shown(capture)} is a capture and {opening.shown(other)} is none: only two of a "
        "kind can be compared."
    )


def compare_captures(a: str, b: str, *, tolerance_ns: int | None = None) -> CaptureComparison:
    """Compare two capture files; a Problem for unreadable ones, and for ones that share nothing.

    Without a tolerance, times may differ by what they were rounded to when they were kept.
    """
    file_a, file_b = load(a), load(b)
    one, other = file_a.recorded, file_b.recorded
    common = tuple(each for each in one.directions if each in other.directions)
    if not common:
        raise Problem(
            f"{opening.shown(a)} holds only what went {one.directions[0].value}, and "
            f"{opening.shown(b)} only what went {other.directions[0].value}: they have nothing in "
            "common."
        )
    timed = one.is_timed and other.is_timed
    remarks = [
        f"nothing is known of what went {direction.value} in one of them, so that was not compared"
        for direction in Direction
        if direction not in common and direction in (*one.directions, *other.directions)
    ]
    if not timed:
        without = [name for name, each in (("A", one), ("B", other)) if not each.is_timed]
        verb = "has" if len(without) == 1 else "have"
        remarks.append(f"{' and '.join(without)} {verb} no times, so only bytes were compared")
    return CaptureComparison(
        a=file_a,
        b=file_b,
        comparison=compare(
            one.capture,
            other.capture,
            directions=common,
            timed=timed,
            tolerance_ns=max(one.rounded_ns, other.rounded_ns)
            if tolerance_ns is None
            else tolerance_ns,
        ),
        remarks=tuple(remarks),
    )
