"""The second set: runs of another injector, written apart, scored the same way."""

from collections.abc import Iterator
from itertools import islice
from typing import Final

from emulator.dump.capture import Direction
from harness.files.recorded import Recorded, TakenAt
from tests.diagnosis.alike import NOTHING, View
from tests.diagnosis.families import SINGLE
from tests.diagnosis.family import Family
from tests.diagnosis.injector import Labelled, cases
from tests.diagnosis.runs import Run
from tests.diagnosis.scoring import Count, Tally, verdict_of

CHUNK: Final = 50
"""So many cases come from one seed of the injector."""
Task = tuple[int, range]
"""Seed and numbers."""


def runs_of_second(seed: int, numbers: range) -> Iterator[Run]:
    """Yield the runs of these numbers, each with its label."""
    for first in range(numbers.start // CHUNK * CHUNK, numbers.stop, CHUNK):
        some = range(max(first, numbers.start), min(first + CHUNK, numbers.stop))
        cut = islice(cases(seed + first // CHUNK, CHUNK), some.start - first, some.stop - first)
        yield from map(_run, some, cut)


def _run(number: int, case: Labelled) -> Run:
    return Run(
        family=case.family,
        number=number,
        recorded=case.recorded,
        sources=case.source,
        accepted=case.accepted or frozenset({NOTHING}),
        packet=case.packet,
        is_visible=True,
        view=_view(case.recorded),
        told="from the second injector",
    )


def _view(recorded: Recorded) -> View:
    if len(recorded.directions) == 1:
        return View.TO if recorded.directions[0] is Direction.TO_UNIT else View.FROM
    if not recorded.is_timed:
        return View.UNTIMED
    return View.HOST if recorded.taken_at is TakenAt.HOST else View.LINE


def tally_of_second(task: Task) -> Tally:
    """Run and score some cases: what a worker does."""
    tally = Tally()
    for run in runs_of_second(*task):
        tally.add(run, verdict_of(run))
    return tally


def same_kinds(accepted: frozenset[str]) -> tuple[Family, ...]:
    """Return the families of the first set whose faults the second one makes as well."""
    return tuple(each for each in SINGLE if each.line.causes & accepted)


def causes_of_second(seed: int, many: int) -> frozenset[str]:
    """Return every cause that the second injector makes."""
    causes: set[str] = set()
    for case in cases(seed, many):
        causes |= case.accepted
    return frozenset(causes - {NOTHING})


def count_of(tally: Tally, families: tuple[Family, ...]) -> Count:
    """Return what some families of the first set came to."""
    total = Count()
    for family in families:
        if family.name in tally.faults:
            total.merge(tally.faults[family.name])
    return total
