"""The part of `dryload replay` that plays captures to a port."""

from contextlib import ExitStack
from typing import TYPE_CHECKING

import typer

from harness.cli.interrupt import ends
from harness.cli.playing import Wishes, say_json
from harness.cli.target import Target, opened
from harness.cli.terminal import note
from harness.files.problem import RIG, Problem

if TYPE_CHECKING:
    from harness.cli.live import Way
    from harness.jobs.verbatim import Verbatim


def play_captures_live(wishes: Wishes, target: Target, way: "Way") -> None:
    """Play captures verbatim to a port, say what came of it and end the command."""
    from emulator.ports.pacer import Pacer
    from emulator.ports.real import RealLine
    from emulator.wire.constants import BYTE_NS
    from harness.cli.taping import taping
    from harness.cli.verbatim import check_captures
    from harness.files.capture_file import load
    from harness.jobs.verbatim import VerbatimPlayer, lasting_ns
    from harness.report import verbatim as report

    refuse_for_captures(way)
    loaded = [load(file) for file in wishes.files]
    check_captures(loaded, wishes)
    plays: list[Verbatim] = []
    with ExitStack() as stack:
        was_interrupted = stack.enter_context(ends())
        port = stack.enter_context(opened(target, hear=way.hear))
        tape = stack.enter_context(
            taping(
                wishes.capture,
                about=f"captures played verbatim to {target.given}",
                overwrite=wishes.overwrite,
                start_ns=port.clock.now_ns(),
            )
        )
        line = RealLine(port, pacer=Pacer(byte_ns=BYTE_NS if way.paced else 0), recorder=tape.take)
        player = VerbatimPlayer(line, lateness=line.lateness, wants_stop=was_interrupted)
        note(report.before(target.given, map(lasting_ns, loaded)))
        if not wishes.as_json:
            typer.echo("\n".join([*report.meaning(follows=True), ""]))
        for file in loaded:
            if was_interrupted() or player.failed is not None:
                break
            plays.append(played := player.play(file))
            if not wishes.as_json:
                typer.echo("\n".join([*report.lines_of(played), ""]))
        if tape.finish is not None:
            tape.finish(line.capture)
    stopped, failed = was_interrupted(), player.failed
    if wishes.as_json:
        say_json(
            report.live_document(
                plays, kind=target.kind, name=target.where, stopped=stopped, failed=failed
            )
        )
    if failed is not None:
        raise Problem(failed.what, do=failed.do, code=RIG)
    if stopped:
        raise KeyboardInterrupt
    raise typer.Exit(0 if all(played.is_well for played in plays) else 1)


def refuse_for_captures(way: "Way") -> None:
    """Raise a Problem for what only makes sense for dumps."""
    given = {
        "--resume": way.resume,
        "--journal": way.journal is not None,
    }
    for option, is_given in given.items():
        if is_given:
            raise Problem(f"{option} is for dumps: a capture is played as it is.")
