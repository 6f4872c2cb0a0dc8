"""`dryload replay`: play dumps to a unit, read them back, compare, report."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Final

import typer

from harness.cli.interrupt import Interrupted, interrupts
from harness.cli.progress import packet_progress
from harness.files.problem import Problem

if TYPE_CHECKING:
    from emulator.unit.possible import Profile
    from harness.jobs.playlist import Dump
    from harness.jobs.rehearse import Rehearsal
    from harness.report.replay import Played

_UNIT: Final = "unit:"
_MS: Final = 1_000_000_000


def replay(
    files: Annotated[
        list[str], typer.Argument(metavar="FILE...", help="Dump files, played in this order.")
    ],
    to: Annotated[
        str,
        typer.Option(
            "--to", metavar="TARGET", help="unit:NAME or unit:PATH.toml; see dryload profiles."
        ),
    ] = "unit:lantern-desk",
    number: Annotated[
        int | None,
        typer.Option(help="Sample number of the first dump; the next ones count on from it."),
    ] = None,
    device_id: Annotated[
        int | None, typer.Option(help="Address the dumps to this device ID, 0 to 127.")
    ] = None,
    banks: Annotated[
        int | None, typer.Option(help="Begin with this many memory banks newly fitted.")
    ] = None,
    initialise: Annotated[
        bool, typer.Option("--initialise", help="Initialise the memory first: this wipes it.")
    ] = False,
    operator: Annotated[
        str,
        typer.Option(
            metavar="SECONDS|none", help="How long it takes until somebody has pressed confirm."
        ),
    ] = "8",
    read_back: Annotated[
        bool, typer.Option(" /--no-read-back", help="Do not ask for the samples again.")
    ] = True,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Play dumps to a unit, read them back, compare, and say what became of them."""
    import json

    from harness.jobs.rehearse import Rehearsal
    from harness.jobs.replay import Settings
    from harness.report import replay as report

    profile = _profile(to)
    walk_ns = _seconds(operator)
    playlist = _playlist(files, number, device_id)
    with interrupts() as was_interrupted, packet_progress(len(playlist)) as show:
        rehearsal = Rehearsal(
            profile,
            settings=Settings(operator_ns=walk_ns, read_back=read_back),
            progress=show,
            wants_stop=was_interrupted,
        )
        _prepare(rehearsal, banks, initialise)
        plays = list(_played(rehearsal, playlist, was_interrupted))
        rehearsal.replay.finish()
    stopped = was_interrupted()
    visits = rehearsal.replay.visits
    if as_json:
        document = report.document(
            plays, rehearsal.unit, target=to, visits=visits, walk_ns=walk_ns, stopped=stopped
        )
        typer.echo(json.dumps(document, indent=2))
    else:
        typer.echo(
            f"Rehearsal with the emulated unit {profile.unit.name}: {profile.unit.description}\n"
        )
        for played in plays:
            typer.echo("\n".join([*report.lines_of(played), ""]))
        typer.echo("\n".join(report.summary(plays, rehearsal.unit, visits, walk_ns)))
    if stopped:
        raise KeyboardInterrupt
    raise typer.Exit(0 if all(report.is_well(played) for played in plays) else 1)


def _played(
    rehearsal: "Rehearsal", playlist: "list[Dump]", was_interrupted: Interrupted
) -> "Iterator[Played]":
    from harness.judge.observed import observed
    from harness.report.replay import Played

    for dump in playlist:
        if was_interrupted():
            return
        transfer = rehearsal.replay.play(dump)
        yield Played(transfer=transfer, findings=(*dump.findings, *observed(transfer.events)))


def _profile(target: str) -> "Profile":
    from emulator.unit.profile import load_profile
    from emulator.unit.possible import ProfileError

    if not target.startswith(_UNIT):
        raise Problem(
            f"--to {target}: a target is unit:NAME or unit:PATH.toml.",
            do="dryload profiles lists the units there are.",
        )
    try:
        return load_profile(target.removeprefix(_UNIT))
    except ProfileError as problem:
        raise Problem(str(problem)) from problem


def _seconds(text: str) -> int | None:
    if text == "none":
        return None
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0 <= seconds <= 86_400:
        raise Problem(f"--operator {text}: give seconds, as in 8 or 2.5, or none.")
    return round(seconds * _MS)


def _playlist(files: list[str], number: int | None, device_id: int | None) -> "list[Dump]":
    from harness.files.dumpfile import load
    from harness.files.opening import shown
    from harness.jobs.playlist import dumps_in, readdressed

    if device_id is not None and not 0 <= device_id <= 127:
        raise Problem(f"--device-id {device_id}: a device ID is 0 to 127.")
    playlist: list[Dump] = []
    for name in files:
        found = list(dumps_in(load(name)))
        if not found:
            raise Problem(
                f"{shown(name)} has no dump header, so there is nothing to play.",
                do=f"dryload validate {shown(name)} says what is in it.",
            )
        playlist += found
    if number is not None and not 0 <= number <= 16_384 - len(playlist):
        raise Problem(f"--number {number}: sample numbers are 0 to 16383.")
    return [
        readdressed(
            dump,
            sample_number=None if number is None else number + index,
            device_id=device_id,
        )
        for index, dump in enumerate(playlist)
    ]


def _prepare(rehearsal: "Rehearsal", banks: int | None, initialise: bool) -> None:
    """Fit banks and initialise, as somebody who has just closed the lid would."""
    unit = rehearsal.unit
    if banks is not None:
        try:
            unit.panel.fit_banks(range(1, banks + 1), 0)
        except ValueError as problem:
            raise Problem(f"--banks {banks}: {problem}.") from problem
    if initialise:
        unit.panel.initialise(0)
