"""`python -m tests.diagnosis [PART] [--runs N] [--seed S] [--only FAMILY] [--run K] [--show K]`."""

import argparse
import sys
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from time import perf_counter
from typing import Final, TypeVar

from harness.diagnose.diagnose import diagnose
from tests.diagnosis import tables
from tests.diagnosis.agreement import Agreement, agreement_of
from tests.diagnosis.doubles import Doubles, doubles_of
from tests.diagnosis.families import families_of, family_named
from tests.diagnosis.family import Family, Part
from tests.diagnosis.left_out import LeftOut, left_out_of
from tests.diagnosis.left_out import lines_of as left_out_lines
from tests.diagnosis.left_out import word_lines as left_out_words
from tests.diagnosis.remedies import Remedied, remedied_in
from tests.diagnosis.runs import Run, run_of
from tests.diagnosis.scoring import Tally, verdict_of
from tests.diagnosis.silent import Silent, silent_of
from tests.diagnosis.workers import Chunk, chunks_of, gathered, tally_of

_PARTS: Final = (
    "single",
    "held-out",
    "double",
    "healthy",
    "silent",
    "injector",
    "remedies",
    "left-out",
    "confidence",
    "agree",
    "unlisted",
    "all",
)
_SMALL: Final = {
    "single": 3_000,
    "held-out": 600,
    "double": 500,
    "healthy": 2_000,
    "silent": 300,
    "injector": 600,
    "remedies": 600,
    "left-out": 2_000,
    "confidence": 2_000,
    "agree": 2_000,
    "unlisted": 1_040,
}
_CHUNK: Final = 50
_Total = TypeVar("_Total", Doubles, Silent)


def main() -> int:
    """Run what was asked for and print its tables; 0 where nothing kept it from the end."""
    asked = _arguments()
    if asked.run is not None and (asked.only or asked.part == "injector"):
        return _one(_run_asked(asked))
    parts = _PARTS[:-1] if asked.part == "all" else (asked.part,)
    for part in parts:
        runs = asked.runs or _SMALL[part]
        began = perf_counter()
        done = _WORK[part](runs, asked)
        took = perf_counter() - began
        if done is None:
            return 1
        print(f"  ({took:.1f} s, {done / took:,.0f} runs a second)\n", flush=True)
    return 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.diagnosis", description=__doc__)
    parser.add_argument("part", nargs="?", default="all", choices=_PARTS)
    parser.add_argument("--runs", type=int, default=0, help="how many runs of each part")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="a family, or how its name begins")
    parser.add_argument("--run", type=int, default=None, help="one run of a family, told in full")
    parser.add_argument("--show", type=int, default=0, help="the first wrong runs")
    parser.add_argument("--unseen", action="store_true", help="unlisted: the half kept apart")
    parser.add_argument("--jobs", type=int, default=None, help="processes; usually every core")
    return parser.parse_args()


def _run_asked(asked: argparse.Namespace) -> Run:
    if asked.part != "injector":
        return run_of(family_named(asked.only), asked.run, asked.seed)
    from tests.diagnosis.second import runs_of_second

    return next(runs_of_second(asked.seed, range(asked.run, asked.run + 1)))


def _families(part: Part, asked: argparse.Namespace) -> tuple[Family, ...]:
    return (family_named(asked.only),) if asked.only else families_of(part)


def _tallied(
    families: tuple[Family, ...], runs: int, asked: argparse.Namespace
) -> tuple[Tally, int | None]:
    total = Tally()

    def add(tally: Tally) -> int:
        total.merge(tally)
        return _runs_in(tally)

    chunks = chunks_of(families, runs, asked.seed)
    return total, gathered(tally_of, chunks, add, runs, jobs=asked.jobs)


def _runs_in(tally: Tally) -> int:
    counts = (*tally.faults.values(), *tally.clean.values(), tally.open)
    return sum(count.runs for count in counts)


def _scored(part: Part, title: str, runs: int, asked: argparse.Namespace) -> int | None:
    tally, done = _tallied(_families(part, asked), runs, asked)
    _print(tables.score_lines(title, tally), tables.family_lines(tally))
    _print(tables.word_lines(tally), tables.confusion_lines(tally))
    _show(tally, asked)
    return done


def _single(runs: int, asked: argparse.Namespace) -> int | None:
    done = _scored(Part.SINGLE, "one fault", runs, asked)
    if done is None or asked.only:
        return done
    more = _no_answers(max(runs // 20, 40), asked)
    return None if more is None else done + more


def _no_answers(runs: int, asked: argparse.Namespace) -> int | None:
    print()
    return _scored(Part.NO_ANSWERS, "units that never answer", runs, asked)


def _held_out(runs: int, asked: argparse.Namespace) -> int | None:
    names = ", ".join(family.name for family in families_of(Part.HELD_OUT))
    print(f"held out while rules were written: {names}")
    return _scored(Part.HELD_OUT, "held out", runs, asked)


def _healthy(runs: int, asked: argparse.Namespace) -> int | None:
    tally, done = _tallied(_families(Part.HEALTHY, asked), runs, asked)
    _print(tables.clean_lines(tally), tables.confusion_lines(tally))
    _show(tally, asked)
    return done


def _double(runs: int, asked: argparse.Namespace) -> int | None:
    total = Doubles()
    done = _counted(partial(doubles_of, seed=asked.seed), total, runs, asked)
    print(f"two faults at once: {total.runs:,} runs in which both are to be seen")
    print(f"  ({total.hidden:,} more in which one of them is not)")
    _print(total.lines())
    return done


def _silent(runs: int, asked: argparse.Namespace) -> int | None:
    total = Silent()
    done = _counted(partial(silent_of, seed=asked.seed), total, runs, asked)
    print("damage that no receiver can see:")
    _print(total.lines())
    return done


def _counted(
    work: Callable[[range], tuple[_Total, list[str]]],
    total: _Total,
    runs: int,
    asked: argparse.Namespace,
) -> int | None:
    missed: list[str] = []

    def add(result: tuple[_Total, list[str]]) -> int:
        total.merge(result[0])
        missed.extend(result[1][: max(asked.show - len(missed), 0)])
        return result[0].done

    start, stop = (0, runs) if asked.run is None else (asked.run, asked.run + 1)
    tasks = (range(at, min(at + _CHUNK, stop)) for at in range(start, stop, _CHUNK))
    done = gathered(work, tasks, add, runs, jobs=asked.jobs)
    _print(f"  {line}" for line in missed)
    return done


def _remedies(runs: int, asked: argparse.Namespace) -> int | None:
    total, missed = Remedied(), list[str]()

    def add(result: tuple[Remedied, list[str]]) -> int:
        total.merge(result[0])
        missed.extend(result[1][: max(asked.show - len(missed), 0)])
        return result[0].runs

    chunks = chunks_of(_families(Part.SINGLE, asked), runs, asked.seed)
    done = gathered(remedied_in, chunks, add, runs, jobs=asked.jobs)
    print("remedies, each chosen by the first cause alone:")
    _print(total.lines())
    _print(f"  {line}" for line in missed)
    return done


def _injector(runs: int, asked: argparse.Namespace) -> int | None:
    from tests.diagnosis.second import (
        CHUNK,
        causes_of_second,
        count_of,
        same_kinds,
        tally_of_second,
    )

    total = Tally()

    def add(tally: Tally) -> int:
        total.merge(tally)
        return _runs_in(tally)

    tasks = [(asked.seed, range(at, min(at + CHUNK, runs))) for at in range(0, runs, CHUNK)]
    done = gathered(tally_of_second, tasks, add, runs, jobs=asked.jobs)
    _print(tables.score_lines("the second injector", total), tables.family_lines(total))
    _print(tables.confusion_lines(total))
    _show(total, asked, part="injector")
    kinds = same_kinds(causes_of_second(asked.seed, 200))
    first, _ = _tallied(kinds, runs, asked)
    _print(tables.difference_lines(total.faults, count_of(first, kinds)))
    return done


def _runs_in_task(task: Chunk) -> Iterator[Run]:
    """Yield the runs of a task: of the first set, or of the second where the name is empty."""
    from tests.diagnosis.second import runs_of_second

    name, numbers, seed = task
    if not name:
        return runs_of_second(seed, numbers)
    return (run_of(family_named(name), number, seed) for number in numbers)


def _of_both_sets(runs: int, asked: argparse.Namespace) -> Iterator[Chunk]:
    """Yield tasks, half of the runs from either set."""
    yield from chunks_of(families_of(Part.SINGLE), runs // 2, asked.seed)
    for at in range(0, runs // 2, _CHUNK):
        yield "", range(at, min(at + _CHUNK, runs // 2)), asked.seed


def _left_out_in(task: Chunk) -> LeftOut:
    return left_out_of(_runs_in_task(task))


def _agreement_in(task: Chunk) -> Agreement:
    return agreement_of(_runs_in_task(task), every=10)


def _agree(runs: int, asked: argparse.Namespace) -> int | None:
    total = Agreement()

    def add(tally: Agreement) -> int:
        total.merge(tally)
        return tally.done

    done = gathered(_agreement_in, _of_both_sets(runs, asked), add, runs, jobs=asked.jobs)
    print("whether the diagnosis agrees with the judge, and validate with itself:")
    _print(total.lines(), (f"  {line}" for line in total.missed[: asked.show]))
    return done


def _left_out(runs: int, asked: argparse.Namespace) -> int | None:
    return _without(runs, asked, left_out_lines, left_out_words)


def _confidence(runs: int, asked: argparse.Namespace) -> int | None:
    return _without(runs, asked, left_out_words)


def _without(
    runs: int, asked: argparse.Namespace, *lines: Callable[[LeftOut], Iterable[str]]
) -> int | None:
    total = LeftOut()

    def add(tally: LeftOut) -> int:
        total.merge(tally)
        return tally.done

    done = gathered(_left_out_in, _of_both_sets(runs, asked), add, runs, jobs=asked.jobs)
    _print(*(each(total) for each in lines))
    return done


def _unlisted(runs: int, asked: argparse.Namespace) -> int | None:
    """The half that is looked at; with --unseen the other, of which totals alone are printed."""
    from tests.diagnosis.unlisted import Score, lines_of
    from tests.diagnosis.unlisted_halves import half_of, score_in

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


def _show(tally: Tally, asked: argparse.Namespace, part: str = "") -> None:
    again = f"--seed {asked.seed} {part}"
    for family, number, named in tally.missed[: asked.show]:
        print(f'  wrong: {named}\n    {again} --only "{family}" --run {number}')
    for family, number, named in tally.misplaced[: asked.show]:
        print(f'  packet wrong: {named}\n    {again} --only "{family}" --run {number}')


def _one(run: Run) -> int:
    """Tell everything of one run."""
    found = diagnose(run.recorded, run.sources)
    verdict = verdict_of(run, found)
    print(f"{run.family}, run {run.number}: {run.told}")
    print(f"  right: {', '.join(sorted(each or '(nothing)' for each in run.accepted))}")
    print(f"  packet: {run.packet}; to be seen: {run.is_visible}")
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
    print(f"  {'right' if verdict.first else 'WRONG'}; place {verdict.place}")
    return 0 if verdict.first else 1


def _print(*groups: Iterable[str]) -> None:
    for lines in groups:
        for line in lines:
            print(line)


_WORK: Final[dict[str, Callable[[int, argparse.Namespace], int | None]]] = {
    "single": _single,
    "held-out": _held_out,
    "double": _double,
    "healthy": _healthy,
    "silent": _silent,
    "injector": _injector,
    "remedies": _remedies,
    "left-out": _left_out,
    "confidence": _confidence,
    "agree": _agree,
    "unlisted": _unlisted,
}

if __name__ == "__main__":
    sys.exit(main())
