"""`dryload check-encoder`: somebody's encoder on trial."""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Final

import click

from dryload.harness.cli.interrupt import ends
from dryload.harness.cli.options import OUTPUT, AsJson, Overwrite, argument, value
from dryload.harness.cli.terminal import bar_line, note, show
from dryload.harness.files import safe_write
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import USAGE, Problem

if TYPE_CHECKING:
    from dryload.harness.trial.subject import Subject
    from dryload.harness.trial.trial import Trial

_TEXT: Final = (
    "{task.fields[what]}: {task.completed:,.0f} of {task.total:,.0f}  {task.fields[left]}"
)
_SHRUNK: Final = 12
"""Faults for which the smallest input is looked for."""


def check_encoder(
    encoder: Annotated[
        str,
        argument(
            "ENCODER",
            "A Python function, as module:function or file.py:function, or a command line with "
            "{input} and {output}.",
        ),
    ],
    bits: Annotated[
        str | None,
        value("N,N...", "Try these widths, the first one most; default all that it can be told."),
    ] = None,
    beside: Annotated[
        str | None, value("ENCODER", "Try another encoder too, and compare the two.")
    ] = None,
    limit: Annotated[float, value("SECONDS", "Give up a call that takes longer than this.")] = 20.0,
    baseline: Annotated[
        str | None,
        value(
            "FILE",
            "Compare with the faults that this file lists: a new one is wrong, and one that is "
            "gone too. Written if there is no such file.",
        ),
    ] = None,
    overwrite: Overwrite = False,
    test_results: Annotated[
        str | None,
        value("FILE", "Write the clauses as JUnit XML, for build servers.", group=OUTPUT),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Put an encoder on trial: ask it for many dumps, and judge each.

    Each dump is judged by the clauses of the standard and compared with what was asked for, word
    for word. A fault is told with the smallest input that shows it.

    A function gets an array of signed 32-bit words and, by keyword, whichever of bits, rate,
    number, device_id, loop and name it takes; it returns bytes or messages, and says no with
    ValueError. In a command line {input} is a WAV file and {output} the dump to write; {bits},
    {rate}, {number}, {device_id}, {name}, {loop_start}, {loop_end} and {loop_type} are filled in
    too; it says no with an exit status.

    Exit code 0 if nothing is broken (with --baseline: if nothing changed), 1 if something is, 2 if
    the encoder cannot be tried or made no dump.
    """
    from dryload.harness.report import trial as report
    from dryload.harness.trial import baseline as known

    if not 0 < limit <= 3_600:
        raise Problem(f"--limit {limit:g}: give seconds, more than 0 and at most 3600.")
    for path, option in ((baseline, "--baseline"), (test_results, "--test-results")):
        if path is not None and not (path == baseline and os.path.exists(path)):
            safe_write.check_target(path, overwrite=overwrite, option=option)
    names = (encoder,) if beside is None else (encoder, beside)
    with ends() as was_interrupted:
        trials = [_tried(name, bits, limit, was_interrupted) for name in names]
    trial = trials[0]
    changes = None
    if baseline is not None and not trial.stopped:
        if os.path.exists(baseline) and not overwrite:
            changes = known.compare(baseline, trial.faults)
        else:
            known.record(baseline, trial.faults, overwrite=overwrite)
            note(f"{shown(baseline)} now lists the faults that are known: {len(trial.faults)}.")
    lines = list(report.lines_of(encoder, trial, changes))
    document = report.document(encoder, trial, changes)
    if beside is not None:
        lines += ["", *report.lines_of(beside, trials[1]), ""]
        lines += report.side_by_side_lines((encoder, beside), (trial, trials[1]))
        document["beside"] = report.document(beside, trials[1])
    show(lines, document, as_json=as_json)
    if test_results is not None:
        safe_write.write(test_results, report.test_results(encoder, trial), overwrite=overwrite)
    if any(each.stopped for each in trials):
        raise KeyboardInterrupt
    if not all(each.dumps for each in trials):
        raise click.exceptions.Exit(USAGE)
    well = all(each.is_right for each in trials) if changes is None else changes.is_as_known
    raise click.exceptions.Exit(0 if well else 1)


def _tried(name: str, bits: str | None, limit_s: float, wants_stop: Callable[[], bool]) -> "Trial":
    """Try an encoder and look for the smallest input of each fault."""
    from contextlib import closing

    from dryload.harness.trial.shrink import CAN_SEARCH, shrink
    from dryload.harness.trial.subject import subject_of
    from dryload.harness.trial.trial import Trying

    with closing(subject_of(name, limit_s=limit_s)) as subject, _progress() as progress:
        trial = Trying(
            subject,
            _widths(bits, subject),
            limit_s=limit_s,
            progress=progress,
            wants_stop=wants_stop,
        ).run()
        for number, fault in enumerate(trial.faults[:_SHRUNK], start=1):
            if wants_stop():
                trial.stopped = True
                break
            progress(number, len(trial.faults[:_SHRUNK]), "looking for the smallest input")
            shrink(fault, subject)
        if trial.faults and not CAN_SEARCH:
            note("The inputs shown may be smaller: pip install 'dryload[testing]' looks for them.")
        return trial


def _widths(text: str | None, subject: "Subject") -> tuple[int, ...]:
    """Return the widths to try, the main one first; a Problem for what is none."""
    from dryload.harness.trial.battery import WIDTHS

    usual = 16
    if text is None:
        others = tuple(each for each in WIDTHS if each != usual)
        return (usual, *others) if "bits" in subject.parameters else (usual,)
    widths: list[int] = []
    for part in text.split(","):
        if not part.strip().isdigit() or int(part) not in WIDTHS:
            raise Problem(f"--bits {shown(text)}: give widths of 8 to 28, as in 16 or 16,12,8.")
        widths.append(int(part))
    if len(widths) > 1 and "bits" not in subject.parameters:
        raise Problem(
            "the encoder can't be told a width, so only one can be tried.",
            do="Give one width with --bits, or let the encoder take bits.",
        )
    return tuple(dict.fromkeys(widths))


@contextmanager
def _progress() -> "Iterator[Callable[[int, int, str], None]]":
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
