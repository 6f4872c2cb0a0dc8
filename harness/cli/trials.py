"""What `check-encoder` and `check-decoder` share: progress, checks of options, and the ending."""

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Final, TypeAlias

import click

from dryload.harness.cli.options import OUTPUT, value
from dryload.harness.cli.terminal import bar_line, note
from dryload.harness.files import safe_write
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import USAGE, Problem

if TYPE_CHECKING:
    from dryload.harness.trial.baseline import Changes
    from dryload.harness.trial.trial import Trial

Limit: TypeAlias = Annotated[float, value("SECONDS", "Give up a call that takes longer than this.")]
Baseline: TypeAlias = Annotated[
    str | None,
    value(
        "FILE",
        "Compare with the faults that this file lists: a new one is wrong, and one that is "
        "gone too. Written if there is no such file.",
    ),
]
TestResults: TypeAlias = Annotated[
    str | None, value("FILE", "Write the clauses as JUnit XML, for build servers.", group=OUTPUT)
]
_USUAL_BITS: Final = 16
_TEXT: Final = (
    "{task.fields[what]}: {task.completed:,.0f} of {task.total:,.0f}  {task.fields[left]}"
)


def check_options(
    limit: float, baseline: str | None, test_results: str | None, *, overwrite: bool
) -> None:
    """Raise a Problem for options that cannot be as they are."""
    if not 0 < limit <= 3_600:
        raise Problem(f"--limit {limit:g}: give seconds, more than 0 and at most 3600.")
    for path, option in ((baseline, "--baseline"), (test_results, "--test-results")):
        if path is not None and not (path == baseline and os.path.exists(path)):
            safe_write.check_target(path, overwrite=overwrite, option=option)


def widths_of(text: str | None, *, can_be_told: bool) -> tuple[int, ...]:
    """Return the widths to try, the main one first; a Problem for what is none."""
    from dryload.harness.trial.battery import WIDTHS

    if text is None:
        others = tuple(each for each in WIDTHS if each != _USUAL_BITS)
        return (_USUAL_BITS, *others) if can_be_told else (_USUAL_BITS,)
    widths: list[int] = []
    for part in text.split(","):
        if not part.strip().isdigit() or int(part) not in WIDTHS:
            raise Problem(f"--bits {shown(text)}: give widths of 8 to 28, as in 16 or 16,12,8.")
        widths.append(int(part))
    if len(widths) > 1 and not can_be_told:
        raise Problem(
            "the encoder can't be told a width, so only one can be tried.",
            do="Give one width with --bits, or let the encoder take bits.",
        )
    return tuple(dict.fromkeys(widths))


def changes_since(path: str | None, trial: "Trial", *, overwrite: bool) -> "Changes | None":
    """Compare with the faults that are known; write them down where there is no list yet."""
    from dryload.harness.trial import baseline as known

    if path is None or trial.stopped:
        return None
    if os.path.exists(path) and not overwrite:
        return known.compare(path, trial.faults)
    known.record(path, trial.faults, overwrite=overwrite)
    note(f"{shown(path)} now lists the faults that are known: {len(trial.faults)}.")
    return None


def end(trials: "Sequence[Trial]", changes: "Changes | None") -> None:
    """End with the exit code that trials came to."""
    if any(each.stopped for each in trials):
        raise KeyboardInterrupt
    if not all(each.dumps for each in trials):
        raise click.exceptions.Exit(USAGE)
    well = all(each.is_right for each in trials) if changes is None else changes.is_as_known
    raise click.exceptions.Exit(0 if well else 1)


@contextmanager
def trial_progress() -> "Iterator[Callable[[int, int, str], None]]":
    """Yield what is told how much is done, and of what."""
    from dryload.harness.cli.progress import about

    with bar_line(_TEXT) as bar:
        if bar is None:
            yield lambda done, total, what: None
            return
        task = bar.add_task("", total=1, what="", left="")

        def tell(done: int, total: int, what: str) -> None:
            left_s = bar.tasks[0].time_remaining
            left = "" if left_s is None else f"about {about(round(left_s * 1e9))} left"
            bar.update(task, completed=done, total=total, what=str(what), left=left)

        yield tell
