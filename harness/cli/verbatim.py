"""The part of `dryload replay` that plays captures instead of dumps."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING, NoReturn

import typer

from harness.cli.interrupt import ends, interrupts
from harness.cli.own_unit import prepare, walk_ns_of
from harness.cli.playing import ReplayOptions, check_numbers, is_capture
from harness.cli.taping import taping, write_capture
from harness.cli.target import opened
from harness.cli.terminal import note, say, say_json, show
from harness.files.problem import RIG, Problem

if TYPE_CHECKING:
    from emulator.line.link import Link
    from emulator.unit.possible import Profile
    from harness.files.capture_file import CaptureFile
    from harness.jobs.playback import Playback, PlayedCapture


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


def play_captures(options: ReplayOptions, profile: "Profile", link: "Link | None") -> NoReturn:
    """Play captures to an emulated unit, say what came of it and end the command."""
    from harness.files.recorded import TakenAt
    from harness.jobs.playback import RehearsedPlayback
    from harness.report import replay as replay_report
    from harness.report import verbatim as report

    loaded, target = _loaded(options), options.target.given
    with interrupts() as was_interrupted:
        has_operator = walk_ns_of(options.operator) is not None
        player = RehearsedPlayback(
            profile, operator=has_operator, link=link, wants_stop=was_interrupted
        )
        unit = player.unit
        prepare(unit, options.banks, initialise=options.initialise)
        lines = [replay_report.head(unit), ""]
        plays = list(_played(player, loaded, was_interrupted, lines.extend))
    write_capture(
        options.capture,
        player.line.capture,
        about=f"captures played verbatim to {target}",
        overwrite=options.overwrite,
        taken_at=TakenAt.LINE,
    )
    stopped = was_interrupted()
    document = replay_report.document(
        [],
        target=target,
        unit=unit,
        operator={"visits": player.operator.visits, "walk_ns": None},
        lasted_ns=player.line.now_ns,
        stopped=stopped,
        verbatim=report.documents(plays),
    )
    lines += report.summary(unit, player.operator.visits)
    show(lines, document, as_json=options.as_json)
    _end(plays, stopped=stopped)


def play_captures_live(options: ReplayOptions) -> NoReturn:
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
        tell = (lambda _: None) if options.as_json else say
        plays = list(_played(player, loaded, was_interrupted, tell))
    stopped, failed = was_interrupted(), player.failed
    if options.as_json:
        verbatim = report.documents(plays)
        say_json(
            replay_report.document(
                [], target=target.given, stopped=stopped, failed=failed, verbatim=verbatim
            )
        )
    if failed is not None:
        raise Problem(failed.what, do=failed.do, code=RIG)
    _end(plays, stopped=stopped)


def _played(
    player: "Playback",
    files: "Sequence[CaptureFile]",
    was_interrupted: "Callable[[], bool]",
    tell: "Callable[[list[str]], None]",
) -> "Iterator[PlayedCapture]":
    """Play captures, tell what came of each, and yield it."""
    from harness.report import verbatim as report

    follows = any(player.follows(file.recorded) for file in files)
    tell([*report.meaning(follows=follows), ""])
    for file in files:
        if was_interrupted() or player.failed is not None:
            return
        played = player.play(file)
        tell([*report.lines_of(played), ""])
        yield played


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
