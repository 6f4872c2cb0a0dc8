"""What is advised can be done: commands, options and disturbances that causes name exist."""

from __future__ import annotations

import re
from pathlib import Path

from dryload.harness.diagnose.table import TABLE
from dryload.harness.faults.reading import read_all
from tests.cli.runs import run_all

PROSE = {"waits"}
"""What dryload does, and no command of it."""


def advice() -> list[tuple[str, str, str]]:
    """Cause, command and the words that follow it, for each command that a text names."""
    found = []
    for cause in TABLE.causes:
        for text in (*cause.remedy, cause.experiment, cause.tells):
            for command, rest in re.findall(r"dryload (\w+)((?: \"[^\"]*\"|[^.;\"])*)", text):
                if command not in PROSE:
                    found.append((cause.name, command, rest.partition(" dryload ")[0]))
    return found


def options_of() -> dict[str, set[str]]:
    """The options of every command, from their own help."""
    named = {command for _, command, _ in advice()}
    helps = run_all({name: (name, "--help") for name in named}, folder=Path.cwd())
    return {name: set(re.findall(r"--[a-z-]+", ran.out)) for name, ran in helps.items()}


def test_every_command_that_a_cause_names_exists_with_its_options() -> None:
    options = options_of()
    for cause, command, rest in advice():
        assert "--help" in options[command], (cause, command)
        for option in re.findall(r"(?<=\s)--[a-z-]+", rest):
            assert option in options[command], (cause, command, option)
        if "--disturb" in rest:  # a real unit is not disturbed on purpose
            assert "midi:" not in rest, cause


def test_every_disturbance_that_a_cause_names_can_be_rehearsed() -> None:
    texts = [
        words
        for cause in TABLE.causes
        for text in (*cause.remedy, cause.experiment)
        for words in re.findall(r"--disturb \"([^\"]+)\"", text)
    ]
    assert len(texts) > 3
    for words in texts:
        read_all([words])


def test_no_text_of_a_cause_needs_a_clause_or_a_fault_number() -> None:
    for cause in TABLE.causes:
        for text in filter(None, (cause.sentence, cause.tells, *cause.remedy, cause.experiment)):
            assert not re.search(r"\b[A-Z]{3}-\d\d\b|\bT\d\d\b", text), cause.name
            assert text.rstrip('"').endswith((".", "?", ".)")) or "dryload" in text, text
            assert "  " not in text, text
