"""`dryload replay`: play dumps to a unit, read them back, compare, report."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Final

import typer

from harness.cli.interrupt import Interrupted, interrupts
from harness.cli.progress import packet_progress
from harness.cli.terminal import fitted, width
from harness.files.problem import Problem

if TYPE_CHECKING:
    from emulator.unit.board import RackUnit
    from emulator.unit.possible import Profile
    from harness.jobs.playlist import Dump, LeftOut
    from harness.jobs.rehearse import Rehearsal
    from harness.report.replay import Played

_UNIT: Final = "unit:"
_MS: Final = 1_000_000_000


def replay(
    files: Annotated[
        list[str],
        typer.Argument(
            metavar="FILE", help="Dump files, played in this order; or captures, see below."
        ),
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
        int | None,
        typer.Option(
            help="Begin with this many memory banks newly fitted: they have to be initialised."
        ),
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
        bool,
        typer.Option(
            " /--no-read-back", show_default=False, help="Do not ask for the samples again."
        ),
    ] = True,
    capture: Annotated[
        str | None,
        typer.Option(
            metavar="FILE", help="Write what passed, every byte with its time: .jsonl or .mid."
        ),
    ] = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace the capture if it exists.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Play dumps to a unit, read them back, compare, and say what became of them.

    A FILE that is a capture is played verbatim: what went to the unit goes again, each message at
    its recorded instant; no answer is waited for, and nothing is sent again or read back.

    Exit 0 if the unit holds just what was sent, or answered a capture as it did then; 1 if
    something is not loaded, broken or answered otherwise.
    """
    import json

    from harness.cli.verbatim import are_captures, play_captures, write_capture
    from harness.files.capture_file import check_target
    from harness.jobs.rehearse import Rehearsal
    from harness.jobs.replay import Settings
    from harness.report import replay as report

    profile = _profile(to)
    walk_ns = _seconds(operator)
    if capture is not None:
        check_target(capture, overwrite=overwrite, sources=files)
    if are_captures(files):
        if number is not None or device_id is not None:
            raise Problem("--number and --device-id are for dumps: a capture is played as it is.")
        play_captures(
            files,
            profile,
            target=to,
            operator=walk_ns is not None,
            prepare=lambda unit: _prepare(unit, banks, initialise),
            capture=capture,
            overwrite=overwrite,
            as_json=as_json,
        )
    playlist, not_played = _playlist(files, number, device_id)
    with interrupts() as was_interrupted, packet_progress(len(playlist)) as show:
        rehearsal = Rehearsal(
            profile,
            settings=Settings(operator_ns=walk_ns, read_back=read_back),
            progress=show,
            wants_stop=was_interrupted,
        )
        _prepare(rehearsal.unit, banks, initialise)
        plays = list(_played(rehearsal, playlist, was_interrupted))
        rehearsal.replay.finish()
    if capture is not None:
        passed, about = rehearsal.line.capture, f"a rehearsal with {to}"
        write_capture(capture, passed, about=about, overwrite=overwrite)
    stopped = was_interrupted()
    visits = rehearsal.replay.visits
    if as_json:
        document = report.document(
            plays,
            rehearsal.unit,
            target=to,
            visits=visits,
            walk_ns=walk_ns,
            not_played=not_played,
            stopped=stopped,
        )
        typer.echo(json.dumps(document, indent=2))
    else:
        typer.echo(fitted(f"{report.head(rehearsal.unit)}\n"))
        for played in plays:
            typer.echo(fitted("\n".join([*report.lines_of(played), ""])))
        typer.echo(
            fitted("\n".join(report.summary(plays, rehearsal.unit, visits, walk_ns, width=width())))
        )
    if stopped:
        raise KeyboardInterrupt
    is_well = not not_played and all(report.is_well(played) for played in plays)
    raise typer.Exit(0 if is_well else 1)


def _played(
    rehearsal: "Rehearsal", playlist: "list[Dump]", was_interrupted: Interrupted
) -> "Iterator[Played]":
    from harness.report.replay import Played

    for dump in playlist:
        if was_interrupted():
            return
        yield Played(transfer=rehearsal.replay.play(dump))


def _profile(target: str) -> "Profile":
    from emulator.unit.possible import ProfileError
    from emulator.unit.profile import load_profile
    from harness.files.opening import shown_lines

    if not target.startswith(_UNIT):
        raise Problem(
            f"--to{_given(target)}: a target is unit:NAME or unit:PATH.toml.",
            do="dryload profiles lists the units there are.",
        )
    try:
        return load_profile(target.removeprefix(_UNIT))
    except ProfileError as problem:
        raise Problem(shown_lines(str(problem))) from problem


def _given(text: str) -> str:
    from harness.files.opening import shown

    return f" {shown(text)}" if text else ""


def _seconds(text: str) -> int | None:
    if text == "none":
        return None
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0 <= seconds <= 86_400:
        raise Problem(f"--operator{_given(text)}: give seconds, as in 8 or 2.5, or none.")
    return round(seconds * _MS)


def _playlist(
    files: list[str], number: int | None, device_id: int | None
) -> "tuple[list[Dump], list[LeftOut]]":
    """Return the dumps of all files, addressed as was asked, and what has to be left out."""
    from harness.files.dumpfile import load
    from harness.files.opening import shown
    from harness.jobs.playlist import Dump, LeftOut, contents, readdressed
    from harness.report.replay import left_out

    if device_id is not None and not 0 <= device_id <= 127:
        raise Problem(f"--device-id {device_id}: a device ID is 0 to 127.")
    playlist: list[Dump] = []
    not_played: list[LeftOut] = []
    for name in files:
        file = load(name)
        found = list(contents(file))
        dumps = [each for each in found if isinstance(each, Dump)]
        if not dumps:
            raise Problem(
                f"{shown(name)} has no whole dump header, so there is nothing to play.",
                do=f"dryload validate {shown(name)} says what is in it.",
            )
        left = [each for each in found if isinstance(each, LeftOut)]
        remarks = [f"{shown(name)}: {remark}" for remark in file.remarks]
        for line in (*remarks, *(left_out(each) for each in left)):
            typer.echo(f"dryload: {line}.", err=True)
        playlist += dumps
        not_played += left
    if number is not None and not 0 <= number <= 16_384 - len(playlist):
        last = "" if len(playlist) == 1 else f", and there are {len(playlist):,} dumps to number"
        raise Problem(f"--number {number}: sample numbers are 0 to 16383{last}.")
    return [
        readdressed(
            dump,
            sample_number=None if number is None else number + index,
            device_id=device_id,
        )
        for index, dump in enumerate(playlist)
    ], not_played


def _prepare(unit: "RackUnit", banks: int | None, initialise: bool) -> None:
    """Fit banks and initialise, as somebody who has just closed the lid would."""
    places = unit.memory.traits.places
    if banks is not None:
        if not 0 <= banks <= places:
            raise Problem(f"--banks {banks}: {unit.profile.name} has room for 0 to {places}.")
        unit.panel.fit_banks((), 0)  # as many as before are newly fitted too
        unit.panel.fit_banks(range(1, banks + 1), 0)
    if initialise:
        unit.panel.initialise(0)
