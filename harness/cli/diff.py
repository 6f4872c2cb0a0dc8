"""`dryload diff`: how two dumps differ, or a dump and an audio file."""

from typing import Annotated

import typer


def diff(
    a: Annotated[
        str, typer.Argument(metavar="A", help="A dump file or audio file; - is standard input.")
    ],
    b: Annotated[str, typer.Argument(metavar="B", help="The file that is compared with it.")],
    dump_a: Annotated[
        int | None, typer.Option(metavar="N", help="Which dump of A, from 1 on.")
    ] = None,
    dump_b: Annotated[
        int | None, typer.Option(metavar="N", help="Which dump of B, from 1 on.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Compare two dumps, or a dump with audio: header, words, where and how they differ.

    Exit 0 if they are the same, 1 if they differ, 2 if they cannot be compared.
    """
    import json

    from harness.files.problem import USAGE
    from harness.jobs.compare import compare_files
    from harness.report import diff as report

    result = compare_files(a, b, dump_a=dump_a, dump_b=dump_b)
    if as_json:
        typer.echo(json.dumps(report.document(result), indent=2))
    else:
        typer.echo(report.text(result))
    if result.different:
        raise typer.Exit(1)
    if not result.same:
        raise typer.Exit(USAGE)
