"""The worksheet as a person gets it: from folders, and from a plan again."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import click
import pytest

from dryload.harness.cli.options import command_of
from dryload.harness.cli.plan import plan
from dryload.harness.files.problem import Problem
from tests import oracle
from tests.jobs.bench import words

PLAN = command_of(plan)
Planned = Callable[..., int]


@pytest.fixture
def planned(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Planned:
    """The command plan in a folder with two sounds."""
    monkeypatch.chdir(tmp_path)
    for number, name in enumerate((b"Gull A3", b"Bell"), 1):
        data = oracle.dump(
            bits=16,
            words=words(121, 16),
            sample_number=number,
            period_ns=22_676,
            loop_start=10,
            loop_end=99,
            loop_type=0,
        )
        (tmp_path / f"{number}.syx").write_bytes(
            data + oracle.sample_name(sample_number=number, name=name)
        )

    def go(*given: str) -> int:
        try:
            return int(PLAN.main(given, standalone_mode=False) or 0)
        except click.exceptions.Exit as end:
            return end.exit_code

    return go


def plain(text: str) -> str:
    """A text with one space between its words."""
    return " ".join(text.split())


def test_a_worksheet_is_written_and_written_again_from_the_plan(
    planned: Planned, tmp_path: Path
) -> None:
    given = ("--for", "stage-door", "--keys", "split", "-o", "evening.toml")
    assert planned("1.syx", "2.syx", *given, "--worksheet", "one.txt") == 0
    assert planned("evening.toml", "--worksheet", "two.txt") == 0
    one, two = ((tmp_path / name).read_text() for name in ("one.txt", "two.txt"))
    assert one == two
    assert "dryload replay evening.toml --to midi:PORT" in one
    # A3 is 57 (C4 being 60); the middle between it and 60 is 58.5.
    assert "Gull A3 A3 (57) C-1 (0) A#3 (58)" in plain(one)
    assert "Bell C4 (60) B3 (59) G9 (127)" in plain(one)
    assert "[ ] 3. Confirm each sample" in one
    assert planned("evening.toml", "--worksheet", "sheet.HTML") == 0
    assert (tmp_path / "sheet.HTML").read_text().startswith("<!doctype html>")


def test_middle_c_may_be_c3(planned: Planned, tmp_path: Path) -> None:
    given = ("--for", "lantern-desk", "--keys", "octaves", "--worksheet", "c3.txt")
    assert planned("1.syx", "2.syx", *given, "--middle-c", "C3") == 0
    said = (tmp_path / "c3.txt").read_text()
    assert "is called C3 here;" in said
    assert (
        "Gull A3  A3 (69)  F#3 (66)" not in said
    )  # its octave begins at C3, and so does the bell's
    assert "Gull A3 A3 (69) F3 (65) B3 (71)" in plain(said)
    assert "Bell C3 (60) C3 (60) E3 (64)" in plain(said)


def test_a_worksheet_has_one_of_two_endings_and_replaces_nothing(
    planned: Planned, tmp_path: Path
) -> None:
    with pytest.raises(Problem, match=r"--worksheet sheet\.pdf: give a name that ends in \.txt or"):
        planned("1.syx", "--for", "lantern-desk", "--worksheet", "sheet.pdf")
    (tmp_path / "sheet.txt").write_text("notes")
    with pytest.raises(Problem, match=r"sheet\.txt"):
        planned("1.syx", "--for", "lantern-desk", "--worksheet", "sheet.txt")
    assert (tmp_path / "sheet.txt").read_text() == "notes"
