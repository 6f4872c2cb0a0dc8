"""Work on all cores: tasks go out, results are added up as they come, Ctrl-C keeps what is done."""

import os
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
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
