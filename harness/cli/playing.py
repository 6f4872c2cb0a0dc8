"""What every way of `dryload replay` has in common: the dumps, and what is said of them."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import typer

from harness.cli.terminal import fitted
from harness.files.problem import Problem

if TYPE_CHECKING:
    from harness.jobs.playlist import Dump, LeftOut


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What was asked for, whatever the target is."""

    files: Sequence[str]
    number: int | None
    device_id: int | None
    read_back: bool
    capture: str | None
    overwrite: bool
    as_json: bool


def playlist(wishes: Wishes) -> "tuple[list[Dump], list[LeftOut]]":
    """Return the dumps of all files, addressed as was asked, and what has to be left out."""
    from harness.files.dumpfile import load
    from harness.files.opening import shown
    from harness.jobs.playlist import Dump, LeftOut, contents, readdressed
    from harness.report.replay import left_out

    number, device_id = wishes.number, wishes.device_id
    if device_id is not None and not 0 <= device_id <= 127:
        raise Problem(f"--device-id {device_id}: a device ID is 0 to 127.")
    dumps: list[Dump] = []
    not_played: list[LeftOut] = []
    for name in wishes.files:
        file = load(name)
        found = list(contents(file))
        here = [each for each in found if isinstance(each, Dump)]
        if not here:
            raise Problem(
                f"{shown(name)} has no whole dump header, so there is nothing to play.",
                do=f"dryload validate {shown(name)} says what is in it.",
            )
        left = [each for each in found if isinstance(each, LeftOut)]
        remarks = [f"{shown(name)}: {remark}" for remark in file.remarks]
        for line in (*remarks, *(left_out(each) for each in left)):
            typer.echo(f"dryload: {line}.", err=True)
        dumps += here
        not_played += left
    if number is not None and not 0 <= number <= 16_384 - len(dumps):
        last = "" if len(dumps) == 1 else f", and there are {len(dumps):,} dumps to number"
        raise Problem(f"--number {number}: sample numbers are 0 to 16383{last}.")
    return [
        readdressed(
            dump,
            sample_number=None if number is None else number + index,
            device_id=device_id,
        )
        for index, dump in enumerate(dumps)
    ], not_played


def say(lines: Sequence[str]) -> None:
    """Print lines, fitted to the terminal."""
    typer.echo(fitted("\n".join(lines)))


def say_json(document: dict[str, Any]) -> None:
    """Print one document."""
    typer.echo(json.dumps(document, indent=2))
