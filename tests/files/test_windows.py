"""Names of files as Windows has them: a drive, backslashes, and a shell without single quotes."""

import ntpath
import os
import shlex
import sys
from pathlib import Path

import pytest

from dryload.harness.cli import app
from dryload.harness.cli.encode import _targets
from dryload.harness.cli.target import target_of
from dryload.harness.files import opening
from dryload.harness.files.opening import quoted
from dryload.harness.judge.finding import Answerable, Finding, Place, Verdict
from dryload.harness.report.findings import finding_lines

BELL = r"C:\Lantern Street\ship's bell.syx"
FOUND = Finding(
    clause="PKT-05",
    verdict=Verdict.BROKEN,
    message="Its checksum is wrong.",
    answerable=Answerable.FILE,
    at=Place(byte=21, packet=0),
)


def words_of(line: str) -> list[str]:
    """Return the words of a command line by the published rules of the C runtime there.

    "Parsing C command-line arguments": spaces part words outside of double quotes; a backslash is
    itself unless a double quote follows.
    """
    words, word, is_quoted = [], "", False
    for sign in line:
        if sign == '"':
            is_quoted = not is_quoted
        elif sign == " " and not is_quoted:
            words.append(word)
            word = ""
        else:
            word += sign
    return [*words, word]


@pytest.fixture
def windows(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(opening, "IS_WINDOWS", True)


@pytest.mark.usefixtures("windows")
@pytest.mark.parametrize("name", [BELL, r"C:\dumps\gulls.syx", r"..\gulls 2.syx"])
def test_a_command_that_is_shown_can_be_pasted_into_the_shell_of_windows(name: str) -> None:
    assert words_of(f"dryload validate {quoted(name)}") == ["dryload", "validate", name]
    again = finding_lines(FOUND, name)[-1].removeprefix("  See it again: ")
    assert words_of(again) == ["dryload", "explain", name, "--packet", "0"]


@pytest.mark.parametrize("name", [BELL, "ship's bell.syx", "gulls.syx"])
def test_elsewhere_it_can_be_pasted_into_a_posix_shell(name: str) -> None:
    again = finding_lines(FOUND, name)[-1].removeprefix("  See it again: ")
    assert shlex.split(again) == ["dryload", "explain", name, "--packet", "0"]


def test_sounds_on_other_drives_become_files_in_the_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sounds = [r"C:\sounds\gulls.wav", r"D:thunder.flac", r"\\desk\sounds\music box.wav"]
    folder = str(tmp_path / "dumps")
    with monkeypatch.context() as windows:
        for name in ("basename", "splitext"):
            windows.setattr(os.path, name, getattr(ntpath, name))
        made = _targets(sounds, folder, 1, overwrite=False)
    assert made == [f"{folder}/{each}.syx" for each in ("gulls", "thunder", "music box")]


@pytest.mark.parametrize("where", [r"C:\units\my unit.toml", r"\\desk\units\mine.toml"])
def test_a_unit_may_lie_on_a_drive(where: str) -> None:
    target = target_of(f"unit:{where}", option="--to")
    assert (target.kind, target.where, target.is_live) == ("unit", where, False)


@pytest.mark.parametrize("folder", ["dumps", "desk [1]"])
def test_a_pattern_becomes_file_names_and_brackets_in_names_are_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, folder: str
) -> None:
    here = tmp_path / folder
    here.mkdir()
    for name in ("gulls 1.syx", "gulls 2.syx", "gulls [2].syx", "bell.syx"):
        (here / name).touch()
    monkeypatch.setattr(app, "IS_WINDOWS", True)

    def words(*given: str) -> list[str]:
        monkeypatch.setattr(sys, "argv", ["dryload", *given])
        return app._words()

    gulls = [str(here / name) for name in ("gulls 1.syx", "gulls 2.syx", "gulls [2].syx")]
    assert words("replay", str(here / "gulls*.syx"), "--json") == ["replay", *gulls, "--json"]
    assert words("validate", gulls[2]) == ["validate", gulls[2]]  # and not number 2
    assert words("replay", str(here / "thunder*.syx")) == ["replay", str(here / "thunder*.syx")]
    assert words("--disturb", "lose packets [1]?") == ["--disturb", "lose packets [1]?"]


def test_a_pattern_on_a_drive_has_its_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def found_by(pattern: str) -> list[str]:
        asked.append(pattern)
        return ["C:\\found.syx"]

    with monkeypatch.context() as windows:
        windows.setattr(os, "path", ntpath)
        windows.setattr(ntpath, "isdir", lambda path: path == "C:\\desk [1]")
        windows.setattr(ntpath, "lexists", lambda path: False)
        windows.setattr("glob.glob", found_by)
        found = [app._matching(word) for word in (r"C:\desk [1]\*.syx", r"D:\*\bell.syx")]
    assert found == [["C:\\found.syx"]] * 2
    assert asked == [r"C:\desk [[]1]\*.syx", r"D:\*\bell.syx"]
