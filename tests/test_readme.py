"""The README's examples are run, and what they say is what it shows."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.examples import Example, examples_in

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
EXAMPLES = examples_in(ROOT / "README.md")
COMMANDS = re.findall(r"```console\n(.*?)\n```", README, re.DOTALL)


@pytest.mark.parametrize("example", EXAMPLES, ids=[each.words for each in EXAMPLES])
def test_an_example_says_what_the_readme_shows(example: Example) -> None:
    assert example.said() == example.shown


def test_there_are_examples() -> None:
    assert len(EXAMPLES) == 9


def test_the_two_commands_are_one_line_each_and_end_in_the_main_job_and_the_tests() -> None:
    first, second = COMMANDS[:2]
    assert "\n" not in first + second
    _, _, main_job = first.rpartition("&& .venv/bin/dryload ")
    assert main_job == EXAMPLES[0].words
    assert second == ".venv/bin/python -m pytest"


def test_what_is_said_of_the_source_is_so() -> None:
    (command,) = (each for each in COMMANDS if each.startswith("dryload diagnose"))
    words, shown = command.removeprefix("dryload "), ""
    said = Example(words=words, shown=shown, columns=None).said()
    assert "in a way that leaves the checksum as it was" in said
    assert "packet 20" in said.lower()


def test_the_two_terminals_do_what_they_say(tmp_path: Path) -> None:
    _, serve, replay = (command.split() for command in COMMANDS[2:5])
    assert (serve[:2], replay[:2]) == (["dryload", "serve"], ["dryload", "replay"])
    assert serve[serve.index("--tcp") + 1] == replay[replay.index("--to") + 1].removeprefix("tcp:")
    serve[serve.index("--tcp") + 1] = "127.0.0.1:0"  # another program may have the one it names
    image = serve[serve.index("--image") + 1]
    serve[serve.index(image)] = str(tmp_path / image)
    python = [sys.executable, "-m", "dryload.harness.cli.main"]
    with subprocess.Popen(
        [*python, *serve[1:]], cwd=ROOT, stdout=subprocess.PIPE, text=True
    ) as unit:
        try:
            assert unit.stdout is not None
            replay[replay.index("--to") + 1] = json.loads(unit.stdout.readline())["port"]
            done = subprocess.run(
                [*python, *replay[1:]], cwd=ROOT, capture_output=True, text=True, check=False
            )
        finally:
            unit.terminate()
    assert done.returncode == 0, done.stderr
    assert "Loaded and verified" in done.stdout
    assert (tmp_path / image).exists()
