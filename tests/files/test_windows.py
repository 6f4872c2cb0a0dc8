"""Names of files as Windows has them: a drive, backslashes, and a shell without single quotes."""

import ntpath
import os
import shlex
from pathlib import Path

import pytest

from harness.cli.encode import _targets
from harness.cli.target import target_of
from harness.files import opening
from harness.files.opening import quoted
from harness.judge.finding import Answerable, Finding, Place, Verdict
from harness.report.findings import finding_lines

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
