"""`dryload plan`: from folders of sounds to an evening with a unit."""

import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Annotated, Final

import click

from dryload.harness.cli.options import AsJson, Overwrite, argument, switch_off, value
from dryload.harness.cli.terminal import note, show, signs, width
from dryload.harness.files.opening import quoted, shown
from dryload.harness.files.problem import Problem
from dryload.harness.plan.keys import KeyRule, MiddleC

_PART: Final = re.compile(r"(?:(\d+)h)?(?:(\d+)m)?(?:(\d+(?:\.\d+)?)s)?")
_HEAVIEST: Final = 1_000
_LONGEST_MS: Final = 60_000.0


def plan(
    files: Annotated[
        list[str], argument("FOLDER", "Folders and files, dumps and audio; or a plan, to see it.")
    ],
    unit: Annotated[
        str | None, value("UNIT", "A profile by its name, or a file.toml.", "--for")
    ] = None,
    output: Annotated[
        str | None, value("FILE", "Write the plan; replay FILE plays it.", "--output", "-o")
    ] = None,
    weight: Annotated[
        list[str] | None,
        value("NAME=N", "How much a sound is worth if not all fit; others are worth 1."),
    ] = None,
    change: Annotated[
        bool, switch_off("--no-change", "Leave out what does not fit instead of changing it.")
    ] = True,
    keep_what_is_there: Annotated[
        str | None,
        value("WHERE", "A backup folder or memory image of the unit: that stays in it."),
    ] = None,
    banks: Annotated[int | None, value("N", "How many banks are fitted.")] = None,
    operator: Annotated[
        str, value("SECONDS", "A walk to press confirm takes so long; none: nobody does.")
    ] = "8",
    read_back: Annotated[
        bool, switch_off("--no-read-back", "Do not read the samples back for comparison.")
    ] = True,
    keys: Annotated[
        KeyRule | None, value("RULE", "Lay samples over the keyboard: split, octaves or one.")
    ] = None,
    worksheet: Annotated[
        str | None, value("FILE", "Write a worksheet for the front panel: .txt or .html.")
    ] = None,
    middle_c: Annotated[
        MiddleC, value("C3|C4", "What key 60 is called, here and in the names of sounds.")
    ] = MiddleC.C4,
    start: Annotated[
        str | None, value("HH:MM", "Say times by the clock, if you start then.")
    ] = None,
    pause: Annotated[
        float | None, value("MS", "Say what a program takes that pauses after each packet.")
    ] = None,
    took: Annotated[
        str | None, value("TIME", "Say how long such a program pauses that took 17m or 45s.")
    ] = None,
    overwrite: Overwrite = False,
    as_json: AsJson = False,
) -> None:
    """Plan what goes into a unit, in which order and how long.

    Samples that fit unchanged are chosen by weight, then by the order of the files. The others are
    changed as little as possible. Slots and times come from a rehearsal, so that a replay gives the
    same.

    Exit code 0 if every sample is right, is in the plan (changed or not) and loads; 1 if not.
    """
    from dryload.harness.cli.own_unit import profile_of, walk_ns_of
    from dryload.harness.cli.playing import WORTH_A_CLOCK_NS, over_at
    from dryload.harness.files import safe_write
    from dryload.harness.jobs.transfer import Settings
    from dryload.harness.plan import kept
    from dryload.harness.plan.plan import plan_evening
    from dryload.harness.plan.rehearsed import Bench, rehearsed
    from dryload.harness.report import plan as report
    from dryload.harness.report.worksheet import text_of
    from dryload.harness.report.worksheet import worksheet as sheet_of
    from dryload.harness.report.worksheet_page import page_of

    if output is not None:
        if not output.endswith(kept.ENDING):
            raise Problem(f"-o {shown(output)}: a plan is a file whose name ends in {kept.ENDING}.")
        safe_write.check_target(output, overwrite=overwrite, sources=tuple(files))
    if worksheet is not None:
        if not worksheet.lower().endswith((".txt", ".html")):
            raise Problem(
                f"--worksheet {shown(worksheet)}: give a name that ends in .txt or .html."
            )
        safe_write.check_target(worksheet, overwrite=overwrite, option="--worksheet")
    pause_ns, took_ns, begins = _pause(pause), _took(took), _start(start)
    settings = Settings(operator_ns=walk_ns_of(operator), read_back=read_back)
    place = output
    if len(files) == 1 and kept.is_evening(files[0]):
        made, place = rehearsed(*kept.ready(files[0], settings)), files[0]
    else:
        if unit is None:
            raise Problem("--for UNIT is missing.", do="dryload profiles lists the units.")
        bench = Bench(
            unit=unit,
            profile=profile_of(unit),
            banks=banks,
            holds=keep_what_is_there,
            settings=settings,
        )
        weights = _weights(weight or ())
        made = plan_evening(
            files, bench, weights=weights, may_change=change, rule=keys, middle=middle_c
        )
    if output is not None:
        safe_write.write(output, kept.content_of(made, output), overwrite=overwrite)
        note(f"the plan is in {shown(output)}: dryload replay {quoted(output)} rehearses it.")
    if worksheet is not None:
        made_of = page_of if worksheet.lower().endswith(".html") else text_of
        content = made_of(sheet_of(made, place, middle_c)).encode()
        safe_write.write(worksheet, content, overwrite=overwrite)
        note(f"the worksheet is in {shown(worksheet)}.")
    lines = report.lines_of(
        made, start=begins, pause_ns=pause_ns, took_ns=took_ns, width=width(), signs=signs()
    )
    now = []
    if begins is None and width() is not None and made.total_ns >= WORTH_A_CLOCK_NS:
        now = [f"Started now, it would finish at {over_at(made.total_ns)}."]
    document = report.document(made, written_to=output, pause_ns=pause_ns, took_ns=took_ns)
    show([*lines, *now], document, as_json=as_json)
    raise click.exceptions.Exit(0 if made.is_well else 1)


def _weights(given: Sequence[str]) -> Mapping[str, int]:
    weights: dict[str, int] = {}
    for each in given:
        name, _, number = each.rpartition("=")
        is_whole = number.isascii() and number.isdigit() and len(number) < 6
        if not name or not is_whole or not 1 <= int(number) <= _HEAVIEST:
            raise Problem(
                f"--weight {shown(each)}: give a name and a whole number from 1 to {_HEAVIEST:,}.",
                do="For example --weight thunder.syx=5.",
            )
        weights[name] = int(number)
    return weights


def _pause(ms: float | None) -> int | None:
    if ms is not None and not 0 <= ms <= _LONGEST_MS:
        raise Problem(f"--pause {ms:g}: give milliseconds, from 0 to {_LONGEST_MS:,.0f}.")
    return None if ms is None else round(ms * 1_000_000)


def _took(text: str | None) -> int | None:
    if text is None:
        return None
    found = _PART.fullmatch(text) if len(text) < 20 else None
    if found is None or not any(found.groups()):
        raise Problem(f"--took {shown(text)}: give a time such as 17m, 45s or 1h5m.")
    hours, minutes, seconds = (float(each or 0) for each in found.groups())
    return round((hours * 3600 + minutes * 60 + seconds) * 1_000_000_000)


def _start(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        return datetime.strptime(text, "%H:%M")
    except ValueError as problem:
        raise Problem(f"--start {shown(text)}: give a time of day such as 20:00.") from problem
