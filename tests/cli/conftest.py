"""Fixtures of this room."""

from __future__ import annotations

from pathlib import Path

import click
import pytest

from dryload.harness.files.problem import INTERRUPTED, Problem
from tests import oracle
from tests.cli.replaying import Run, Said, app, dump


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """The command in a folder with a few dumps."""
    monkeypatch.chdir(tmp_path)
    files = {
        "thunder.syx": dump(1),
        "gulls.syx": dump(2, 81) + oracle.sample_name(sample_number=2, name=b"Gulls"),
        "desk.syx": dump(3) + dump(4, 40),
        "wide.syx": dump(5, bits=24),
        "other.syx": dump(6, device_id=16),
        "short.syx": dump(7)[:-127],
        "headless.syx": dump(8)[21:],
        "late.syx": dump(9)[21:] + dump(10),
    }
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)

    def go(*arguments: str) -> Said:
        try:
            code = app(arguments, standalone_mode=False)
        except Problem as problem:
            said = capsys.readouterr()
            return Said(problem.code, said.out, said.err + str(problem))
        except click.Abort:  # as the library tells of Ctrl-C; `harness.cli.app` prints the line
            said = capsys.readouterr()
            return Said(INTERRUPTED, said.out, said.err)
        said = capsys.readouterr()
        return Said(code if isinstance(code, int) else 0, said.out, said.err)

    return go
