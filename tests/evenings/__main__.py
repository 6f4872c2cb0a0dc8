"""`python -m tests.evenings [--runs N] [--seed S] [--only K] [--jobs N]`: see the package."""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from time import perf_counter
from typing import Final

from tests.evenings.account import account
from tests.evenings.evening import Lived, live_through
from tests.evenings.plan import evening_of
from tests.evenings.real import RealRunner, made_real
from tests.evenings.tool import preload

_SHOWN: Final = 3


def main() -> int:
    """Live through the evenings and tell what was false in them; 1 where something was."""
    parser = argparse.ArgumentParser(prog="python -m tests.evenings", description=__doc__)
    parser.add_argument("--runs", type=int, default=3_000, help="how many evenings")
    parser.add_argument("--first", type=int, default=0, help="the number of the first one")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", type=int, default=None, help="one evening, told in full")
    parser.add_argument("--show", type=int, default=_SHOWN, help="examples of each kind")
    parser.add_argument("--jobs", type=int, default=1, help="processes at a time")
    parser.add_argument("--real", action="store_true", help="real processes, TCP, time and signals")
    asked = parser.parse_args()
    preload()
    if asked.only is not None:
        lived = _lived(asked.seed, asked.only, is_real=asked.real)
        print("\n".join(account(lived)))
        return int(bool(lived.faults))
    began = perf_counter()
    numbers = range(asked.first, asked.first + asked.runs)
    kinds: Counter[str] = Counter()
    evenings = turns = well = 0
    with ProcessPoolExecutor(asked.jobs, mp_context=get_context("fork")) as pool:
        one = partial(_one, asked.seed, is_real=asked.real)
        work = pool.map(one, numbers, chunksize=1 if asked.real else 8)
        for number, (found, ran, is_well) in zip(numbers, work, strict=True):
            turns += ran
            well += is_well
            evenings += bool(found)
            for turn, kind, told in found:
                kinds[kind] += 1
                if kinds[kind] <= asked.show:
                    print(f"--only {number}, run {turn + 1}: {kind}: {told}", flush=True)
    took = perf_counter() - began
    print(
        f"{len(numbers):,} evenings, {turns:,} runs of the command, {well:,} evenings that ended "
        f"with all loaded; something false in {evenings:,} ({took:.0f} s)"
    )
    for kind, count in kinds.most_common():
        print(f"  {count:6,}  {kind}")
    return int(bool(kinds))


def _lived(seed: int, number: int, *, is_real: bool) -> Lived:
    evening = evening_of(seed, number)
    if not is_real:
        return live_through(evening)
    runner = RealRunner()
    try:
        return live_through(made_real(evening), runner)
    finally:
        runner.close()


def _one(seed: int, number: int, *, is_real: bool) -> tuple[list[tuple[int, str, str]], int, bool]:
    lived = _lived(seed, number, is_real=is_real)
    return (
        [(each.turn, each.kind, each.told) for each in lived.faults],
        len(lived.turns),
        lived.turns[-1].ran.code == 0,
    )


if __name__ == "__main__":
    sys.exit(main())
