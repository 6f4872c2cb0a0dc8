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
    said = tmp_path / "said"
    done = run(tmp_path, [ONE_FILE] * FILES, said)
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


FAILS_ONCE = """
import os
import pytest

def fails_once(name):
    path = os.environ["SAID"] + name
    was_here = os.path.exists(path)
    open(path, "w").close()
    assert was_here

@pytest.mark.port
def test_of_a_real_port():
    fails_once("port")

def test_that_computes():
    fails_once("plain")
"""


def test_a_real_port_is_tried_once_more_and_nothing_else(tmp_path: Path) -> None:
    pytest.importorskip("pytest_rerunfailures", reason="else nothing is run once more")
    done = run(tmp_path, [FAILS_ONCE], tmp_path / "said")
    assert done.returncode == 1
    assert "1 failed, 1 passed, 1 rerun" in done.stdout
    assert "RERUN tests/test_0.py::test_of_a_real_port" in done.stdout
    assert "FAILED tests/test_0.py::test_that_computes" in done.stdout


def run(tmp_path: Path, files: list[str], said: Path) -> subprocess.CompletedProcess[str]:
    """Run a suite of these files as `python -m pytest` runs ours."""
    shutil.copy(TESTS.parent / "pyproject.toml", tmp_path)
    folder = tmp_path / "tests"
    folder.mkdir()
    shutil.copy(TESTS / "conftest.py", folder)
    for number, text in enumerate(files):
        (folder / f"test_{number}.py").write_text(text)
    plain = {key: value for key, value in os.environ.items() if not key.startswith("PYTEST")}
    return subprocess.run(
        [sys.executable, "-m", "pytest"],
        cwd=tmp_path,
        env={**plain, "SAID": str(said)},
        capture_output=True,
        text=True,
        check=False,
    )
