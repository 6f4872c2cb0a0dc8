"""What `dryload read` shows on a terminal while it runs; nothing where there is none."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Final

from harness.cli.progress import about

if TYPE_CHECKING:
    from rich.progress import Progress as Bar
    from rich.progress import TaskID

    from harness.jobs.arrivals import Arrivals

_EVERY_S: Final = 0.1


class ReadProgress:
    """A line with a bar: which sample, which packet, how long it will still take."""

    def __init__(self, bar: "Bar | None", count: int | None) -> None:
        self._bar: Final = bar
        self._count: Final = count
        self._task: TaskID | None = None
        self._arrivals: Arrivals | None = None
        self._number = -1
        self._nth = 0
        self._shown_s = 0.0
        self._was_asking = False

    @property
    def show(self) -> "Callable[[int, int, int, int], None] | None":
        """What is to be told how far it is; None where nobody looks."""
        return None if self._bar is None else self._show

    def _show(self, number: int, packets: int, wanted: int, now_ns: int) -> None:
        from harness.jobs.arrivals import Arrivals

        if self._arrivals is None or number != self._number:
            self._number, self._arrivals = number, Arrivals()
            self._nth += 1
            self._was_asking = False
        left_ns = self._arrivals.take(packets, wanted, now_ns)
        now_s = time.monotonic()
        is_asking = not wanted
        if is_asking == self._was_asking and now_s - self._shown_s < _EVERY_S:
            return
        self._was_asking, self._shown_s = is_asking, now_s
        assert self._bar is not None
        if self._task is None:
            self._task = self._bar.add_task("", amount="", left="")
        self._bar.update(
            self._task,
            description=f"sample {number}{self._place()}",
            completed=packets,
            total=wanted or None,
            amount="asked for it" if is_asking else f"{packets:,} of {wanted:,} packets",
            left="" if left_ns is None else f"about {about(left_ns)} left{self._of_what()}",
        )

    def _place(self) -> str:
        several = self._count is not None and self._count > 1
        return f", {self._nth:,} of {self._count:,}" if several else ""

    def _of_what(self) -> str:
        return "" if self._count == 1 else " of this one"


@contextmanager
def read_progress(count: int | None) -> Iterator[ReadProgress]:
    """Yield what shows how far the reading of `count` samples is; None: nobody knows how many."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    console = Console(stderr=True)
    if not console.is_terminal:
        yield ReadProgress(None, count)
        return
    bar = Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(bar_width=20),
        TextColumn("{task.fields[amount]}", markup=False),
        TextColumn("{task.fields[left]}", markup=False),
        TextColumn("Ctrl-C ends it", markup=False),
        console=console,
        transient=True,
        refresh_per_second=5,
    )
    bar.start()
    try:
        yield ReadProgress(bar, count)
    finally:
        with suppress(BrokenPipeError):
            bar.stop()
