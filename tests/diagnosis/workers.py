"""Work on all cores: tasks go out, results are added up as they come, Ctrl-C keeps what is done."""

import os
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from itertools import islice
from signal import SIG_IGN, SIGINT, signal
from time import monotonic
from typing import Final, TypeVar

from tests.diagnosis.families import family_named, rows_of
from tests.diagnosis.family import Family
from tests.diagnosis.runs import run_of
from tests.diagnosis.scoring import Tally, verdict_of

_Task = TypeVar("_Task")
_Result = TypeVar("_Result")
_TELL_S: Final = 1
_AT_ONCE: Final = 64
_AHEAD: Final = 3  # tasks for each core, so that none waits
Chunk = tuple[str, range, int]
"""Family, numbers, seed."""


def chunks_of(families: tuple[Family, ...], runs: int, seed: int) -> Iterator[Chunk]:
    """Yield tasks for so many runs in all, in which each family has its weight."""
    rows = rows_of(families)
    done = dict.fromkeys((family.name for family in families), 0)
    shares = [runs // len(rows) + (at < runs % len(rows)) for at in range(len(rows))]
    for family, share in zip(rows, shares, strict=True):
        for start in range(0, share, _AT_ONCE):
            many = min(_AT_ONCE, share - start)
            begin = done[family.name]
            done[family.name] += many
            yield family.name, range(begin, begin + many), seed


def tally_of(chunk: Chunk) -> Tally:
    """Run and score a task: what a worker does."""
    name, numbers, seed = chunk
    family, tally = family_named(name), Tally()
    for number in numbers:
        run = run_of(family, number, seed)
        tally.add(run, verdict_of(run))
    return tally


def gathered(
    work: Callable[[_Task], _Result],
    tasks: Iterable[_Task],
    add: Callable[[_Result], int],
    runs: int,
    *,
    jobs: int | None = None,
) -> int | None:
    """Do tasks on all cores; `add` takes a result and returns how many runs it held.

    None where Ctrl-C ended it, else how many runs there were.
    """
    jobs = jobs or os.cpu_count() or 1
    done, left, told_s = 0, iter(tasks), monotonic()
    if jobs == 1:
        for task in left:
            done += add(work(task))
        return done
    with ProcessPoolExecutor(jobs, initializer=_leave_to_parent) as pool:
        waiting: set[Future[_Result]] = set()
        try:
            while True:
                for task in islice(left, jobs * _AHEAD - len(waiting)):
                    waiting.add(pool.submit(work, task))
                if not waiting:
                    break
                finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                for future in finished:
                    done += add(future.result())
                if monotonic() - told_s > _TELL_S:
                    told_s = monotonic()
                    _tell(done, runs)
        except KeyboardInterrupt:
            pool.shutdown(cancel_futures=True)
            print("\nstopped; what is done follows", file=sys.stderr)
            return None
    return done


def _leave_to_parent() -> None:
    """Let Ctrl-C reach only the process that prints."""
    signal(SIGINT, SIG_IGN)


def _tell(done: int, runs: int) -> None:
    print(f"\r{done:,} of {runs:,}  ", end="", file=sys.stderr, flush=True)
