"""What `dryload read` shows on a terminal while it runs; nothing where there is none."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from emulator.wire.constants import MAX_SAMPLE_NUMBER
from harness.cli.progress import about
from harness.cli.terminal import bar_line

if TYPE_CHECKING:
    from rich.progress import Progress as Bar
    from rich.progress import TaskID

    from harness.jobs.arrivals import Arrivals
    from harness.jobs.reading_out import Wanted

_EVERY_S: Final = 0.1
_TEXT: Final = "{task.description}  {task.fields[amount]}  {task.fields[left]}  Ctrl-C ends it"
_NOTICED_NS: Final = 1_000_000_000


class ReadProgress:
    """A line with a bar: which sample, which packet, how long it will still take."""

    def __init__(self, bar: "Bar | None", wanted: "Wanted", silence_ns: int) -> None:
        self._bar: Final = bar
        self._wanted: Final = wanted
        self._silence_ns: Final = silence_ns
        self._task: TaskID | None = None
        self._arrivals: Arrivals | None = None
        self._number = -1
        self._since_ns = 0  # when this number was asked for
        self._has_answered = False
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
            self._since_ns = now_ns
            self._was_asking = False
        left_ns = self._arrivals.take(packets, wanted, now_ns)
        now_s = time.monotonic()
        is_asking = not wanted
        self._has_answered |= not is_asking
        if is_asking == self._was_asking and now_s - self._shown_s < _EVERY_S:
            return
        self._was_asking, self._shown_s = is_asking, now_s
        assert self._bar is not None
        if self._task is None:
            self._task = self._bar.add_task("", amount="", left="")
        left = "" if left_ns is None else f"about {about(left_ns)} left{self._of_what()}"
        self._bar.update(
            self._task,
            description=f"sample {number}{self._place(number)}",
            completed=packets,
            total=wanted or None,
            amount=self._asking(now_ns) if is_asking else f"{packets:,} of {wanted:,} packets",
            left=self._most_left(number) if is_asking else left,
        )

    def _place(self, number: int) -> str:
        last = self._wanted.last if number <= self._wanted.last else MAX_SAMPLE_NUMBER
        return "" if self._wanted.is_single else f" of {self._wanted.first}-{last}"

    def _of_what(self) -> str:
        return "" if self._wanted.is_single else " of this one"

    def _asking(self, now_ns: int) -> str:
        """Say what is waited for: a unit that has something may want a key to be pressed."""
        if now_ns - self._since_ns < _NOTICED_NS:
            return "asked for it"
        if self._has_answered:
            return "waiting for an answer"
        return "no answer: a key to press?"

    def _most_left(self, number: int) -> str:
        """Say how long numbers without an answer may still take."""
        left = self._wanted.last - number
        return "" if left <= 0 else f"{about(left * self._silence_ns)} if none answers"


@contextmanager
def read_progress(wanted: "Wanted", silence_ns: int) -> Iterator[ReadProgress]:
    """Yield what shows how far the reading is; a number without an answer takes `silence_ns`."""
    with bar_line(_TEXT) as bar:
        yield ReadProgress(bar, wanted, silence_ns)
