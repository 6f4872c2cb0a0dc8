"""`dryload check-decoder`: somebody's decoder on trial."""

import os
from contextlib import closing
from typing import Annotated

from dryload.harness.cli.interrupt import ends
from dryload.harness.cli.options import OUTPUT, AsJson, Overwrite, argument, value
from dryload.harness.cli.terminal import show
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


def check_decoder(
    decoder: Annotated[
        str,
        argument(
            "DECODER",
            "A Python function, as module:function or file.py:function, a command line with "
            "{input} and {output}, or a program that is asked in JSON.",
        ),
    ],
    bits: Annotated[
        str | None,
        value("N,N...", "Try these widths, the first one most; default all, 16 first."),
    ] = None,
    limit: Limit = 20.0,
    baseline: Baseline = None,
    dumps: Annotated[
        str | None,
        value("FOLDER", "Save the dump that shows each fault here.", group=OUTPUT),
    ] = None,
    overwrite: Overwrite = False,
    test_results: TestResults = None,
    as_json: AsJson = False,
) -> None:
    """Put a decoder on trial: have it read many dumps, and judge what it makes of them.

    Right dumps of the first width must be read; other widths, extended headers and real-time
    bytes may be refused, but if they are read, they must be read right. Damaged dumps must be
    refused, or the damage must be mentioned.

    A function gets the bytes of a dump and returns words, bits and rate, as a tuple, a mapping or
    an object; integers of that width, or numbers from -1 to 1. It says no with ValueError. In a
    command line {input} is a dump and {output} the WAV file to write; it says no with an exit
    status. A command line without these is a program that is told {"dump": "F07E..."} in a line
    of its standard input and answers with a line {"words": [...], "bits": 16, "rate": 44100} or
    {"declined": "why"}.

    Exit code 0 if nothing is broken (with --baseline: if nothing changed), 1 if something is, 2 if
    the decoder cannot be tried or read no dump.
    """
    from dryload.harness.files.sample_files import make_folder
    from dryload.harness.report import trial as report
    from dryload.harness.trial.decoder_trial import TryingDecoder
    from dryload.harness.trial.subject import subject_of
    from dryload.harness.trial.task import Side

    check_options(limit, baseline, test_results, overwrite=overwrite)
    widths = widths_of(bits, can_be_told=True)
    if dumps is not None:
        make_folder(dumps)
    with (
        ends() as was_interrupted,
        closing(subject_of(decoder, side=Side.DECODER, limit_s=limit)) as subject,
        trial_progress() as progress,
    ):
        trial = TryingDecoder(
            subject, widths, limit_s=limit, progress=progress, wants_stop=was_interrupted
        ).run()
    changes = changes_since(baseline, trial, overwrite=overwrite)
    lines = list(report.lines_of(decoder, trial, changes))
    show(lines, report.document(decoder, trial, changes), as_json=as_json)
    if dumps is not None:
        for name, data in report.dumps_of(trial):
            safe_write.write(os.path.join(dumps, name), data, overwrite=overwrite)
    if test_results is not None:
        safe_write.write(test_results, report.results_xml(decoder, trial), overwrite=overwrite)
    end([trial], changes)
