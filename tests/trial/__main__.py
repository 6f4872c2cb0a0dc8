"""`python -m tests.trial`: how well `dryload check-encoder` tells broken encoders from odd ones.

Each encoder has its labels from the beginning; what is measured is whether it is caught, whether
the first thing said of it is right, and whether a right one is condemned.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from pathlib import Path

from msgspec import Struct

from dryload.harness.trial.battery import WIDTHS
from dryload.harness.trial.shrink import shrink
from dryload.harness.trial.subject import subject_of
from dryload.harness.trial.trial import Conduct, Trial, TrialFault, Trying
from tests.oracle import packet_count
from tests.trial.on_trial import subjects
from tests.trial.subject import About
from tests.workers import gathered

MEANS: dict[About, tuple[str, ...]] = {
    "words": ("WRD-12",),
    "words of another type": (Conduct.FORM,),
    "words of a view": (Conduct.FORM,),
    "packets": ("PKT-10", "HDR-07", "HSK-15", "PKT-09", "PKT-03", "HDR-06"),
    "sample number": ("HDR-02",),
    "state between calls": (Conduct.REMEMBERS,),
    "not repeatable": (Conduct.NOT_REPEATABLE, Conduct.SURROUNDINGS),
    "environment": (Conduct.SURROUNDINGS,),
    "returned object": (Conduct.CHANGES_RETURNED,),
    "input changed": (Conduct.CHANGES_INPUT,),
    "crash": (Conduct.CRASHES,),
}


class Came(Struct, frozen=True):
    """What a trial of one encoder came to."""

    place: int
    is_caught: bool
    is_condemned: bool
    is_first_right: bool
    told: tuple[str, ...]
    calls: int
    took_s: float
    packets: int | None
    """Of the smallest input; None where none was found."""
    words: int | None
    reproduced: bool | None


def tried(place: int, *, shrinks: bool = False) -> Trial:
    subject = subject_of(f"tests.trial.on_trial:s{place}")
    widths = WIDTHS if "bits" in subject.parameters else (16,)
    widths = (16, *(each for each in widths if each != 16))
    try:
        trial = Trying(subject, widths, progress=lambda *_: None, wants_stop=lambda: False).run()
        if shrinks and trial.faults:
            shrink(trial.faults[0], subject)
        return trial
    finally:
        subject.close()


def come_to(place: int) -> Came:
    one = subjects()[place]
    trial = tried(place, shrinks=one.kind != "right")
    faults = trial.faults
    return Came(
        place=place,
        is_caught=bool(faults),
        is_condemned=not trial.is_right,
        is_first_right=bool(faults) and is_right_first(faults[0], one.clauses, one.about),
        told=tuple(
            f"{each.finding.clause or each.finding.kind} {each.finding.verdict} x{each.probes}: "
            f"{each.finding.message}"
            for each in faults[:4]
        ),
        calls=trial.calls,
        took_s=trial.took_s,
        packets=packets_of(faults[0]) if faults else None,
        words=len(faults[0].smallest.words) if faults and faults[0].smallest else None,
        reproduced=faults[0].reproduced if faults else None,
    )


def packets_of(fault: TrialFault) -> int | None:
    task = fault.smallest
    return None if task is None else packet_count(len(task.words), task.bits)


def is_right_first(fault: TrialFault, clauses: tuple[str, ...], about: About | None) -> bool:
    if about is None:
        return fault.finding.clause in clauses
    return fault.finding.clause in MEANS[about] or fault.finding.kind in MEANS[about]


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.trial", description=__doc__)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--encoders", type=Path, help="another file of them")
    parser.add_argument("--only", help="those with this in their name")
    wishes = parser.parse_args()
    if wishes.encoders:
        os.environ["TRIAL_ENCODERS"] = str(wishes.encoders.resolve())
    found = subjects()
    chosen = [at for at, each in enumerate(found) if (wishes.only or "") in each.name]
    counts: Counter[str] = Counter()

    def add(came: Came) -> None:
        one = found[came.place]
        if one.kind == "right":
            well = not came.is_condemned
            counts["right ones"] += 1
            counts["condemned"] += not well
        else:
            well = came.is_first_right
            counts[one.kind] += 1
            counts[f"{one.kind}, caught"] += came.is_caught
            counts[f"{one.kind}, right first"] += well
            counts[f"{one.kind}, two packets at most"] += (
                came.packets is not None and came.packets <= 2
            )
            counts[f"{one.kind}, again in a second process"] += came.reproduced is True
            well = well and came.reproduced is True
        sign = " " if well else "!"
        print(
            f"{sign} {one.kind:8} {one.name} {one.clauses} {one.about or ''} "
            f"[{came.calls} calls, {came.took_s:.1f} s; smallest: {came.words} words, "
            f"{came.packets} packets, again {came.reproduced}]"
        )
        if not well or wishes.only:
            for line in came.told or ("nothing",):
                print(f"      {line}")
        sys.stdout.flush()

    gathered(come_to, chosen, add, len(chosen), jobs=wishes.jobs, runs_of=lambda _: 1)
    for name, count in counts.items():
        print(f"{name}: {count}")


if __name__ == "__main__":
    main()
