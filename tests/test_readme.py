"""The README's examples are run, and what they say is what it shows."""

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"<!-- checked: (.+?) -->\n```text\n(.*?)```", README, re.DOTALL)
COMMANDS = re.findall(r"```console\n(.*?)\n```", README, re.DOTALL)


def said(arguments: list[str]) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "harness.cli.main", *arguments],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stderr == ""
    assert done.returncode in (0, 1)
    return done.stdout


@pytest.mark.parametrize(("command", "shown"), EXAMPLES, ids=[each[0] for each in EXAMPLES])
def test_an_example_says_what_the_readme_shows(command: str, shown: str) -> None:
    assert said(shlex.split(command)) == shown


def test_there_are_examples() -> None:
    assert len(EXAMPLES) == 5


def test_the_two_commands_are_one_line_each_and_end_in_the_main_job_and_the_tests() -> None:
    assert len(COMMANDS) == 2
    assert not any("\n" in command for command in COMMANDS)
    _, _, main_job = COMMANDS[0].rpartition("&& .venv/bin/dryload ")
    assert main_job == EXAMPLES[0][0]
    assert COMMANDS[1] == ".venv/bin/python -m pytest"
