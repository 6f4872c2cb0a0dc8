"""`dryload campaign`: very many rehearsals, each held against the same rules."""

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Final

import click

from dryload.harness.cli.interrupt import ends
from dryload.harness.cli.options import (
    OUTPUT,
    AsJson,
    Overwrite,
    flag,
    value,
)
from dryload.harness.cli.terminal import bar_line, width
from dryload.harness.cli.terminal import show as show_result
from dryload.harness.files import safe_write
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import Problem

if TYPE_CHECKING:
    from dryload.harness.jobs.campaign_case import CampaignPlan
    from dryload.harness.jobs.campaign_run import CampaignResult

_LARGEST: Final = (1 << 63) - 1
_TEXT: Final = "{task.completed:,.0f} of {task.total:,.0f} runs  {task.fields[left]}"


def campaign(
    runs: Annotated[int, value("N", "Make this many runs.", least=1)] = 1000,
    seed: Annotated[
        int,
        value("N", "A different seed makes different dumps and faults.", least=0, most=_LARGEST),
    ] = 1,
    profile: Annotated[
        list[str] | None, value("NAME", "Use only this unit; may be repeated.")
    ] = None,
    disturb: Annotated[
        list[str] | None,
        value("WORDS", "Use only this fault; may be repeated. See dryload disturbances."),
    ] = None,
    twice: Annotated[bool, flag("--twice", "Make every run twice, not one in sixteen.")] = False,
    only: Annotated[
        int | None, value("N", "Make only run number N, and describe it.", least=0, most=_LARGEST)
    ] = None,
    workers: Annotated[
        int | None,
        value("N", "Make this many runs at a time; default one per core.", least=1, most=256),
    ] = None,
    cluster: Annotated[
        str | None,
        value("ADDRESS", "Use the workers of this dask.distributed scheduler: tcp://HOST:PORT."),
    ] = None,
    capture: Annotated[
        str | None,
        value(
            "FILE", "With --only: record every byte with its time, as .jsonl or .mid.", group=OUTPUT
        ),
    ] = None,
    overwrite: Overwrite = False,
    test_results: Annotated[
        str | None, value("FILE", "Write the runs as JUnit XML, for build servers.", group=OUTPUT)
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Run thousands of rehearsals with made-up dumps and faults.

    Each run is derived from its number and the seed, so it can be repeated. It is checked against
    rules that hold for every unit and every fault: it ends, it gives the same result a second time,
    acknowledged data are right, no other sample changes, the memory adds up, and a success is a
    real one. Outcomes are counted, not judged.

    Exit code 0 if no rule was broken, 1 if one was. Ctrl-C ends the campaign early and reports the
    runs that were made.
    """
    plan = _plan(seed, tuple(profile or ()), tuple(disturb or ()))
    _check_options(only, capture, cluster, workers)
    _check_targets(test_results, capture, overwrite=overwrite)
    from dryload.harness.jobs.campaign import run_campaign
    from dryload.harness.jobs.workers import cluster as cluster_at
    from dryload.harness.jobs.workers import here, why_failed
    from dryload.harness.report import campaign as report

    numbers = range(runs) if only is None else range(only, only + 1)
    many = workers or os.cpu_count() or 1
    hands = here(many if only is None else 1) if cluster is None else cluster_at(cluster)
    with ends() as was_interrupted, hands as hired, _progress(len(numbers)) as show:
        began = time.monotonic()
        done = run_campaign(
            plan,
            numbers,
            hired.executor,
            twice=twice or only is not None,
            progress=show,
            wants_stop=was_interrupted,
            ahead=4 * hired.count,  # so that nobody ever waits
        )
        seconds = time.monotonic() - began
    document = report.document(done, seconds=seconds, workers=hired.count)
    lines = report.lines_of(done, seconds=seconds, workers=hired.count, width=width())
    if only is not None and done.results:
        (result,) = done.results
        lines = report.one_lines(plan, result)
        document = {**document, "only": report.run_document(plan, result)}
        if result.outcome != "error":
            _write_capture(capture, result, overwrite=overwrite)
    show_result(lines, document, as_json=as_json)
    if test_results is not None:
        safe_write.write(
            test_results, report.results_xml(done, seconds=seconds), overwrite=overwrite
        )
    if done.failed is not None:
        raise why_failed(done.failed, cluster) from done.failed
    if done.stopped:
        raise KeyboardInterrupt
    raise click.exceptions.Exit(1 if done.broke else 0)


def _write_capture(path: str | None, result: "CampaignResult", *, overwrite: bool) -> None:
    """Write what passed in a run, which is the same each time."""
    from dryload.harness.cli.taping import write_capture
    from dryload.harness.files.recorded import TakenAt
    from dryload.harness.jobs.campaign_run import run_of
    from dryload.harness.report.campaign import told

    if path is not None:
        about = f"dryload campaign, {told(result.case)}"
        capture = run_of(result.case).capture
        write_capture(path, capture, about=about, overwrite=overwrite, taken_at=TakenAt.LINE)


def _plan(seed: int, profiles: tuple[str, ...], disturbances: tuple[str, ...]) -> "CampaignPlan":
    """Return the plan; a Problem where a unit or what goes wrong is not to be had."""
    from dryload.emulator.unit.possible import ProfileError
    from dryload.harness.cli.own_unit import disturbances_of, profile_of
    from dryload.harness.jobs.campaign_case import CampaignPlan

    plan = CampaignPlan(seed=seed, profiles=profiles, disturbances=disturbances)
    units = [profile_of(name) for name in plan.units]
    for text in disturbances:
        asked = disturbances_of([text])
        try:
            for unit in units:
                asked.unit(unit)
        except ProfileError as problem:
            raise Problem(
                f'--disturb "{shown(text)}": {unit.name} can\'t have it: {shown(str(problem))}.',
                do="Name units that can with --profile.",
            ) from problem
    return plan


@contextmanager
def _progress(runs: int) -> "Iterator[Callable[[int], None] | None]":
    """Yield what is told how many runs are done; None where nobody looks."""
    from dryload.harness.cli.progress import about

    with bar_line(_TEXT) as bar:
        if bar is None:
            yield None
            return
        task = bar.add_task("", total=runs, left="")

        def show(done: int) -> None:
            left_s = bar.tasks[0].time_remaining
            left = "" if left_s is None else f"about {about(round(left_s * 1e9))} left"
            bar.update(task, completed=done, left=left)

        yield show


def _check_options(
    only: int | None, capture: str | None, cluster: str | None, workers: int | None
) -> None:
    """Say before the work what does not go together."""
    if capture is not None and only is None:
        raise Problem("--capture keeps one run.", do="Name it with --only NUMBER.")
    if cluster is not None and workers is not None:
        raise Problem(
            "--workers are those of this machine, and --cluster has its own.",
            do="Leave one of them out.",
        )
    if cluster is not None and only is not None:
        raise Problem("one run needs no cluster.", do="Leave --cluster out.")


def _check_targets(test_results: str | None, capture: str | None, *, overwrite: bool) -> None:
    """Say before the work that a file can't be written."""
    if test_results is not None:
        safe_write.check_target(test_results, overwrite=overwrite, option="--test-results")
    if capture is not None:
        from dryload.harness.files.capture_file import check_target

        check_target(capture, overwrite=overwrite)
