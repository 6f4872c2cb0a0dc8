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
    add: Callable[[_Result], None],
    runs: int,
    *,
    jobs: int | None = None,
) -> bool:
    """Do tasks on all cores and add up their results; False where Ctrl-C ended it."""
    jobs = jobs or os.cpu_count() or 1
    done, left, told_s = 0, iter(tasks), monotonic()
    if jobs == 1:
        for task in left:
            add(work(task))
        return True
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
                    add(future.result())
                    done += _CHUNK
                if monotonic() - told_s > _TELL_S:
                    told_s = monotonic()
                    _tell(done, runs)
        except KeyboardInterrupt:
            pool.shutdown(cancel_futures=True)
            print("\nstopped; what is done follows", file=sys.stderr)
            return False
    return True


def _leave_to_parent() -> None:
    """Let Ctrl-C reach only the process that prints."""
    signal(SIGINT, SIG_IGN)


def _tell(done: int, runs: int) -> None:
    print(f"\r{min(done, runs):,} of {runs:,}  ", end="", file=sys.stderr, flush=True)
