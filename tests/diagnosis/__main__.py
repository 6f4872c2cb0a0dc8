"""`python -m tests.diagnosis [PART] [--runs N] [--seed S] [--only KIND] [--case K] [--show K]`."""

import argparse
import sys
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from time import perf_counter
from typing import Any, Final

from msgspec import Struct

from dryload.harness.diagnose.diagnose import diagnose
from tests.diagnosis import left_out, tables, unlisted
from tests.diagnosis.agreement import Agreement
from tests.diagnosis.injector import KINDS, case_of, double_of, healthy_of
from tests.diagnosis.injector_kinds import LEGAL, Case, Kind, case_in
from tests.diagnosis.left_out import LeftOut
from tests.diagnosis.scoring import Doubles, Sum, Tally, mark_of
from tests.diagnosis.unlisted_halves import HALVES
from tests.workers import chunks_of, gathered

SEEN: Final = HALVES[0]
_KINDS: Final = {kind.name: kind for kind in (*KINDS, *LEGAL, *SEEN.kinds)}
_SEEN_EVERY: Final = 4
"""Of the cases that are checked for agreement, each so-many-th is of no list."""
_WRITTEN_EVERY: Final = 10
"""And each so-many-th is written in every form."""


class Part(Struct, frozen=True):
    """A part of the benchmark."""

    runs: int
    """So many are a quick look."""
    total: Callable[[], Any]
    add: Callable[[Any, int, int], None]
    """Adds the run of a seed and a number to a total."""
    lines: Callable[[Any], Iterable[str]]


def unlisted_of(half: int, seed: int, number: int) -> Case:
    """Return a case of the kinds that no list has, all of them in turn."""
    turn, at = divmod(number, len(HALVES[half].kinds))
    return unlisted.case_of(HALVES[half].kinds[at], turn, seed)


def _agree(total: Agreement, seed: int, number: int) -> None:
    is_listed = number % _SEEN_EVERY
    case = case_of(seed, number) if is_listed else unlisted_of(0, seed, number // _SEEN_EVERY)
    total.add(case, in_every_form=number % _WRITTEN_EVERY == 0)


def _single_lines(total: Tally) -> Iterator[str]:
    yield from tables.score_lines(total)
    yield from tables.kind_lines(total)
    yield from tables.word_lines(total)
    yield from tables.clean_lines(total)
    yield from tables.confusion_lines(total)


def _left_out_lines(total: LeftOut) -> Iterator[str]:
    yield from left_out.lines_of(total)
    yield from left_out.word_lines(total)


def _unlisted_lines(total: Tally, *, kinds: bool) -> Iterator[str]:
    yield from tables.score_lines(total, "faults that no list has")
    yield from tables.clean_lines(total)
    if kinds:
        yield from tables.kind_lines(total)
        yield from tables.confusion_lines(total)


PARTS: Final = {
    "single": Part(
        4_000, Tally, lambda total, seed, number: total.add(case_of(seed, number)), _single_lines
    ),
    "two": Part(
        1_000,
        Doubles,
        lambda total, seed, number: total.add(double_of(seed, number)),
        tables.double_lines,
    ),
    "healthy": Part(
        2_000,
        Tally,
        lambda total, seed, number: total.add(healthy_of(seed, number)),
        tables.clean_lines,
    ),
    "left-out": Part(
        2_000,
        LeftOut,
        lambda total, seed, number: total.add(case_of(seed, number)),
        _left_out_lines,
    ),
    "confidence": Part(
        2_000,
        LeftOut,
        lambda total, seed, number: total.add(case_of(seed, number)),
        left_out.word_lines,
    ),
    "agree": Part(2_000, Agreement, _agree, Agreement.lines),
    "unlisted": Part(
        1_040,
        Tally,
        lambda total, seed, number: total.add(unlisted_of(0, seed, number)),
        partial(_unlisted_lines, kinds=True),
    ),
    "unseen": Part(
        1_040,
        Tally,
        lambda total, seed, number: total.add(unlisted_of(1, seed, number)),
        partial(_unlisted_lines, kinds=False),
    ),
}
"""`unseen` is the half of the unlisted kinds that is kept apart: totals alone are printed."""


def main() -> int:
    """Run what was asked for and print its tables; 0 where nothing kept it from the end."""
    asked = _arguments()
    if asked.case is not None:
        return _one(_case_asked(asked))
    for name in (
        [each for each in PARTS if each != "unseen"] if asked.part == "all" else [asked.part]
    ):
        runs = asked.runs or PARTS[name].runs
        total: Sum = PARTS[name].total()
        began = perf_counter()
        work = partial(_total_of, name=name, only=asked.only)
        done = gathered(work, chunks_of(asked.seed, runs), total.merge, runs, jobs=asked.jobs)
        print(f"{name}:")
        for line in (*PARTS[name].lines(total), *getattr(total, "missed", ())[: asked.show]):
            print(f"  {line}")
        took = perf_counter() - began
        print(f"  ({took:.1f} s, {runs / took:,.0f} runs a second)\n", flush=True)
        if not done:
            return 1
    return 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.diagnosis", description=__doc__)
    parser.add_argument("part", nargs="?", default="all", choices=(*PARTS, "all"))
    parser.add_argument("--runs", type=int, default=0, help="how many runs of each part")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="single: a kind, or how its name begins")
    parser.add_argument("--case", type=int, default=None, help="one case, told in full")
    parser.add_argument("--show", type=int, default=0, help="the first wrong runs")
    parser.add_argument("--jobs", type=int, default=None, help="processes; usually every core")
    return parser.parse_args()


def _total_of(chunk: tuple[int, range], *, name: str, only: str) -> Sum:
    """Do some runs of a part: what a worker does."""
    seed, numbers = chunk
    total: Sum = PARTS[name].total()
    for number in numbers:
        if only and isinstance(total, Tally):
            total.add(_case_in(_kind_named(only), seed, number))
        else:
            PARTS[name].add(total, seed, number)
    return total


def _kind_named(name: str) -> Kind:
    """Return a kind by its name, or the shortest that begins so."""
    found = [kind for kind in _KINDS.values() if kind.name.startswith(name)]
    if not found:
        raise SystemExit(f'no kind is called "{name}": {", ".join(_KINDS)}')
    return min(found, key=lambda kind: len(kind.name))


def _case_in(kind: Kind, seed: int, number: int) -> Case:
    if kind in SEEN.kinds:
        return unlisted.case_of(kind, number, seed)
    return case_in(kind, f"{seed} {number}", number)


def _case_asked(asked: argparse.Namespace) -> Case:
    if not asked.only:
        return case_of(asked.seed, asked.case)
    return _case_in(_kind_named(asked.only), asked.seed, asked.case)


def _one(case: Case) -> int:
    """Tell everything of one case."""
    found = diagnose(case.recorded, case.sources)
    mark = mark_of(case, found)
    source = ", with the source" if case.sources else ""
    print(f"{case.kind}, case {case.number}: {case.view}{source}")
    print(f"  right: {', '.join(sorted(each or '(nothing)' for each in case.accepted))}")
    print(f"  packet: {case.packet}")
    for dump in found.scene.verdicts.dumps:
        print(f"  dump {dump.direction.value}: {dump.ended}; {dump.loop}; {dump.replies}")
    for finding in found.scene.verdicts.all_findings:
        print(f"  {finding.verdict} {finding.clause} {finding.at.packet}: {finding.message}")
    print(f"  answer: {found.answer}, {found.confidence}")
    for each in (*found.causes, *found.remarks):
        at = each.at
        harmless = " (harmless)" if each.cause.is_harmless else ""
        place = None if at is None else at.packet
        print(f"  {each.strength.name:6} {each.name}{harmless} at packet {place}")
        for line in each.evidence:
            print(f"         {line.text}")
    print(f"  {'right' if mark.first else 'WRONG'}; place {mark.place}")
    return 0 if mark.first else 1


if __name__ == "__main__":
    sys.exit(main())
