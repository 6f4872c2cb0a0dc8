"""How `tests/conftest.py` deals out tests: real ports in one process, a file in one process."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

import pytest

from tests.conftest import TESTS

pytest.importorskip("xdist", reason="tests run side by side with pytest-xdist alone")

ONE_FILE = """
import os
import pytest

@pytest.mark.parametrize("number", range(4))
def test_that_computes(number):
    say("plain")

@pytest.mark.port
@pytest.mark.parametrize("number", range(4))
def test_of_a_real_port(number):
    say("port")

def say(kind):
    with open(os.environ["SAID"], "a") as said:
        said.write(f"{kind} {__name__} {os.getpid()} {os.nice(0)}\\n")
"""
FILES = 6


def test_real_ports_are_in_one_process_before_everything_else_and_a_file_stays_together(
    tmp_path: Path,
) -> None:
    shutil.copy(TESTS.parent / "pyproject.toml", tmp_path)
    folder = tmp_path / "tests"
    folder.mkdir()
    shutil.copy(TESTS / "conftest.py", folder)
    for number in range(FILES):
        (folder / f"test_{number}.py").write_text(ONE_FILE)
    said = tmp_path / "said"
    plain = {key: value for key, value in os.environ.items() if not key.startswith("PYTEST")}
    done = subprocess.run(
        [sys.executable, "-m", "pytest"],
        cwd=tmp_path,
        env={**plain, "SAID": str(said)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    lines = [line.split() for line in said.read_text().splitlines()]
    assert len(lines) == FILES * 8
    of_ports = {pid for kind, _, pid, _ in lines if kind == "port"}
    assert len(of_ports) == 1
    in_lane = [(kind, int(nice)) for kind, _, pid, nice in lines if pid in of_ports]
    assert [kind for kind, _ in in_lane[: FILES * 4]] == ["port"] * FILES * 4
    others = [int(nice) for _, _, pid, nice in lines if pid not in of_ports]
    assert max(nice for kind, nice in in_lane if kind == "port") < min(others)
    processes = defaultdict(set)
    for kind, file, pid, _ in lines:
        if kind == "plain":
            processes[file].add(pid)
    assert [len(each) for each in processes.values()] == [1] * FILES
