"""Timing side by side, and one line of the table."""

import gc
import statistics
import time
from collections.abc import Callable, Sequence

from msgspec import Struct

ROUNDS = 60
PATIENCE = 10
"""How many times the rounds are gone through, at most, in search of undisturbed runs."""
MOSTLY = 1.05


class Row(Struct, frozen=True, kw_only=True):
    """One thing measured: microseconds of ours, of the other it is held against, and of a copy."""

    what: str
    ours_us: float
    other: str = ""
    other_us: float | None = None
    copy_us: float | None = None
    """Copying as many bytes in memory, which is the fastest anything could touch them all."""
    needed: float | None = None
    """The least `ratio` that will do."""
    rounds: tuple[float, ...] = ()
    """The ratio in each round, where one is compared with the other round by round."""

    @property
    def ratio(self) -> float | None:
        """How many times faster ours is."""
        return None if self.other_us is None else self.other_us / self.ours_us

    @property
    def share_of_copy(self) -> float | None:
        """Bytes a second, as a share of what copying manages."""
        return None if self.copy_us is None else self.copy_us / self.ours_us

    @property
    def enough(self) -> bool:
        """Whether ours is as fast as it must be."""
        return self.needed is None or (self.ratio is not None and self.ratio >= self.needed)


def side_by_side(
    actions: Sequence[Callable[[], object]],
    check: Callable[[Sequence[object]], None],
    *,
    rounds: int = ROUNDS,
    undisturbed: bool = False,
) -> list[float]:
    """Return the median microseconds of each action.

    The actions take turns, in another order every round, so that a slow spell of the machine hits
    all of them alike; each runs once untimed before it is timed, so that none pays for what the
    others left in the caches. `check` gets the results of every round, in the order of `actions`,
    and raises if they are not what they should be; it is not timed.

    On a busy machine the longer of two actions is interrupted more often, which flatters the
    shorter. `undisturbed` counts only runs that had the processor all the time; it is for actions
    that stay in this thread. RuntimeError where too few of them are left.
    """
    times: list[list[float]] = [[] for _ in actions]
    results: list[object] = [None] * len(actions)
    gc.collect()
    gc.disable()
    try:
        for round_number in range(PATIENCE * rounds):
            for turn in range(len(actions)):
                i = (round_number + turn) % len(actions)
                results[i] = None
                actions[i]()
                results[i], took, had = _timed(actions[i])
                if not undisturbed or took < MOSTLY * had:
                    times[i].append(took * 1e6)
            check(results)
            if all(len(each) >= rounds for each in times):
                return [statistics.median(each) for each in times]
    finally:
        gc.enable()
    raise RuntimeError("the machine is too busy to measure anything on it")


def _timed(action: Callable[[], object]) -> tuple[object, float, float]:
    """Return the result, the seconds it took and the seconds of processor that it had."""
    processor = time.thread_time()
    start = time.perf_counter()
    result = action()
    took = time.perf_counter() - start
    return result, took, time.thread_time() - processor
