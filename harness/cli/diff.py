"""`dryload diff`: how two dumps differ, a dump and an audio file, or two captures."""

from typing import Annotated, Final

import click

from dryload.harness.cli.options import AsJson, argument, value
from dryload.harness.cli.terminal import say, say_json
from dryload.harness.files.problem import USAGE, Problem

_MS: Final = 1_000_000
_LONGEST_MS: Final = 86_400_000.0


def diff(
    a: Annotated[str, argument("A", "A dump file, audio file or capture; - is standard input.")],
    b: Annotated[str, argument("B", "The file to compare it with.")],
    dump_a: Annotated[int | None, value("N", "Compare this dump of A, counted from 1.")] = None,
    dump_b: Annotated[int | None, value("N", "Compare this dump of B, counted from 1.")] = None,
    tolerance: Annotated[
        float | None, value("MS", "For captures: accept messages this much earlier or later.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Compare two dumps, a dump with audio, or two captures.

    Dumps are compared by header and words, captures by who sent what and when.

    Exit code 0 if they are the same, 1 if they differ, 2 if they cannot be compared.
    """
    from dryload.harness.jobs.compare import are_captures

    if are_captures(a, b):
        _captures(a, b, dump_a or dump_b, tolerance, as_json)
        return
    if tolerance is not None:
        raise Problem("--tolerance is only for captures.")
    from dryload.harness.jobs.compare import compare_files
    from dryload.harness.report import diff as report

    result = compare_files(a, b, dump_a=dump_a, dump_b=dump_b)
    if as_json:
        say_json(report.document(result))
    else:
        say(report.text(result))
    if result.different:
        raise click.exceptions.Exit(1)
    if not result.same:
        raise click.exceptions.Exit(USAGE)


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
