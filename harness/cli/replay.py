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
    Disturb,
    Hear,
    Initialise,
    Overwrite,
    Pace,
    Patience,
    answer_ns_of,
    argument,
    flag,
    switch_off,
    value,
)
from harness.cli.playing import ReplayOptions
from harness.cli.rehearsing import rehearse
from harness.cli.target import Target, target_of
from harness.files.opening import named
from harness.files.problem import Problem

Files: TypeAlias = Annotated[
    list[str],
    argument("FILE", "Dumps or folders of dumps; a capture is played verbatim.", group=PLAYED),
]
To: TypeAlias = Annotated[
    str,
    value(
        "TARGET",
        "unit:NAME, unit:FILE.toml, midi:PORT or tcp:HOST:PORT.",
        group=PLAYED,
        show_default=False,
    ),
]
FirstNumber: TypeAlias = Annotated[
    int | None, value("N", "Give the samples the numbers N, N+1 and so on.", group=PLAYED)
]
Address: TypeAlias = Annotated[
    int | None, value("N", "Address the dumps to this device ID, 0 to 127.", group=PLAYED)
]
Replace: TypeAlias = Annotated[
    bool,
    flag("--replace", "Let dumps with the same sample number replace each other.", group=PLAYED),
]
Anyway: TypeAlias = Annotated[bool, flag("--anyway", "Send broken dumps as well.", group=PLAYED)]
ReadBack: TypeAlias = Annotated[
    bool, switch_off("--no-read-back", "Do not read the samples back for comparison.", group=PLAYED)
]
Banks: TypeAlias = Annotated[
    int | None, value("N", "Start with N newly fitted banks, not yet initialised.", group=EMULATED)
]
OperatorTime: TypeAlias = Annotated[
    str, value("SECONDS", "Press confirm after this time, or never: none.", group=EMULATED)
]
Resume: TypeAlias = Annotated[
    bool, flag("--resume", "Continue the last replay to this target.", group=PORT)
]
JournalFile: TypeAlias = Annotated[
    str | None, value("FILE", "Keep the progress for --resume in this file.", group=PORT)
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
    operator: OperatorTime = "8",
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
    The unit is emulated (unit:lantern-desk) unless --to names another one. With a port,
    this is the real transfer: samples in the unit that have the same numbers are replaced.
    """
    target, given = target_of(to, option="--to"), named(files)
    _refuse_others(ctx, target)
    options = ReplayOptions(
        target=target,
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
        banks=banks,
        initialise=initialise,
        operator=operator,
        disturb=disturb or (),
        hear=hear,
        paced=pace,
        answer_ns=answer_ns_of(patience),
        resume=resume,
        journal=journal,
    )
    (play_live if target.is_live else rehearse)(options)


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
