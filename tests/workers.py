"""Work on all cores: tasks go out, results are added up as they come, Ctrl-C keeps what is done."""

import os
import sys
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import closing
from itertools import islice
from signal import SIG_IGN, SIGINT, signal
from time import monotonic
from typing import Final, TypeVar

_Task = TypeVar("_Task")
_Result = TypeVar("_Result")
_TELL_S: Final = 1
_CHUNK: Final = 50
_AHEAD: Final = 3  # tasks for each core, so that none waits


def chunks_of(seed: int, runs: int) -> Iterator[tuple[int, range]]:
    """Yield tasks for so many runs: seed and numbers."""
    return ((seed, range(at, min(at + _CHUNK, runs))) for at in range(0, runs, _CHUNK))


def gathered(
    work: Callable[[_Task], _Result],
    tasks: Iterable[_Task],
    add: Callable[[_Result], None],
    runs: int,
    *,
    jobs: int | None = None,
    runs_of: Callable[[_Result], int] = lambda _: _CHUNK,
) -> bool:
    """Do tasks on all cores and add up their results; False where Ctrl-C ended it.

    `runs_of` a result says how many of the `runs` it stands for; that is told on standard error.
    With one job all of it happens in this process.
    """
    done, told_s, end = 0, monotonic(), ""
    try:
        with closing(_results(work, iter(tasks), jobs or os.cpu_count() or 1)) as results:
            for result in results:
                add(result)
                done += runs_of(result)
                if monotonic() - told_s > _TELL_S:
                    told_s, end = monotonic(), "\n"
                    _tell(done, runs)
    except KeyboardInterrupt:
        print("\nstopped; what is done follows", file=sys.stderr)
        return False
    print(end=end, file=sys.stderr)
    return True


def _results(
    work: Callable[[_Task], _Result], left: Iterator[_Task], jobs: int
) -> Generator[_Result, None, None]:
    """Yield results as they come; closed early, it drops the tasks that nobody has begun."""
    if jobs == 1:
        yield from map(work, left)
        return
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
                    yield future.result()
        finally:
            pool.shutdown(cancel_futures=True)


def _leave_to_parent() -> None:
    """Let Ctrl-C reach only the process that prints."""
    signal(SIGINT, SIG_IGN)


def _tell(done: int, runs: int) -> None:
    print(f"\r{min(done, runs):,} of {runs:,}  ", end="", file=sys.stderr, flush=True)
