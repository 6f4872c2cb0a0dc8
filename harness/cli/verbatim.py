"""The part of `dryload replay` that plays captures instead of dumps."""

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING, NoReturn

import typer

from harness.cli.interrupt import ends, interrupts
from harness.cli.playing import ReplayOptions, check_numbers, is_capture
from harness.cli.taping import taping, write_capture
from harness.cli.target import opened
from harness.cli.terminal import note, say_json
from harness.files.problem import RIG, Problem

if TYPE_CHECKING:
    from emulator.line.link import Link
    from emulator.unit.board import RackUnit
    from emulator.unit.possible import Profile
    from harness.files.capture_file import CaptureFile
    from harness.jobs.playback import PlayedCapture


def are_captures(options: ReplayOptions) -> bool:
    """Return whether all files are captures; a Problem where only some of them are."""
    from harness.files.opening import shown

    files = options.files
    captures = [file for file in files if is_capture(file)]
    if len(captures) < len(files):
        wanted = [file for file in captures if file not in options.found]
        if not wanted:
            return False
        raise Problem(
            f"{shown(wanted[0])} is a capture, and not every file is one.",
            do="Play captures and dumps one after another, each with a command of its own.",
        )
    if captures and (options.number is not None or options.device_id is not None):
        raise Problem("--number and --device-id are for dumps: a capture is played as it is.")
    if captures and options.anyway:
        raise Problem("--anyway is for dumps: a capture is played as it is.")
    return bool(captures)


def play_captures(
    options: ReplayOptions,
    profile: "Profile",
    *,
    operator: bool,
    link: "Link | None" = None,
    prepare: "Callable[[RackUnit], None]",
) -> NoReturn:
    """Play captures to an emulated unit, say what came of it and end the command."""
    from harness.files.recorded import TakenAt
    from harness.jobs.playback import RehearsedPlayback
    from harness.report import replay as replay_report
    from harness.report import verbatim as report

    loaded = _loaded(options)
    with interrupts() as was_interrupted:
        rehearsal = RehearsedPlayback(
            profile, operator=operator, link=link, wants_stop=was_interrupted
        )
        prepare(rehearsal.unit)
        plays = [rehearsal.play(file) for file in loaded if not was_interrupted()]
    if options.capture is not None:
        write_capture(
            options.capture,
            rehearsal.line.capture,
            about=f"captures played verbatim to {options.target.given}",
            overwrite=options.overwrite,
            taken_at=TakenAt.LINE,
        )
    unit = rehearsal.unit
    if options.as_json:
        say_json(
            replay_report.document(
                [],
                target=options.target.given,
                unit=unit,
                operator={"visits": rehearsal.visits, "walk_ns": None},
                lasted_ns=rehearsal.line.now_ns,
                stopped=was_interrupted(),
                verbatim=report.documents(plays),
            )
        )
    else:
        meaning = report.meaning(follows=any(played.follows for played in plays))
        typer.echo("\n".join([replay_report.head(unit), "", *meaning, ""]))
        for played in plays:
            typer.echo("\n".join([*report.lines_of(played), ""]))
        typer.echo("\n".join(report.summary(unit, rehearsal.visits)))
    _end(plays, stopped=was_interrupted())


def play_captures_live(options: ReplayOptions) -> None:
    """Play captures to a port, say what came of it and end the command."""
    from emulator.ports.pacer import Pacer
    from emulator.ports.real import RealLine
    from emulator.wire.constants import BYTE_NS
    from harness.jobs.playback import Playback, lasting_ns
    from harness.report import replay as replay_report
    from harness.report import verbatim as report

    for option, is_given in (
        ("--resume", options.resume),
        ("--journal", options.journal is not None),
    ):
        if is_given:
            raise Problem(f"{option} is for dumps: a capture is played as it is.")
    loaded, target = _loaded(options), options.target
    plays: list[PlayedCapture] = []
    with ExitStack() as stack:
        was_interrupted = stack.enter_context(ends())
        port = stack.enter_context(opened(target, hear=options.hear))
        tape = stack.enter_context(
            taping(
                options.capture,
                about=f"captures played verbatim to {target.given}",
                overwrite=options.overwrite,
                start_ns=port.clock.now_ns(),
            )
        )
        pacer = Pacer(byte_ns=BYTE_NS if options.paced else 0)
        line = RealLine(port, pacer=pacer, recorder=tape)
        player = Playback(line, lateness=line.lateness, wants_stop=was_interrupted)
        note(report.before(target.given, (lasting_ns(file.recorded) for file in loaded)))
        if not options.as_json:
            typer.echo("\n".join([*report.meaning(follows=True), ""]))
        for file in loaded:
            if was_interrupted() or player.failed is not None:
                break
            plays.append(played := player.play(file))
            if not options.as_json:
                typer.echo("\n".join([*report.lines_of(played), ""]))
    stopped, failed = was_interrupted(), player.failed
    if options.as_json:
        say_json(
            replay_report.document(
                [],
                target=target.given,
                stopped=stopped,
                failed=failed,
                verbatim=report.documents(plays),
            )
        )
    if failed is not None:
        raise Problem(failed.what, do=failed.do, code=RIG)
    _end(plays, stopped=stopped)


def _end(plays: "Sequence[PlayedCapture]", *, stopped: bool) -> NoReturn:
    if stopped:
        raise KeyboardInterrupt
    raise typer.Exit(0 if all(played.is_well for played in plays) else 1)


def _loaded(options: ReplayOptions) -> "list[CaptureFile]":
    """Return the captures; a Problem where they hold different dumps with one sample number."""
    from emulator.dump.capture import Direction
    from harness.files.capture_file import load
    from harness.files.dumpfile import DumpFile, Form
    from harness.jobs.dumps import dumps_in
    from harness.jobs.playlist import select

    loaded = [load(file) for file in options.files]
    sent = [
        DumpFile(
            name=each.name,
            form=Form.CAPTURE,
            data=each.recorded.capture.bytes_of(Direction.TO_UNIT),
        )
        for each in loaded
    ]
    check_numbers(select([dump for file in sent for dump in dumps_in(file)]), options)
    return loaded
