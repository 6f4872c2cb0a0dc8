"""Ctrl-C while the command line is still being loaded: one line, whatever is being imported."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.diagnosing import INTERRUPTED
from tests.cli.runs import environment

_TRAPPED = """
import os, runpy, signal, sys

class Trap:
    seen = []

    def find_spec(self, name, path=None, target=None):
        if not self.seen and name != "dryload.harness.cli.app":
            return  # the interpreter is still on its way to the first line of the command
        self.seen.append(name)
        if len(self.seen) == at:
            os.kill(os.getpid(), signal.SIGINT)

at = int(sys.argv.pop(1))
sys.argv[0] = "dryload"
sys.meta_path.insert(0, Trap())
try:
    runpy.run_module("dryload.harness.cli.main", run_name="__main__", alter_sys=True)
finally:
    if not at:
        print(len(Trap.seen), file=sys.stderr)
"""
"""Presses Ctrl-C at the moment at which the module of this number is looked for, 0 being none."""


def _stopped_at(number: int, *words: str, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", _TRAPPED, str(number), *words],
        cwd=folder,
        env=environment(),
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    "words", [("validate", "none.syx"), ("decode", "none.syx", "-o", "none.wav")]
)
def test_ctrl_c_at_any_import_is_one_line(tmp_path: Path, words: tuple[str, ...]) -> None:
    count = int(_stopped_at(0, *words, folder=tmp_path).stderr.splitlines()[-1])
    assert count > 100

    for number in (1, 2, *range(5, count, count // 10)):
        ran = _stopped_at(number, *words, folder=tmp_path)

        assert (ran.returncode, ran.stdout) == (INTERRUPTED, ""), number
        assert ran.stderr == "dryload: stopped by you.\n", number
