"""`dryload check-encoder`: somebody's encoder on trial."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Final

from dryload.harness.cli.interrupt import ends
from dryload.harness.cli.options import AsJson, Overwrite, argument, value
from dryload.harness.cli.terminal import note, show
from dryload.harness.cli.trials import (
    Baseline,
    Limit,
    TestResults,
    changes_since,
    check_options,
    end,
    trial_progress,
    widths_of,
)
from dryload.harness.files import safe_write

if TYPE_CHECKING:
    from dryload.harness.trial.trial import Trial

_SHRUNK: Final = 12
"""Faults for which the smallest input is looked for."""


def check_encoder(
    encoder: Annotated[
        str,
        argument(
            "ENCODER",
            "A Python function, as module:function or file.py:function, a command line with "
            "{input} and {output}, or a program that is asked in JSON.",
        ),
    ],
    bits: Annotated[
        str | None,
        value("N,N...", "Try these widths, the first one most; default all that it can be told."),
    ] = None,
    beside: Annotated[
        str | None, value("ENCODER", "Try another encoder too, and compare the two.")
    ] = None,
    limit: Limit = 20.0,
    baseline: Baseline = None,
    overwrite: Overwrite = False,
    test_results: TestResults = None,
    as_json: AsJson = False,
) -> None:
    """Put an encoder on trial: ask it for many dumps, and judge each.

    Each dump is judged by the clauses of the standard and compared with what was asked for, word
    for word. A fault is told with the smallest input that shows it.

    A function gets an array of signed 32-bit words and, by keyword, whichever of bits, rate,
    number, device_id, loop and name it takes; it returns bytes or messages, and says no with
    ValueError. In a command line {input} is a WAV file and {output} the dump to write; {bits},
    {rate}, {number}, {device_id}, {name}, {loop_start}, {loop_end} and {loop_type} are filled in
    too; it says no with an exit status. A command line without any of these is a program that is
    told {"words": [...], "bits": 16, ...} in a line of its standard input and answers with a line
    {"dump": "F07E..."} or {"declined": "why"}.

    Exit code 0 if nothing is broken (with --baseline: if nothing changed), 1 if something is, 2 if
    the encoder cannot be tried or made no dump.
    """
    from dryload.harness.report import trial as report

    check_options(limit, baseline, test_results, overwrite=overwrite)
    names = (encoder,) if beside is None else (encoder, beside)
    with ends() as was_interrupted:
        trials = [_tried(name, bits, limit, was_interrupted) for name in names]
    trial = trials[0]
    changes = changes_since(baseline, trial, overwrite=overwrite)
    lines = list(report.lines_of(encoder, trial, changes))
    document = report.document(encoder, trial, changes)
    if beside is not None:
        lines += ["", *report.lines_of(beside, trials[1]), ""]
        lines += report.side_by_side_lines((encoder, beside), (trial, trials[1]))
        document["beside"] = report.document(beside, trials[1])
    show(lines, document, as_json=as_json)
    if test_results is not None:
        safe_write.write(test_results, report.results_xml(encoder, trial), overwrite=overwrite)
    end(trials, changes)


def _tried(name: str, bits: str | None, limit_s: float, wants_stop: Callable[[], bool]) -> "Trial":
    """Try an encoder and look for the smallest input of each fault."""
    from contextlib import closing

    from dryload.harness.trial.shrink import CAN_SEARCH, shrink
    from dryload.harness.trial.subject import subject_of
    from dryload.harness.trial.trial import Trying

    with closing(subject_of(name, limit_s=limit_s)) as subject, trial_progress() as progress:
        trial = Trying(
            subject,
            widths_of(bits, can_be_told="bits" in subject.parameters),
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
