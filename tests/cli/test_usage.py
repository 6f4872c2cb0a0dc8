"""A mistake in the words of a command is one line, whatever the library says of it."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from dryload.harness.cli.main import main
from dryload.harness.cli.usage import usage_line
from tests.cli.runs import ROOT, environment


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("replay --zzz", "there is no option --zzz. See dryload replay --help."),
        ("replay --numbr 3 x", "there is no option --numbr. Did you mean --number? See dryload"),
        ("zzz", "there is no command zzz. See dryload --help."),
        ("valdate x", "there is no command valdate. Did you mean validate? See dryload"),
        ("relpay x", "there is no command relpay. Did you mean replay? See dryload"),
        ("help relpay", "there is no command relpay. Did you mean replay? See dryload"),
        ("help replay read", "too many words: read. See dryload help --help."),
        ("validate", "FILE is missing. See dryload validate --help."),
        ("diff a", "B is missing. See dryload diff --help."),
        ("decode a", "--output or -o is missing. See dryload decode --help."),
        ("diff a b c", "too many words: c. See dryload diff --help."),
        ("replay a --to", "--to needs a value. See dryload replay --help."),
        ("replay a --json=3", "--json takes no value. See dryload replay --help."),
        ("replay a --banks two", "--banks needs a whole number. See dryload replay"),
        ("explain a --dump 0", "--dump must be 1 or more. See dryload explain --help."),
        ("explain a --bits 99", "--bits must be 8 to 28. See dryload explain --help."),
        ("encode a -o b --header x", "--header x: there are auto, standard, extended. See dryload"),
        ("replay a --number 3 --number 4", "--number is given 2 times. See dryload"),
        ("read --from tcp:a:1 -o x --sample 1 --output y", "--output or -o is given 2 times."),
    ],
)
def test_one_line_in_plain_words(
    words: str, said: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["dryload", *words.split()])
    with pytest.raises(SystemExit) as left:
        main()
    found = capsys.readouterr()
    assert (left.value.code, found.out) == (2, "")
    (line,) = found.err.splitlines()
    assert line.startswith(f"dryload: {said}")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("thunder.syx", "thunder.syx is a file: give a command first, as in dryload"),
        ("folder", "folder is a folder: give a command first, as in dryload replay"),
        ("replay.syx", "there is no command replay.syx. Did you mean replay? See dryload"),
    ],
)
def test_a_file_where_a_command_belongs_is_told_from_a_slip(
    words: str,
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (tmp_path / "thunder.syx").write_bytes(b"")
    (tmp_path / "folder").mkdir()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "argv", ["dryload", words])
    with pytest.raises(SystemExit) as left:
        main()
    assert left.value.code == 2
    assert capsys.readouterr().err.startswith(f"dryload: {said}")


def test_what_may_be_given_again_is_taken_again(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["dryload", "replay", "no-such.syx", "--disturb", "unplug the cable at 1 s"]
    monkeypatch.setattr(sys, "argv", [*words, "--disturb", "lose every 5th reply"])
    with pytest.raises(SystemExit):
        main()
    assert "no-such.syx" in capsys.readouterr().err  # the words were in order


@pytest.mark.parametrize("way", [("-m", "dryload"), ("-m", "dryload.harness.cli.main")])
def test_the_version_is_that_of_the_distribution(way: tuple[str, str], tmp_path: Path) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    done = subprocess.run(
        [sys.executable, *way, "--version"],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env=environment(),
        check=True,
    )
    assert (done.stdout, done.stderr) == (f"dryload {project['version']}\n", "")


@pytest.mark.parametrize("command", ["replay", "validate", "clauses"])
def test_help_as_a_command_is_the_page_of_that_command(
    command: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pages = []
    for words in (["help", command], [command, "--help"]):
        monkeypatch.setattr(sys, "argv", ["dryload", *words])
        with pytest.raises(SystemExit) as left:
            main()
        assert left.value.code == 0
        pages.append(capsys.readouterr().out)
    assert pages[0] == pages[1]
    assert pages[0].startswith(f"Usage: dryload {command} ")


def test_help_alone_is_the_first_page(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["dryload", "help"])
    with pytest.raises(SystemExit) as left:
        main()
    said = capsys.readouterr()
    assert (left.value.code, said.err) == (0, "")
    assert said.out.startswith("Usage: dryload COMMAND")
    assert "  help " not in said.out  # nobody needs it who reads this


@pytest.mark.parametrize(
    ("message", "said"),
    [
        # as earlier versions of the library put it
        ("No such option: --zzz Did you mean --to?", "there is no option --zzz."),
        ("Invalid value for '--banks': 'two' is not a valid integer.", "--banks needs a whole"),
        ("Got unexpected extra arguments (c d)", "too many words: c d."),
        # something new goes through as it is, in one line and without control signs
        ("The moon\nis \x1b[31mfull.", "The moon is \\x1b[31mfull."),
    ],
)
def test_other_versions_of_the_library(message: str, said: str) -> None:
    line = usage_line(message, "dryload replay", [])
    assert line.startswith(said)
    assert line.endswith(" See dryload replay --help.")
    assert line.isprintable()
