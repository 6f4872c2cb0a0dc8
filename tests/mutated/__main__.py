"""`python -m tests.mutated`: very many spoilt inputs, and every pair of demo capture and dump."""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random

from tests.mutated.feed import Fed, command, feed, in_folder
from tests.mutated.seeds import DEMO, Kind, beside, kinds
from tests.mutated.spoil import spoilt

_MOST_SHOWN = 3  # of faults that end alike


def pairs() -> Iterator[tuple[str, Callable[[], int]]]:
    """Yield every pair of demo capture and demo dump, diagnosed."""
    captures = sorted(DEMO.glob("transfers/*.jsonl"))
    dumps = sorted(path for path in DEMO.glob("[gb]*/*") if path.suffix in (".syx", ".sds", ".mid"))
    for capture in captures:
        for dump in dumps:
            yield (
                f"diagnose {capture.name} --source {dump.parent.name}/{dump.name}",
                command("diagnose", str(capture), "--source", str(dump)),
            )


def mutated(
    seed: int, number: int, every: list[Kind], folder: Path
) -> tuple[str, Callable[[], int]]:
    """Write the spoilt file of a run, and return what it is and what reads it."""
    rng = Random(f"{seed}/{number}")  # noqa: S311, RUF100  # what was drawn has to come again
    kind = rng.choice(every)
    others = rng.choice(every).files if rng.random() < 0.1 else kind.files
    data = spoilt(rng.choice(kind.files), rng, others)
    name = f"spoilt{kind.ending}"
    (folder / name).write_bytes(data)
    works = kind.works if rng.random() < 0.92 else rng.choice(every).works
    place = rng.randrange(len(works))
    return f"run {number}: {name}, reader {place}", works[place](name, data, rng)


def _summary(fault: str) -> str:
    return " / ".join(each[:100] for each in fault.strip().splitlines()[-2:])


class Tally:
    """What came of all inputs."""

    def __init__(self) -> None:
        self.faults: Counter[str] = Counter()
        self.codes: Counter[int | None] = Counter()
        self.slowest = (0.0, "")
        self.largest = (0, "")

    def add(self, what: str, fed: Fed) -> None:
        """Count an input, and show its faults as long as they are new."""
        self.codes[fed.code] += 1
        self.slowest = max(self.slowest, (fed.seconds, what))
        self.largest = max(self.largest, (fed.grown, what))
        for fault in fed.faults:
            self.faults[_summary(fault)] += 1
            if self.faults[_summary(fault)] <= _MOST_SHOWN:
                print(f"--- {what}\n{fault}", flush=True)

    def text(self) -> str:
        """Return the sums."""
        codes = ", ".join(
            f"{count:,} ended with {code}" for code, count in self.codes.most_common()
        )
        return (
            f"{self.codes.total():,} inputs: {codes}; the slowest took {self.slowest[0]:.1f} s "
            f"({self.slowest[1]}), the largest {self.largest[0] >> 20:,} MB ({self.largest[1]}); "
            f"{self.faults.total():,} faults, {len(self.faults):,} that differ."
        )


def main() -> None:
    """Read the options and do it."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutated", description=__doc__)
    parser.add_argument("--runs", type=int, default=2_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="the number of the first run")
    parser.add_argument("--no-pairs", action="store_true", help="leave the demo's pairs out")
    options = parser.parse_args()
    tally, began = Tally(), time.monotonic()
    here = Path.cwd()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        in_folder(folder, beside())
        if not options.no_pairs:
            for what, work in pairs():
                tally.add(what, feed(work))
            print(f"pairs of demo capture and demo dump: {tally.text()}", flush=True)
        every = kinds()
        for number in range(options.first, options.first + options.runs):
            tally.add(*_fed(options.seed, number, every, folder))
            if number % 10_000 == 9_999:
                print(f"after {number + 1:,}: {tally.text()}", flush=True)
        os.chdir(here)
    print(f"{tally.text()} {time.monotonic() - began:,.0f} s in all.")
    sys.exit(1 if tally.faults else 0)


def _fed(seed: int, number: int, every: list[Kind], folder: Path) -> tuple[str, Fed]:
    what, work = mutated(seed, number, every, folder)
    return what, feed(work)


if __name__ == "__main__":
    main()
