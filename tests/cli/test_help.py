"""What `--help` shows: one page in groups, whatever the width of the terminal."""

from __future__ import annotations

import re
import sys
from typing import Final

import pytest

from dryload.harness.cli.main import main
from dryload.harness.faults.grammar import PLACES

COMMANDS: Final = (
    *("validate", "replay", "diagnose", "read", "serve", "explain", "diff", "encode", "decode"),
    *("plan", "prove", "campaign", "profiles", "ports", "disturbances", "clauses"),
)


def page(
    command: str,
    columns: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> list[str]:
    """Return the lines of a help page in a terminal of so many columns."""
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setattr(sys, "argv", ["dryload", *command.split(), "--help"])
    with pytest.raises(SystemExit) as left:
        main()
    said = capsys.readouterr()
    assert (left.value.code, said.err) == (0, "")
    return said.out.splitlines()


@pytest.mark.parametrize("columns", [40, 60, 80, 200])
@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_a_page_fits_the_terminal_and_shows_no_type_of_python(
    command: str,
    columns: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    lines = page(command, columns, monkeypatch, capsys)
    assert lines[0].startswith(f"Usage: dryload {command}".rstrip())
    assert [line for line in lines if len(line) > columns] == []
    assert not re.search(r"[<>]|list\[|\bNone\b", "\n".join(lines))


def test_what_an_argument_is_without_being_given_is_said(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = " ".join(" ".join(page("serve", 80, monkeypatch, capsys)).split())
    assert "see dryload profiles (default lantern-desk)." in text
    assert "(default" not in " ".join(page("profiles", 80, monkeypatch, capsys))


def test_the_page_of_replay_is_one_screen_with_its_options_in_groups(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = page("replay", 80, monkeypatch, capsys)
    assert len(lines) <= 30
    headings = [line for line in lines if re.fullmatch(r"\S.*:", line)]
    assert len(headings) >= 3
    text = " ".join(lines)
    assert [phrase.form for phrase in PLACES if f" {phrase.form}," in text] == []
    assert "dryload disturbances" in text


def test_the_first_page_tells_every_command_in_a_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = page("", 80, monkeypatch, capsys)
    for command in COMMANDS:
        (row,) = [line for line in lines if re.match(rf"  {command} ", line)]
        assert row.endswith("."), row
