"""`python -m tests.diagnosis [PART] [--runs N] [--seed S] [--only KIND] [--case K] [--show K]`."""

import argparse
import sys
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from itertools import cycle
from time import perf_counter
from typing import Final, Protocol, Self

from harness.diagnose.diagnose import diagnose
from tests.diagnosis import left_out, tables
from tests.diagnosis.agreement import Agreement, agreement_of
from tests.diagnosis.injector import KINDS, case_of, cases, double_of, healthy_of
from tests.diagnosis.injector_kinds import LEGAL, Case, Kind, case_in
from tests.diagnosis.left_out import LeftOut, left_out_of
from tests.diagnosis.scoring import Doubles, Tally, mark_of
from tests.diagnosis.unlisted import Score, lines_of
from tests.diagnosis.unlisted import case_of as unlisted_case
from tests.diagnosis.unlisted_halves import HALVES, half_of, score_in
from tests.diagnosis.workers import chunks_of, gathered

_PARTS: Final = {
    "single": 4_000,
    "two": 1_000,
    "healthy": 2_000,
    "left-out": 2_000,
    "confidence": 2_000,
    "agree": 2_000,
    "unlisted": 1_040,
}
"""Parts of the benchmark, and how many runs of each are a quick look."""
_SEEN_EVERY: Final = 4
"""Of the cases that are faulty and checked for agreement, each so-many-th is of no list."""
_KINDS: Final = {kind.name: kind for kind in (*KINDS, *LEGAL)}
Chunk = tuple[int, range]
"""Seed and numbers."""


class _Total(Protocol):
    @property
    def done(self) -> int: ...

    def merge(self, other: Self) -> None: ...


def main() -> int:
    """Run what was asked for and print its tables; 0 where nothing kept it from the end."""
    asked = _arguments()
    if asked.case is not None:
        return _one(_case_asked(asked))
    for part in _PARTS if asked.part == "all" else (asked.part,):
        runs = asked.runs or _PARTS[part]
        began = perf_counter()
        done = _WORK[part](runs, asked)
        took = perf_counter() - began
        if done is None:
            return 1
        print(f"  ({took:.1f} s, {done / took:,.0f} runs a second)\n", flush=True)
    return 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.diagnosis", description=__doc__)
    parser.add_argument("part", nargs="?", default="all", choices=(*_PARTS, "all"))
    parser.add_argument("--runs", type=int, default=0, help="how many runs of each part")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="a kind, or how its name begins")
    parser.add_argument("--case", type=int, default=None, help="one case, told in full")
    parser.add_argument("--show", type=int, default=0, help="the first wrong runs")
    parser.add_argument("--unseen", action="store_true", help="unlisted: the half kept apart")
    parser.add_argument("--jobs", type=int, default=None, help="processes; usually every core")
    return parser.parse_args()


def _kind_named(name: str) -> Kind:
    """Return a kind by its name, or the first one that begins so."""
    of_list = {kind.name: kind for kind in HALVES[0].kinds}
    found = [kind for kind in (_KINDS | of_list).values() if kind.name.startswith(name)]
    if not found:
        raise SystemExit(f'no kind is called "{name}": {", ".join(_KINDS)}')
    return min(found, key=lambda kind: len(kind.name))


def _case_asked(asked: argparse.Namespace) -> Case:
    if not asked.only:
        return case_of(asked.seed, asked.case)
    kind = _kind_named(asked.only)
    if kind in HALVES[0].kinds:
        return unlisted_case(kind, asked.case, asked.seed)
    return case_in(kind, f"{asked.seed} {asked.case}", asked.case)


def _added(
    work: Callable[[Chunk], _Total], total: _Total, runs: int, asked: argparse.Namespace
) -> int | None:
    def add(result: _Total) -> int:
        total.merge(result)
        return result.done

    return gathered(work, chunks_of(asked.seed, runs), add, runs, jobs=asked.jobs)


def _single_in(chunk: Chunk, only: str) -> Tally:
    tally, (seed, numbers) = Tally(), chunk
    for number in numbers:
        if only:
            tally.add(case_in(_kind_named(only), f"{seed} {number}", number))
        else:
            tally.add(case_of(seed, number))
    return tally


def _single(runs: int, asked: argparse.Namespace) -> int | None:
    total = Tally()
    done = _added(partial(_single_in, only=asked.only), total, runs, asked)
    _print(tables.score_lines(total), tables.kind_lines(total), tables.word_lines(total))
    _print(tables.clean_lines(total), tables.confusion_lines(total), total.missed[: asked.show])
    return done


def _healthy_in(chunk: Chunk) -> Tally:
    tally, (seed, numbers) = Tally(), chunk
    for number in numbers:
        tally.add(healthy_of(seed, number))
    return tally


def _healthy(runs: int, asked: argparse.Namespace) -> int | None:
    total = Tally()
    done = _added(_healthy_in, total, runs, asked)
    _print(tables.clean_lines(total), tables.confusion_lines(total), total.missed[: asked.show])
    return done


def _two_in(chunk: Chunk) -> Doubles:
    tally, (seed, numbers) = Doubles(), chunk
    for number in numbers:
        tally.add(double_of(seed, number))
    return tally


def _two(runs: int, asked: argparse.Namespace) -> int | None:
    total = Doubles()
    done = _added(_two_in, total, runs, asked)
    _print(tables.double_lines(total), total.missed[: asked.show])
    return done


def _left_out_in(chunk: Chunk) -> LeftOut:
    return left_out_of(cases(*chunk))


def _left_out(runs: int, asked: argparse.Namespace) -> int | None:
    return _without(runs, asked, left_out.lines_of, left_out.word_lines)


def _confidence(runs: int, asked: argparse.Namespace) -> int | None:
    return _without(runs, asked, left_out.word_lines)


def _without(
    runs: int, asked: argparse.Namespace, *lines: Callable[[LeftOut], Iterable[str]]
) -> int | None:
    total = LeftOut()
    done = _added(_left_out_in, total, runs, asked)
    _print(*(each(total) for each in lines))
    return done


def _listed_or_not(chunk: Chunk) -> Iterator[Case]:
    """Yield cases, some of them of the kinds that no list has."""
    seed, numbers = chunk
    others = cycle(HALVES[0].faults)
    for number, kind in zip(numbers, others, strict=False):
        if number % _SEEN_EVERY == _SEEN_EVERY - 1:
            yield unlisted_case(kind, number, seed)
        else:
            yield case_of(seed, number)


def _agreement_in(chunk: Chunk) -> Agreement:
    return agreement_of(_listed_or_not(chunk), every=10)


def _agree(runs: int, asked: argparse.Namespace) -> int | None:
    total = Agreement()
    done = _added(_agreement_in, total, runs, asked)
    print("whether the diagnosis agrees with the judge, and validate with itself:")
    _print(total.lines(), (f"  {line}" for line in total.missed[: asked.show]))
    return done


def _unlisted(runs: int, asked: argparse.Namespace) -> int | None:
    """The half that is looked at; with --unseen the other, of which totals alone are printed."""
    half = half_of(unseen=asked.unseen)
    scores = {kind.name: Score() for kind in half.kinds}

    def add(result: tuple[str, Score]) -> int:
        scores[result[0]].merge(result[1])
        return result[1].runs

    share = -(-runs // len(half.kinds))
    tasks = ((asked.unseen, at, range(share), asked.seed) for at in range(len(half.kinds)))
    done = gathered(score_in, tasks, add, share * len(half.kinds), jobs=asked.jobs)
    _print(lines_of(half, scores, each=not asked.unseen))
    return done


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
        at = each.suspicion.at
        harmless = " (harmless)" if each.cause.is_harmless else ""
        place = None if at is None else at.packet
        print(f"  {each.strength.name:6} {each.name}{harmless} at packet {place}")
        for line in each.suspicion.evidence:
            print(f"         {line.text}")
    print(f"  {'right' if mark.first else 'WRONG'}; place {mark.place}")
    return 0 if mark.first else 1


def _print(*groups: Iterable[str]) -> None:
    for lines in groups:
        for line in lines:
            print(line)


_WORK: Final[dict[str, Callable[[int, argparse.Namespace], int | None]]] = {
    "single": _single,
    "two": _two,
    "healthy": _healthy,
    "left-out": _left_out,
    "confidence": _confidence,
    "agree": _agree,
    "unlisted": _unlisted,
}

if __name__ == "__main__":
    sys.exit(main())
