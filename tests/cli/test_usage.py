"""A mistake in the words of a command is one line, whatever the library says of it."""

from __future__ import annotations

import sys

import pytest

from harness.cli.main import main
from harness.cli.usage import usage_line


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("replay --zzz", "there is no option --zzz. dryload replay --help tells more."),
        ("replay --numbr 3 x", "there is no option --numbr: perhaps --number is meant. dryload"),
        ("zzz", "there is no command zzz. dryload --help tells more."),
        ("valdate x", "there is no command valdate: perhaps validate is meant. dryload"),
        ("validate", "FILE is missing. dryload validate --help tells more."),
        ("diff a", "B is missing. dryload diff --help tells more."),
        ("decode a", "--output or -o is missing. dryload decode --help tells more."),
        ("diff a b c", "too many words: c. dryload diff --help tells more."),
        ("replay a --to", "--to needs a value."),
        ("replay a --json=3", "--json takes no value."),
        ("replay a --banks two", "--banks needs a whole number. dryload replay --help tells"),
        ("explain a --dump 0", "--dump must be 1 or more. dryload explain --help tells more."),
        ("explain a --bits 99", "--bits must be 28 or less. dryload explain --help tells more."),
        ("encode a -o b --header x", "--header x: there are auto, standard, extended. dryload"),
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
    assert line.endswith(" dryload replay --help tells more.")
    assert line.isprintable()
