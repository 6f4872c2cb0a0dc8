"""`dryload replay`: play dumps to a unit, read them back, compare, report."""

from collections.abc import Iterator
from typing import Annotated, TypeAlias

import typer

from harness.cli.live import play_live
from harness.cli.options import (
    EMULATED,
    PATIENCE_S,
    PLAYED,
    PORT,
    AsJson,
    Capture,
    Hear,
    Initialise,
    Overwrite,
    Pace,
    Patience,
    answer_ns_of,
)
from harness.cli.playing import PortOptions, ReplayOptions, UnitOptions
from harness.cli.rehearsing import rehearse
from harness.cli.target import Target, target_of
from harness.files.folder import named
from harness.files.problem import Problem

Files: TypeAlias = Annotated[
    list[str],
    typer.Argument(
        metavar="FILE",
        help="Dumps, or folders of them; a capture is played verbatim.",
        rich_help_panel=PLAYED,
    ),
]
To: TypeAlias = Annotated[
    str,
    typer.Option(
        "--to",
        metavar="TARGET",
        help="unit:NAME, unit:FILE.toml, midi:PORT or tcp:HOST:PORT.",
        show_default=False,
        rich_help_panel=PLAYED,
    ),
]
FirstNumber: TypeAlias = Annotated[
    int | None,
    typer.Option(metavar="N", help="Number the samples N, N+1 and so on.", rich_help_panel=PLAYED),
]
Address: TypeAlias = Annotated[
    int | None,
    typer.Option(
        metavar="N",
        help="Address the dumps to this device ID, 0 to 127.",
        rich_help_panel=PLAYED,
    ),
]
Replace: TypeAlias = Annotated[
    bool,
    typer.Option(
        "--replace",
        help="Let dumps of equal sample numbers replace one another.",
        rich_help_panel=PLAYED,
    ),
]
Anyway: TypeAlias = Annotated[
    bool,
    typer.Option("--anyway", help="Send dumps that are broken as well.", rich_help_panel=PLAYED),
]
ReadBack: TypeAlias = Annotated[
    bool,
    typer.Option(
        " /--no-read-back",
        help="Do not read the samples back to compare them.",
        show_default=False,
        rich_help_panel=PLAYED,
    ),
]
Banks: TypeAlias = Annotated[
    int | None,
    typer.Option(
        metavar="N",
        help="Begin with N newly fitted banks, not initialised yet.",
        rich_help_panel=EMULATED,
    ),
]
Operator: TypeAlias = Annotated[
    str,
    typer.Option(
        metavar="SECONDS",
        help="Seconds until confirm is pressed, or none.",
        rich_help_panel=EMULATED,
    ),
]
LinkName: TypeAlias = Annotated[
    str | None,
    typer.Option(
        metavar="NAME",
        help="Put a MIDI interface between: usb, at-most-64, ...",
        rich_help_panel=EMULATED,
    ),
]
Disturb: TypeAlias = Annotated[
    list[str] | None,
    typer.Option(
        metavar="WORDS",
        help="Let something go wrong; see dryload disturbances.",
        rich_help_panel=EMULATED,
    ),
]
Resume: TypeAlias = Annotated[
    bool,
    typer.Option("--resume", help="Continue the last replay to this target.", rich_help_panel=PORT),
]
JournalFile: TypeAlias = Annotated[
    str | None,
    typer.Option(
        metavar="FILE",
        help="Keep the progress for --resume in this file.",
        rich_help_panel=PORT,
    ),
]


def replay(
    ctx: typer.Context,
    files: Files,
    to: To = "unit:lantern-desk",
    number: FirstNumber = None,
    device_id: Address = None,
    replace: Replace = False,
    anyway: Anyway = False,
    read_back: ReadBack = True,
    banks: Banks = None,
    initialise: Initialise = False,
    operator: Operator = "8",
    link: LinkName = None,
    disturb: Disturb = None,
    hear: Hear = None,
    pace: Pace = True,
    patience: Patience = PATIENCE_S,
    resume: Resume = False,
    journal: JournalFile = None,
    capture: Capture = None,
    overwrite: Overwrite = False,
    as_json: AsJson = False,
) -> None:
    """Play dumps to a unit, read them back, compare and report.
    The unit is emulated (unit:lantern-desk) unless --to names another one. To a port this is the
    real transfer: it replaces samples in the unit that have the same numbers.
    """
    target, given = target_of(to, option="--to"), named(files)
    _refuse_others(ctx, target)
    options = ReplayOptions(
        files=given.files,
        found=given.found,
        number=number,
        device_id=device_id,
        anyway=anyway,
        replace=replace,
        read_back=read_back,
        capture=capture,
        overwrite=overwrite,
        as_json=as_json,
    )
    if target.is_live:
        answer_ns = answer_ns_of(patience)
        play_live(options, target, PortOptions(hear, pace, answer_ns, resume, journal))
    else:
        bench = UnitOptions(banks, initialise, operator, link, tuple(disturb or ()))
        rehearse(options, target, bench)


def _refuse_others(ctx: typer.Context, target: Target) -> None:
    """Raise a Problem for an option that is for another kind of target."""
    for option in _given(ctx, EMULATED if target.is_live else PORT):
        place = "an emulated unit (unit:)" if target.is_live else "a port (midi: or tcp:)"
        raise Problem(f"{option} is for {place}, and --to is {target.given}.")


def _given(ctx: typer.Context, group: str) -> Iterator[str]:
    """Yield the names of those options of a group that stand on the command line."""
    for each in ctx.command.params:
        source = ctx.get_parameter_source(str(each.name))
        is_given = source is not None and source.name == "COMMANDLINE"
        if is_given and getattr(each, "rich_help_panel", None) == group:
            yield [*each.opts, *each.secondary_opts][0]
