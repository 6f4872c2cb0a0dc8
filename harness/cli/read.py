"""`dryload read`: samples out of a unit, as dump files."""

import os
from contextlib import ExitStack
from datetime import datetime
from typing import TYPE_CHECKING, Annotated

import click
from msgspec.structs import replace

from dryload.harness.cli.interrupt import ends
from dryload.harness.cli.options import (
    PATIENCE_S,
    AsJson,
    Capture,
    DeviceId,
    Hear,
    Overwrite,
    Pace,
    Patience,
    answer_ns_of,
    check_device_id,
    value,
)
from dryload.harness.cli.target import Target, opened, target_of
from dryload.harness.cli.terminal import note, say, say_json, signs, width
from dryload.harness.files.problem import RIG, Problem

if TYPE_CHECKING:
    from dryload.harness.jobs.read import Came, ReadRequest


def read(
    source: Annotated[str, value("TARGET", "Read from midi:PORT or tcp:HOST:PORT.", "--from")],
    sample: Annotated[
        str, value("N|N-M|all", "Read this sample number, a range, or all (see above).")
    ],
    output: Annotated[
        str,
        value(
            "FILE|FOLDER",
            "File for one sample (a MIDI file if it ends in .mid), or folder for several.",
            "--output",
            "-o",
        ),
    ],
    up_to: Annotated[
        int | None, value("N", "Stop all at this number; see the unit's manual.")
    ] = None,
    device_id: DeviceId = 0,
    patience: Patience = PATIENCE_S,
    hear: Hear = None,
    pace: Pace = True,
    capture: Capture = None,
    overwrite: Overwrite = False,
    as_json: AsJson = False,
) -> None:
    """Read samples from a unit and save them as dump files.

    Each sample is requested, then its loops and its name; they are saved in the same file. Nothing
    in the unit changes. A file is written completely or not at all.

    A unit cannot say how many samples it holds, and most units do not answer a request for a number
    that holds nothing: such a number is requested twice, for 2 s each. "all" requests 0 to 127, and
    continues to 16383 if the unit answered every number; otherwise the result may be incomplete,
    and the exit code is 1. If you know how many samples the unit can hold, give the last number
    with --up-to.

    "all" makes a backup: the folder also gets contents.toml, a list of what was read, whether that
    is complete, and what the unit cannot tell. dryload replay FOLDER --to TARGET puts it back, and
    dryload diff compares it with another one, or with the unit.

    Exit code 0 if everything that was requested arrived whole (for a range or all: every sample
    that is there, at least one, and the unit still answers at the end); 1 if something did not
    arrive, is broken or was not requested; 3 if the port is at fault.
    """
    from dryload.harness.cli.progress import read_progress
    from dryload.harness.cli.taping import taping
    from dryload.harness.jobs.backup import Listing, shortcomings
    from dryload.harness.jobs.read import ReadOut, ReadRequest, wanted_of
    from dryload.harness.report import read as report

    target = target_of(source, option="--from")
    asked = ReadRequest(
        target=target.given,
        device_id=device_id,
        wanted=wanted_of(sample, up_to),
        given=sample,
        output=output,
        answer_ns=answer_ns_of(patience),
    )
    check_device_id(device_id)
    _check(target, asked, capture, hear=hear, overwrite=overwrite)
    listing = Listing(asked, datetime.now().astimezone()) if asked.is_backup else None
    came: dict[int, Came] = {}
    trouble: Problem | None = None
    with ExitStack() as stack:
        was_interrupted = stack.enter_context(ends())
        port = stack.enter_context(opened(target, hear=hear))
        tape = stack.enter_context(
            taping(
                capture,
                about=f"samples read from {target.given}",
                overwrite=overwrite,
                start_ns=port.clock.now_ns(),
            )
        )
        note(*report.before(asked))
        bar = stack.enter_context(read_progress(asked))
        job = ReadOut(
            port,
            asked,
            paced=pace,
            progress=bar.show,
            wants_stop=was_interrupted,
            recorder=tape,
        )
        try:
            for each in job.read():
                came[each.number] = replace(each, dump=None)
                came[each.number] = _kept(each, asked, overwrite=overwrite)
                if listing is not None:
                    listing.take(came[each.number], datetime.now().astimezone())
            if listing is not None:
                so_far = [came[number] for number in sorted(came)]
                listing.end(so_far, job, stopped=was_interrupted())
        except Problem as problem:  # nothing can be written any more: what was is told first
            trouble = problem
    stopped = was_interrupted()
    all_of_it = [came[number] for number in sorted(came)]
    if as_json:
        say_json(report.document(all_of_it, job, stopped=stopped))
    else:
        for each in all_of_it:
            if lines := report.lines_of(each, asked):
                say(lines if asked.wanted.is_single else [*lines, ""])
        if lines := report.summary(all_of_it, job, stopped=stopped, width=width(), signs=signs()):
            say(lines)
    if trouble is not None:
        raise trouble
    if job.failed is not None:
        raise Problem(job.failed.what, do=job.failed.do, code=RIG)
    if stopped:
        raise KeyboardInterrupt
    raise click.exceptions.Exit(1 if shortcomings(all_of_it, job, stopped=False) else 0)


def _check(
    target: Target,
    asked: "ReadRequest",
    capture: str | None,
    *,
    hear: str | None,
    overwrite: bool,
) -> None:
    """Find what can't be, before a port is opened."""
    from dryload.emulator.wire.constants import MAX_SAMPLE_NUMBER
    from dryload.harness.files import backup_file, capture_file, sample_files
    from dryload.harness.files.opening import shown

    wanted, output = asked.wanted, asked.output
    if not target.is_live:
        raise Problem(
            f"--from {shown(target.given)}: a new emulated unit is empty, so nothing can be read.",
            do=f"Start one that has an image, dryload serve {shown(target.where)} --tcp "
            "127.0.0.1:4000 --image FILE, and read --from tcp:127.0.0.1:4000.",
        )
    if hear is not None and target.kind != "midi":
        raise Problem(f"--hear is for MIDI ports (midi:), and --from is {shown(target.given)}.")
    if wanted.is_single:
        sample_files.check_file(output, overwrite=overwrite)
    else:
        last = MAX_SAMPLE_NUMBER if wanted.goes_on else wanted.last
        numbers = range(wanted.first, last + 1)
        if asked.is_backup and os.path.lexists(backup_file.list_in(output)) and not overwrite:
            raise Problem(
                f"{shown(backup_file.list_in(output))} exists already: this folder holds a backup.",
                do="--overwrite replaces it; or give another folder.",
            )
        sample_files.check_folder(output, numbers, overwrite=overwrite)
    if capture is not None:
        capture_file.check_target(capture, overwrite=overwrite)
        if os.path.realpath(capture) == os.path.realpath(output):
            raise Problem("-o and --capture are the same file.", do="Give them different names.")


def _kept(came: "Came", asked: "ReadRequest", *, overwrite: bool) -> "Came":
    """Write a sample that came whole; return it without its words."""
    from dryload.harness.files import safe_write, sample_files
    from dryload.harness.files.journal import sha256_of
    from dryload.harness.files.opening import shown
    from dryload.harness.jobs.convert import file_of

    if came.dump is None:
        return came
    path = asked.output
    if not asked.wanted.is_single:
        says = came.number if came.header is None else came.header.sample_number
        path = os.path.join(path, sample_files.file_name(came.number, came.name, says=says))
        sample_files.make_folder(asked.output)
        for other in sample_files.others_of(path, came.number):
            note(
                f"{shown(other)} is from another time and stays: it holds sample {came.number} "
                "as well."
            )
    data = file_of([came.dump.outgoing], path)
    safe_write.write(path, data, overwrite=overwrite)
    return replace(came, dump=None, file=path, sha256=sha256_of([data]))
