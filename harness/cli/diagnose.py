"""`dryload diagnose`: from a recorded transfer to causes and remedies."""

from typing import Annotated

import click

from dryload.harness.cli.options import AsJson, argument, flag, value
from dryload.harness.cli.terminal import bar_line, note, show


def diagnose(
    capture: Annotated[
        str,
        argument(
            "CAPTURE",
            "A recorded transfer, hexadecimal text, or a file of one direction; "
            "- is standard input.",
        ),
    ],
    source: Annotated[
        list[str] | None,
        value(
            "FILE",
            "The dump that was meant to be sent; it reveals damage that no checksum can show. "
            "May be repeated.",
        ),
    ] = None,
    from_unit: Annotated[
        bool, flag("--from-unit", "Treat a file of one direction as sent by the unit.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Say why a recorded transfer failed, and what to do.

    A capture of both directions with times tells most, together with the dump that was meant to be
    sent (--source). The diagnosis says what it cannot know.

    Exit code 0 if nothing is wrong; 1 if it names a cause or cannot tell; 2 if the file cannot be
    read or holds no transfer.
    """
    from dryload.emulator.dump.capture import Direction
    from dryload.harness.diagnose.diagnose import diagnose as diagnosed
    from dryload.harness.files.capture_file import load
    from dryload.harness.files.opening import quoted, shown
    from dryload.harness.files.problem import Problem
    from dryload.harness.jobs.dumps import sources_in
    from dryload.harness.report.diagnose import diagnosis_document, diagnosis_lines

    with bar_line("{task.description}") as bar:
        if bar is not None:
            bar.add_task(f"looking through {shown(capture)}", total=None)
        sources = sources_in(source or [])
        file = load(capture, direction=Direction.FROM_UNIT if from_unit else Direction.TO_UNIT)
        diagnosis = diagnosed(file.recorded, sources)
    for remark in file.recorded.remarks:
        note(f"{shown(capture)}: {remark}.")
    if not diagnosis.is_of_transfer:
        raise Problem(
            f"{shown(capture)} holds no transfer: nothing in it belongs to a sample dump.",
            do=f"dryload explain {quoted(capture)} says what is in it.",
        )
    lines, document = diagnosis_lines(file, diagnosis), diagnosis_document(file, diagnosis)
    show(lines, document, as_json=as_json)
    if diagnosis.is_something_wrong:
        raise click.exceptions.Exit(1)
