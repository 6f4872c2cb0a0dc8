"""The part of `dryload replay` that plays captures instead of dumps."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from typing import NoReturn

import click

from dryload.emulator.dump.capture import Direction
from dryload.emulator.line.link import Link
from dryload.emulator.ports.pacer import Pacer
from dryload.emulator.ports.real import RealLine
from dryload.emulator.unit.possible import Profile
from dryload.emulator.wire.constants import BYTE_NS
from dryload.harness.cli.interrupt import ends, interrupts
from dryload.harness.cli.own_unit import prepare, walk_ns_of
from dryload.harness.cli.playing import REPLACE, is_capture
from dryload.harness.cli.replay_request import ReplayRequest
from dryload.harness.cli.taping import taping, write_capture
from dryload.harness.cli.target import opened
from dryload.harness.cli.terminal import note, say, say_json, show
from dryload.harness.files.capture_file import CaptureFile, load
from dryload.harness.files.dumpfile import DumpFile, Form
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import RIG, Problem
from dryload.harness.files.recorded import TakenAt
from dryload.harness.jobs.dumps import dumps_in
from dryload.harness.jobs.playback import Playback, PlayedCapture, RehearsedPlayback, lasting_ns
from dryload.harness.jobs.playlist import select
from dryload.harness.report import replay as replay_report
from dryload.harness.report import verbatim as report
from dryload.harness.report.selection import check_numbers


def are_captures(asked: ReplayRequest) -> bool:
    """Return whether all files are captures; a Problem where only some of them are."""
    files, found = asked.given.files, asked.given.found
    captures = [file for file in files if is_capture(file)]
    if len(captures) < len(files):
        wanted = [file for file in captures if file not in found]
        if not wanted:
            return False
        raise Problem(
            f"{shown(wanted[0])} is a capture, and not every file is one.",
            do="Play captures and dumps one after another, each with a command of its own.",
        )
    if captures and (asked.number is not None or asked.device_id is not None):
        raise Problem("--number and --device-id are for dumps: a capture is played as it is.")
    if captures and asked.anyway:
        raise Problem("--anyway is for dumps: a capture is played as it is.")
    return bool(captures)


def play_captures(asked: ReplayRequest, profile: Profile, link: Link | None) -> NoReturn:
    """Play captures to an emulated unit, say what came of it and end the command."""
    loaded, target = _loaded(asked), asked.target.given
    with interrupts() as was_interrupted:
        has_operator = walk_ns_of(asked.operator) is not None
        player = RehearsedPlayback(
            profile, operator=has_operator, link=link, wants_stop=was_interrupted
        )
        unit = player.unit
        prepare(unit, asked.banks, initialise=asked.initialise)
        lines = [replay_report.head(unit), ""]
        plays = list(_played(player, loaded, was_interrupted, lines.extend))
    write_capture(
        asked.capture,
        player.line.capture,
        about=f"captures played verbatim to {target}",
        overwrite=asked.overwrite,
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
    show(lines, document, as_json=asked.as_json)
    _end(plays, stopped=stopped)


def play_captures_live(asked: ReplayRequest) -> NoReturn:
    """Play captures to a port, say what came of it and end the command."""
    for option, is_given in (("--resume", asked.resume), ("--journal", asked.journal is not None)):
        if is_given:
            raise Problem(f"{option} is for dumps: a capture is played as it is.")
    loaded, target = _loaded(asked), asked.target
    with ExitStack() as stack:
        was_interrupted = stack.enter_context(ends())
        port = stack.enter_context(opened(target, hear=asked.hear))
        tape = stack.enter_context(
            taping(
                asked.capture,
                about=f"captures played verbatim to {target.given}",
                overwrite=asked.overwrite,
                start_ns=port.clock.now_ns(),
            )
        )
        line = RealLine(port, pacer=Pacer(byte_ns=BYTE_NS if asked.pace else 0), recorder=tape)
        player = Playback(line, lateness=line.lateness, wants_stop=was_interrupted)
        note(report.before(target.given, (lasting_ns(file.recorded) for file in loaded)))
        tell = (lambda _: None) if asked.as_json else say
        plays = list(_played(player, loaded, was_interrupted, tell))
    stopped, failed = was_interrupted(), player.failed
    if asked.as_json:
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
    player: Playback,
    files: Sequence[CaptureFile],
    was_interrupted: Callable[[], bool],
    tell: Callable[[list[str]], None],
) -> Iterator[PlayedCapture]:
    """Play captures, tell what came of each, and yield it."""
    follows = any(player.follows(file.recorded) for file in files)
    tell([*report.meaning(follows=follows), ""])
    for file in files:
        if was_interrupted() or player.failed is not None:
            return
        played = player.play(file)
        tell([*report.lines_of(played), ""])
        yield played


def _end(plays: Sequence[PlayedCapture], *, stopped: bool) -> NoReturn:
    if stopped:
        raise KeyboardInterrupt
    raise click.exceptions.Exit(0 if all(played.is_well for played in plays) else 1)


def _loaded(asked: ReplayRequest) -> list[CaptureFile]:
    """Return the captures; a Problem where they hold different dumps with one sample number."""
    loaded = [load(file) for file in asked.given.files]
    sent = [
        DumpFile(
            name=each.name,
            form=Form.CAPTURE,
            data=each.recorded.capture.bytes_of(Direction.TO_UNIT),
        )
        for each in loaded
    ]
    if not asked.replace:
        check_numbers(select([dump for file in sent for dump in dumps_in(file)]), REPLACE)
    return loaded
