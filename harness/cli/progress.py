"""What a long command shows on a terminal while it runs; nothing where there is none."""

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from harness.cli.terminal import bar_line

if TYPE_CHECKING:
    from rich.progress import Progress as Bar
    from rich.progress import TaskID

    from harness.jobs.dumps import Dump
    from harness.jobs.forecast import Step

_EVERY_S: Final = 0.1
_TEXT: Final = (
    "{task.description} {task.completed:,.0f} of {task.total:,.0f}  "
    "{task.fields[left]}  {task.fields[said]}"
)
_NOTICED_NS: Final = 1_000_000_000
_COARSE_NS: Final = 60_000_000_000


class PacketProgress:
    """A line with a bar: which dump, which packet, how long it will still take."""

    def __init__(self, bar: "Bar | None", dumps: "Sequence[Dump]", reads_back: bool) -> None:
        from harness.jobs.forecast import Forecast

        self._bar: Final = bar
        self._dumps: Final = len(dumps)
        self._forecast: Final = Forecast(dumps, reads_back=reads_back)
        self._task: TaskID | None = None
        self._shown_s = 0.0
        self._hint = self._said = ""
        self._seen: tuple[object, object] = (None, None)
        self._since_ns = 0  # when it began to do what it is doing

    @property
    def show(self) -> "Callable[[Step], None] | None":
        """What is to be told of steps; None where nobody looks."""
        return None if self._bar is None else self._show

    def say(self, text: str) -> None:
        """Say something beside the bar, "" to say no more."""
        self._said = text or self._hint
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, said=self._said)

    def hint(self, text: str) -> None:
        """Have this said as long as nothing else is."""
        self._hint = text
        self.say("")

    def _show(self, step: "Step") -> None:
        left_ns = self._forecast.take(step)
        seen = (step.dump, step.doing)
        now_s = time.monotonic()
        if seen == self._seen and now_s - self._shown_s < _EVERY_S:
            return
        if seen != self._seen:
            self._since_ns = step.now_ns
        self._seen, self._shown_s = seen, now_s
        assert self._bar is not None
        if self._task is None:
            self._task = self._bar.add_task("", left="", said=self._said)
        self._bar.update(
            self._task,
            description=f"dump {self._forecast.number} of {self._dumps}, {step.doing}",
            completed=step.packet,
            total=max(step.packets, 1),
            left=self._left(step, left_ns),
        )

    def _left(self, step: "Step", left_ns: int | None) -> str:
        """Say how long it will still take, or what is waited for."""
        from harness.jobs.forecast import Doing

        if step.doing is Doing.ASKING and step.now_ns - self._since_ns >= _NOTICED_NS:
            return "no answer yet; does the unit want a key?"
        return "nobody knows how long" if left_ns is None else f"about {about(left_ns)} left"


def about(ns: int) -> str:
    """Return a time that is not known to the tenth."""
    from emulator.wire.prose import duration

    if ns < _COARSE_NS:
        return f"{max(round(ns / 1e9), 1)} s"
    return duration(ns) if ns >= 60 * _COARSE_NS else f"{ns // _COARSE_NS} min"


@contextmanager
def packet_progress(dumps: "Sequence[Dump]", reads_back: bool) -> Iterator[PacketProgress]:
    """Yield what shows how far the playing of `dumps` is."""
    with bar_line(_TEXT) as bar:
        yield PacketProgress(bar, dumps, reads_back)
