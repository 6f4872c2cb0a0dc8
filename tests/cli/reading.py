"""The command read in an empty folder: what two files of checks have in common."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import click
import pytest

from dryload.harness.cli.options import command_of
from dryload.harness.cli.read import read
from dryload.harness.files.problem import Problem
from tests import oracle
from tests.cli.replaying import Said

OK, BROKEN, USAGE, RIG, INTERRUPTED = 0, 1, 2, 3, 130
app = command_of(read)
Read = Callable[..., Said]


def reader(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Read:
    """Return what runs the command there: target, sample, output, further options."""
    monkeypatch.chdir(folder)

    def go(target: str, sample: str, output: str, *options: str) -> Said:
        words = ("--from", target, "--sample", sample, "-o", output, "--no-pace", *options)
        try:
            code = app(words, standalone_mode=False)
        except Problem as problem:
            said = capsys.readouterr()
            return Said(problem.code, said.out, said.err + str(problem))
        except click.Abort:  # as the library tells of Ctrl-C; `harness.cli.app` prints the line
            said = capsys.readouterr()
            return Said(INTERRUPTED, said.out, said.err)
        said = capsys.readouterr()
        return Said(code if isinstance(code, int) else 0, said.out, said.err)

    return go


def files() -> list[str]:
    return sorted(os.path.join(folder, each) for folder, _, names in os.walk(".") for each in names)


def loop_of(
    number: int, *, device_id: int, loop: int = 2, kind: int = 0, extended: bool = False
) -> bytes:
    return oracle.loop_points(
        extended=extended,
        device_id=device_id,
        sample_number=number,
        loop_number=loop,
        loop_type=kind,
        loop_start=10,
        loop_end=90,
    )
