"""The part of `dryload replay` that plays captures instead of dumps."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import typer

from harness.cli.interrupt import interrupts
from harness.cli.playing import Wishes, check_numbers, is_capture, say_json
from harness.cli.terminal import note
from harness.files.problem import Problem

if TYPE_CHECKING:
    from emulator.dump.capture import Capture
    from emulator.line.link import Link
    from emulator.unit.board import RackUnit
    from emulator.unit.possible import Profile
    from harness.files.capture_file import CaptureFile
    from harness.files.recorded import TakenAt


def are_captures(wishes: Wishes) -> bool:
    """Return whether all files are captures; a Problem where only some of them are."""
    from harness.files.opening import shown

    files = wishes.files
    captures = [file for file in files if is_capture(file)]
    if len(captures) < len(files):
        wanted = [file for file in captures if file not in wishes.found]
        if not wanted:
            return False
        raise Problem(
            f"{shown(wanted[0])} is a capture, and not every file is one.",
            do="Play captures and dumps one after another, each with a command of its own.",
        )
    if captures and (wishes.number is not None or wishes.device_id is not None):
        raise Problem("--number and --device-id are for dumps: a capture is played as it is.")
    if captures and wishes.anyway:
        raise Problem("--anyway is for dumps: a capture is played as it is.")
    return bool(captures)


def play_captures(
    wishes: Wishes,
    profile: "Profile",
    *,
    target: str,
    operator: bool,
    link: "Link | None" = None,
    prepare: "Callable[[RackUnit], None]",
) -> None:
    """Play captures verbatim, say what came of it and end the command."""
    from harness.files.capture_file import load
    from harness.jobs.verbatim import VerbatimRehearsal
    from harness.report import replay as replay_report
    from harness.report import verbatim as report

    loaded = [load(file) for file in wishes.files]
    check_captures(loaded, wishes)
    with interrupts() as was_interrupted:
        rehearsal = VerbatimRehearsal(
            profile, operator=operator, link=link, wants_stop=was_interrupted
        )
        prepare(rehearsal.unit)
        plays = [rehearsal.play(file) for file in loaded if not was_interrupted()]
    if wishes.capture is not None:
        from harness.files.recorded import TakenAt

        about = f"captures played verbatim to {target}"
        write_capture(
            wishes.capture,
            rehearsal.line.capture,
            about=about,
            overwrite=wishes.overwrite,
            taken_at=TakenAt.LINE,
        )
    unit = rehearsal.unit
    if wishes.as_json:
        document = replay_report.document(
            [],
            unit,
            target=target,
            visits=rehearsal.visits,
            walk_ns=None,
            stopped=was_interrupted(),
            lasted_ns=rehearsal.line.now_ns,
        )
        document["verbatim"] = report.documents(plays)
        say_json(document)
    else:
        meaning = report.meaning(follows=any(played.follows for played in plays))
        typer.echo("\n".join([replay_report.head(unit), "", *meaning, ""]))
        for played in plays:
            typer.echo("\n".join([*report.lines_of(played), ""]))
        typer.echo("\n".join(report.summary(unit, rehearsal.visits)))
    if was_interrupted():
        raise KeyboardInterrupt
    raise typer.Exit(0 if all(played.is_well for played in plays) else 1)


def check_captures(loaded: "Sequence[CaptureFile]", wishes: Wishes) -> None:
    """Raise a Problem where captures hold different whole dumps with the same sample number."""
    from emulator.dump.capture import Direction
    from harness.files.dumpfile import DumpFile, Form
    from harness.jobs.playlist import dumps_in
    from harness.jobs.selection import select

    sent = [
        DumpFile(
            name=each.name,
            form=Form.CAPTURE,
            data=each.recorded.capture.bytes_of(Direction.TO_UNIT),
        )
        for each in loaded
    ]
    check_numbers(select([dump for file in sent for dump in dumps_in(file)]), wishes)


def write_capture(
    path: str,
    capture: "Capture",
    *,
    about: str,
    overwrite: bool,
    taken_at: "TakenAt",
    start_ns: int = 0,
) -> None:
    """Write what passed; the clock of its times stood at `start_ns` when it began."""
    from harness.files.capture_file import save
    from harness.files.opening import shown
    from harness.files.recorded import Recorded

    recorded = Recorded(capture=capture, about=about, start_ns=start_ns, taken_at=taken_at)
    save(path, recorded, overwrite=overwrite)
    note(f"what passed is in {shown(path)}.")
