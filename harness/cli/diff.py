"""`dryload diff`: how two dumps differ, a dump and an audio file, two captures, or two folders."""

import os
from typing import TYPE_CHECKING, Annotated, Final

import click

from dryload.harness.cli.options import (
    PATIENCE_S,
    AsJson,
    Hear,
    Pace,
    Patience,
    answer_ns_of,
    argument,
    value,
)
from dryload.harness.cli.terminal import say, say_json
from dryload.harness.files.problem import USAGE, Problem

if TYPE_CHECKING:
    from dryload.harness.jobs.compare import FileComparison

_MS: Final = 1_000_000
_LONGEST_MS: Final = 86_400_000.0


def diff(
    a: Annotated[
        str, argument("A", "A dump, audio file, capture or folder of dumps; - is standard input.")
    ],
    b: Annotated[
        str, argument("B", "What to compare it with; for a folder also midi:PORT, tcp:HOST:PORT.")
    ],
    dump_a: Annotated[int | None, value("N", "Compare this dump of A, counted from 1.")] = None,
    dump_b: Annotated[int | None, value("N", "Compare this dump of B, counted from 1.")] = None,
    tolerance: Annotated[
        float | None, value("MS", "For captures: accept messages this much earlier or later.")
    ] = None,
    hear: Hear = None,
    pace: Pace = True,
    patience: Patience = PATIENCE_S,
    as_json: AsJson = False,
) -> None:
    """Compare two dumps, a dump with audio, captures, or folders.

    Dumps are compared by header and words, captures by who sent what and when. Of two folders of
    dumps (backups made by dryload read --sample all, or others) the samples with the same number
    are compared; from a unit, the samples of the folder are read.

    Exit code 0 if they are the same, 1 if they differ, 2 if they cannot be compared, 3 if the port
    is at fault.
    """
    if hear is not None and not b.startswith("midi:"):
        raise Problem("--hear is for MIDI ports (midi:), and B is none.")
    if os.path.isdir(a) and (os.path.isdir(b) or _is_port(b)):
        if dump_a is not None or dump_b is not None or tolerance is not None:
            raise Problem("--dump-a, --dump-b and --tolerance are not for folders.")
        if os.path.isdir(b):
            from dryload.harness.jobs.compare_backups import compare_folders

            result = compare_folders(a, b)
        else:
            result = _with_unit(a, b, hear, pace, answer_ns_of(patience))
        _tell(result, as_json)
        raise click.exceptions.Exit(0 if result.same else 1)
    if _is_port(a) and os.path.isdir(b):
        raise Problem("a folder is compared with a unit.", do="Name the folder first.")
    from dryload.harness.jobs.compare import are_captures

    if are_captures(a, b):
        _captures(a, b, dump_a or dump_b, tolerance, as_json)
        return
    if tolerance is not None:
        raise Problem("--tolerance is only for captures.")
    from dryload.harness.jobs.compare import compare_files

    result = compare_files(a, b, dump_a=dump_a, dump_b=dump_b)
    _tell(result, as_json)
    if result.different:
        raise click.exceptions.Exit(1)
    if not result.same:
        raise click.exceptions.Exit(USAGE)


def _tell(result: "FileComparison", as_json: bool) -> None:
    from dryload.harness.report import diff as report

    if as_json:
        say_json(report.document(result))
    else:
        say(report.text(result))


def _is_port(text: str) -> bool:
    return text.startswith(("midi:", "tcp:", "unit:")) and not os.path.lexists(text)


def _with_unit(
    folder: str, where: str, hear: str | None, pace: bool, answer_ns: int
) -> "FileComparison":
    """Read the samples of a folder from a unit, and compare them."""
    from dryload.harness.cli.interrupt import interrupts
    from dryload.harness.cli.progress import read_progress
    from dryload.harness.cli.target import opened, target_of
    from dryload.harness.jobs.compare_backups import compare_with_unit, request_of, samples_in

    target = target_of(where, option="diff")
    if not target.is_live:
        raise Problem(f"{where}: a new emulated unit is empty, so there is nothing to compare.")
    held = samples_in(folder)
    asked = request_of(held, target.given, answer_ns)
    with (
        interrupts() as was_interrupted,
        opened(target, hear=hear) as port,
        read_progress(asked) as bar,
    ):
        return compare_with_unit(
            held, asked, port, paced=pace, progress=bar.show, wants_stop=was_interrupted
        )


def _captures(a: str, b: str, dump: int | None, tolerance: float | None, as_json: bool) -> None:
    from dryload.harness.jobs.compare import compare_captures
    from dryload.harness.report import capture_diff as report

    if dump is not None:
        raise Problem("--dump-a and --dump-b are only for dumps, but these are captures.")
    if tolerance is not None and not 0 <= tolerance <= _LONGEST_MS:
        raise Problem(f"--tolerance {tolerance}: give milliseconds, as in 0.5 or 20.")
    tolerance_ns = None if tolerance is None else round(tolerance * _MS)
    result = compare_captures(a, b, tolerance_ns=tolerance_ns)
    if as_json:
        say_json(report.document(result))
    else:
        say(report.text(result))
    if not result.comparison.same:
        raise click.exceptions.Exit(1)
