"""The part of `dryload replay` that plays to an emulated unit, in virtual time."""

from collections.abc import Iterator, Sequence

import click

from dryload.harness.cli.interrupt import interrupts
from dryload.harness.cli.own_unit import (
    disturbances_of,
    prepare,
    profile_of,
    profile_problems,
    walk_ns_of,
)
from dryload.harness.cli.playing import WORTH_A_CLOCK_NS, over_at, selection
from dryload.harness.cli.progress import packet_progress
from dryload.harness.cli.replay_request import ReplayRequest
from dryload.harness.cli.taping import write_capture
from dryload.harness.cli.terminal import show, signs, width
from dryload.harness.cli.verbatim import are_captures, play_captures
from dryload.harness.faults.asked import Disturbances
from dryload.harness.files.capture_file import check_target
from dryload.harness.files.problem import Problem
from dryload.harness.files.recorded import TakenAt
from dryload.harness.jobs.afterwards import in_memory, settled
from dryload.harness.jobs.playlist import PlayRow, Why, play_through
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.jobs.transfer import Settings
from dryload.harness.plan.stock import make_ready
from dryload.harness.report import disturbances as purpose
from dryload.harness.report import replay as report
from dryload.harness.report.memory_picture import MemoryState, state_of


def rehearse(asked: ReplayRequest) -> None:
    """Play dumps or captures to an emulated unit, say what came of it and end the command."""
    target, walk_ns = asked.target, walk_ns_of(asked.operator)
    disturbances = disturbances_of(asked.disturb or ())
    with profile_problems("--disturb: "):
        profile = disturbances.unit(profile_of(target.where))
    if asked.capture is not None:
        check_target(asked.capture, overwrite=asked.overwrite, sources=asked.given.files)
    if are_captures(asked):
        if any(each.means is not disturbances.link for each in disturbances.asked):
            raise Problem(
                'a capture is played as it is, so only --disturb "link NAME" is possible.'
            )
        play_captures(asked, profile, disturbances.link)
    selected = selection(asked)
    with (
        interrupts() as was_interrupted,
        packet_progress(selected.to_send, asked.read_back) as bar,
    ):
        rehearsal = Rehearsal(
            profile,
            settings=disturbances.settings(
                Settings(operator_ns=walk_ns, read_back=asked.read_back)
            ),
            disturbances=disturbances.placed,
            link=disturbances.link,
            progress=bar.show,
            wants_stop=was_interrupted,
        )
        if asked.planned is None or asked.banks is not None:
            prepare(rehearsal.unit, asked.banks, initialise=asked.initialise)
        else:
            bench, _ = asked.planned
            make_ready(rehearsal.unit, banks=bench.banks, holds=bench.holds)
        before = state_of(rehearsal.unit)
        rows = list(
            play_through(
                selected,
                rehearsal.play,
                hindrance=lambda: Why.STOPPED if was_interrupted() else None,
            )
        )
        rows = settled(rows, in_memory(rehearsal.unit))
        rehearsal.finish()
    write_capture(
        asked.capture,
        rehearsal.line.capture,
        about=f"a rehearsal with {target.given}",
        overwrite=asked.overwrite,
        taken_at=TakenAt.LINE,
    )
    stopped = was_interrupted()
    document = report.document(
        rows,
        target=target.given,
        unit=rehearsal.unit,
        operator={"visits": rehearsal.visits, "walk_ns": walk_ns},
        lasted_ns=rehearsal.line.now_ns,
        memory_before=before.pieces,
        stopped=stopped,
        disturbances=purpose.done_document(disturbances, rehearsal.struck),
    )
    lines = _lines(rows, rehearsal, disturbances, walk_ns, before)
    show(lines, document, as_json=asked.as_json)
    if stopped:
        raise KeyboardInterrupt
    raise click.exceptions.Exit(0 if all(row.is_well for row in rows) else 1)


def _lines(
    rows: Sequence[PlayRow],
    rehearsal: Rehearsal,
    disturbances: Disturbances,
    walk_ns: int | None,
    before: MemoryState,
) -> Iterator[str]:
    """Yield what came of it, for people."""
    yield from (report.head(rehearsal.unit), "")
    for transfer in report.transfers_of(rows):
        yield from (*report.lines_of(transfer), "")
    if disturbances.asked:
        yield from (*purpose.done_lines(disturbances, rehearsal.struck), "")
    lasted_ns, visits = rehearsal.line.now_ns, rehearsal.visits
    yield from report.summary(
        rows,
        rehearsal.unit,
        visits,
        walk_ns,
        lasted_ns=lasted_ns,
        width=width(),
        signs=signs(),
        before=before,
    )
    if width() is not None and lasted_ns >= WORTH_A_CLOCK_NS:
        yield f"Started now, it would finish at {over_at(lasted_ns)}."
