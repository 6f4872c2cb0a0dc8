"""Progress of long commands on a terminal; nothing is shown elsewhere."""

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from dryload.emulator.wire.constants import MAX_SAMPLE_NUMBER
from dryload.emulator.wire.prose import duration
from dryload.harness.cli.terminal import bar_line, signs
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.forecast import Arrivals, Doing, Forecast, Step
from dryload.harness.jobs.read import ASKS, ReadRequest

if TYPE_CHECKING:  # where there is no terminal it is not needed
    from rich.progress import Progress as Bar
    from rich.progress import TaskID

    from dryload.harness.prove.proof import ProofStanding

_EVERY_S: Final = 0.1
_SENDING: Final = (
    "{task.description} {task.completed:,.0f} of {task.total:,.0f}  "
    "{task.fields[left]}  {task.fields[said]}"
)
_READING: Final = "{task.description}  {task.fields[amount]}  {task.fields[left]}  Ctrl-C ends it"
_NOTICED_NS: Final = 1_000_000_000
_HANDS: Final = {
    Doing.ASKING: "no answer yet; press a key on the unit?",
    Doing.WAITING: "press a key on the unit?",
}
"""What somebody may have to do at the unit, where it takes long."""
_COARSE_NS: Final = 60_000_000_000
_ECHO: Final = 2  # cells of the ^C that a terminal writes behind the last line


class _ProgressLine:
    """A line with a bar, repainted ten times a second and whenever the activity changes."""

    def __init__(self, bar: "Bar | None") -> None:
        self._bar: Final = bar
        self._task: TaskID | None = None
        self._shown_s = 0.0
        self._doing: object = None
        self._since_ns = 0  # when it began to do what it is doing

    def _is_due(self, doing: object, now_ns: int) -> bool:
        """Whether the line has to be painted; `doing` identifies the current activity."""
        now_s, is_new = time.monotonic(), doing != self._doing
        if not is_new and now_s - self._shown_s < _EVERY_S:
            return False
        if is_new:
            self._since_ns = now_ns
        self._doing, self._shown_s = doing, now_s
        return True

    def _paint(self, **what: Any) -> None:
        if self._bar is not None and self._task is None:
            self._task = self._bar.add_task("", left="", said="", amount="")
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, **what)


class PacketProgress(_ProgressLine):
    """The line of `replay`: which dump, which packet, how much time remains."""

    def __init__(self, bar: "Bar | None", dumps: Sequence[Dump], reads_back: bool) -> None:

        super().__init__(bar)
        self._dumps: Final = len(dumps)
        self._forecast: Final = Forecast(dumps, reads_back=reads_back)
        self._hint = self._said = ""

    @property
    def show(self) -> Callable[[Step], None] | None:
        """The function to call with each step; None if nothing is shown."""
        return None if self._bar is None else self._show

    def say(self, text: str) -> None:
        """Show a text beside the bar, or the hint again if it is empty."""
        self._said = text or self._hint
        if self._task is not None:
            self._paint(said=self._said)

    def hint(self, text: str) -> None:
        """Show this text while there is no other."""
        self._hint = text
        self.say("")

    def _show(self, step: Step) -> None:
        left_ns = self._forecast.take(step)
        if self._is_due((step.dump, step.doing), step.now_ns):
            self._paint(
                description=f"dump {self._forecast.number} of {self._dumps}, {step.doing}",
                completed=step.packet,
                total=max(step.packets, 1),
                left=self._left(step, left_ns),
                said=self._said,
            )

    def _left(self, step: Step, left_ns: int | None) -> str:
        """Return the remaining time, or what the job is waiting for."""
        if step.now_ns - self._since_ns >= _NOTICED_NS and step.doing in _HANDS:
            return _HANDS[step.doing]
        return "time unknown" if left_ns is None else f"about {about(left_ns)} left"


class ReadProgress(_ProgressLine):
    """The line of `read`: which sample, which packet, how much time remains."""

    def __init__(self, bar: "Bar | None", asked: ReadRequest) -> None:

        super().__init__(bar)
        self._wanted: Final = asked.wanted
        self._silence_ns: Final = ASKS * asked.answer_ns  # a number without an answer
        self._arrivals: Final = Arrivals()
        self._number = -1
        self._asked_ns = 0  # when this number was asked for
        self._has_answered = False

    @property
    def show(self) -> Callable[[int, int, int, int], None] | None:
        """The function to call with the progress; None if nothing is shown."""
        return None if self._bar is None else self._show

    def _show(self, number: int, packets: int, wanted: int, now_ns: int) -> None:

        if number != self._number:
            self._number, self._asked_ns = number, now_ns
        left_ns = self._arrivals.take(packets, wanted, now_ns, number)
        self._has_answered |= wanted > 0
        if not self._is_due((number, wanted > 0), now_ns):
            return
        left = "" if left_ns is None else f"about {about(left_ns)} left{self._of_what()}"
        self._paint(
            description=f"sample {number}{self._place(number)}",
            completed=packets,
            total=wanted or None,
            amount=f"{packets:,} of {wanted:,} packets" if wanted else self._asking(now_ns),
            left=left if wanted else self._most_left(number),
        )

    def _place(self, number: int) -> str:
        last = self._wanted.last if number <= self._wanted.last else MAX_SAMPLE_NUMBER
        return "" if self._wanted.is_single else f" of {self._wanted.first}-{last}"

    def _of_what(self) -> str:
        return "" if self._wanted.is_single else " of this one"

    def _asking(self, now_ns: int) -> str:
        """Return what the job is waiting for: some units send only after a key is pressed."""
        if now_ns - self._asked_ns < _NOTICED_NS:
            return "asked for it"
        if self._has_answered:
            return "waiting for an answer"
        return "no answer: a key to press?"

    def _most_left(self, number: int) -> str:
        """Return how long the remaining numbers take if none is answered."""
        left = self._wanted.last - number
        return "" if left <= 0 else f"{about(left * self._silence_ns)} if none answers"


def about(ns: int) -> str:
    """Return an approximate time: "40 s", "12 min"."""
    if ns < _COARSE_NS:
        return f"{max(round(ns / 1e9), 1)} s"
    return duration(ns) if ns >= 60 * _COARSE_NS else f"{ns // _COARSE_NS} min"


class ProofProgress(_ProgressLine):
    """The picture of `prove`: what is proved of which place, what is done now, and what remains."""

    def __init__(self, bar: "Bar", modules: int | None) -> None:
        super().__init__(bar)
        self._console: Final = bar.console
        self._modules: Final = modules
        self._standing: ProofStanding | None = None
        self._lines = ["Finding out what the unit takes."]
        self._paint(description=self._lines[0])

    def stand(self, standing: "ProofStanding") -> None:
        """Take where the proof is."""
        self._standing = standing
        self._draw(standing, None)

    def step(self, step: Step) -> None:
        """Take how far a transfer is."""
        if self._standing is not None and self._is_due(step.doing, step.now_ns):
            self._draw(self._standing, step)

    def _draw(self, standing: "ProofStanding", step: Step | None) -> None:
        from rich.control import Control
        from rich.segment import ControlType

        from dryload.harness.report.proof_picture import watched

        now_ns, doing = (standing.now_ns, None) if step is None else (step.now_ns, step.doing)
        left_ns = 0 if standing.ends_ns is None else standing.ends_ns - now_ns
        left = f"about {about(left_ns)} left" if left_ns > 0 else ""
        if doing in _HANDS and now_ns - self._since_ns >= _NOTICED_NS:
            left = _HANDS[doing]
        columns, rows = self._console.width, self._console.height
        # A terminal that was made narrower has broken the lines: these rows are taken away as well.
        broken = (max(map(len, self._lines)) - 1) // columns * len(self._lines)
        again = [(ControlType.ERASE_IN_LINE, 2), (ControlType.CURSOR_UP, 1)] * broken
        self._console.control(Control(*again))
        self._lines = watched(
            standing,
            step,
            left=left,
            modules=self._modules,
            width=columns - _ECHO,
            signs=signs(),
        )[: rows - 1]
        self._paint(description="\n".join(self._lines))


@contextmanager
def packet_progress(dumps: Sequence[Dump], reads_back: bool) -> Iterator[PacketProgress]:
    """Yield the progress line for playing `dumps`."""
    with bar_line(_SENDING) as bar:
        yield PacketProgress(bar, dumps, reads_back)


@contextmanager
def read_progress(asked: ReadRequest) -> Iterator[ReadProgress]:
    """Yield the progress line for reading."""
    with bar_line(_READING) as bar:
        yield ReadProgress(bar, asked)
