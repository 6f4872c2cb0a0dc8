"""`dryload replay`: play dumps to a unit, read them back, compare, report."""

from collections.abc import Iterator
from typing import Annotated

import typer

from harness.cli.live import Way, play_live
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
from harness.cli.playing import Wishes
from harness.cli.rehearsing import Setting, rehearse
from harness.cli.target import target_of
from harness.files.folder import named
from harness.files.problem import Problem


def replay(
    ctx: typer.Context,
    files: Annotated[
        list[str],
        typer.Argument(
            metavar="FILE",
            help="Dumps, or folders of them; a capture is played verbatim.",
            rich_help_panel=PLAYED,
        ),
    ],
    to: Annotated[
        str,
        typer.Option(
            "--to",
            metavar="TARGET",
            help="unit:NAME, unit:FILE.toml, midi:PORT or tcp:HOST:PORT.",
            show_default=False,
            rich_help_panel=PLAYED,
        ),
    ] = "unit:lantern-desk",
    number: Annotated[
        int | None,
        typer.Option(
            metavar="N", help="Number the samples N, N+1 and so on.", rich_help_panel=PLAYED
        ),
    ] = None,
    device_id: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            help="Address the dumps to this device ID, 0 to 127.",
            rich_help_panel=PLAYED,
        ),
    ] = None,
    replace: Annotated[
        bool,
        typer.Option(
            "--replace",
            help="Let dumps of equal sample numbers replace one another.",
            rich_help_panel=PLAYED,
        ),
    ] = False,
    anyway: Annotated[
        bool,
        typer.Option(
            "--anyway", help="Send dumps that are broken as well.", rich_help_panel=PLAYED
        ),
    ] = False,
    read_back: Annotated[
        bool,
        typer.Option(
            " /--no-read-back",
            help="Do not read the samples back to compare them.",
            show_default=False,
            rich_help_panel=PLAYED,
        ),
    ] = True,
    banks: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            help="Begin with N newly fitted banks, not initialised yet.",
            rich_help_panel=EMULATED,
        ),
    ] = None,
    initialise: Initialise = False,
    operator: Annotated[
        str,
        typer.Option(
            metavar="SECONDS",
            help="Seconds until confirm is pressed, or none.",
            rich_help_panel=EMULATED,
        ),
    ] = "8",
    link: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Put a MIDI interface between: usb, at-most-64, ...",
            rich_help_panel=EMULATED,
        ),
    ] = None,
    disturb: Annotated[
        list[str] | None,
        typer.Option(
            metavar="WORDS",
            help="Let something go wrong; see dryload disturbances.",
            rich_help_panel=EMULATED,
        ),
    ] = None,
    hear: Hear = None,
    pace: Pace = True,
    patience: Patience = PATIENCE_S,
    resume: Annotated[
        bool,
        typer.Option(
            "--resume",
            help="Continue the last replay to this target.",
            rich_help_panel=PORT,
        ),
    ] = False,
    journal: Annotated[
        str | None,
        typer.Option(
            metavar="FILE",
            help="Keep the progress for --resume in this file.",
            rich_help_panel=PORT,
        ),
    ] = None,
    capture: Capture = None,
    overwrite: Overwrite = False,
    as_json: AsJson = False,
) -> None:
    """Play dumps to a unit, read them back, compare and report.
    The unit is emulated (unit:lantern-desk) unless --to names another one. To a port this is the
    real transfer: it replaces samples in the unit that have the same numbers.
    """
    target = target_of(to, option="--to")
    given = named(files)
    wishes = Wishes(
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
    for option in _given(ctx, PORT if not target.is_live else EMULATED):
        place = "an emulated unit (unit:)" if target.is_live else "a port (midi: or tcp:)"
        raise Problem(f"{option} is for {place}, and --to is {target.given}.")
    if target.is_live:
        answer_ns = answer_ns_of(patience)
        way = Way(hear=hear, paced=pace, answer_ns=answer_ns, resume=resume, journal=journal)
        play_live(wishes, target, way)
    else:
        setting = Setting(
            banks=banks,
            initialise=initialise,
            operator=operator,
            link=link,
            disturb=tuple(disturb or ()),
        )
        rehearse(wishes, target, setting)


def _given(ctx: typer.Context, group: str) -> Iterator[str]:
    """Yield the names of those options of a group that stand on the command line."""
    for each in ctx.command.params:
        source = ctx.get_parameter_source(str(each.name))
        is_given = source is not None and source.name == "COMMANDLINE"
        if is_given and getattr(each, "rich_help_panel", None) == group:
            yield [*each.opts, *each.secondary_opts][0]
