"""A served unit that is killed at whatever instant: its image holds the old sample or the new one.

A battery-backed memory must survive a power cut; that it holds whole samples is common practice.
"""

from __future__ import annotations

import json
import random
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.cli.killing import KEPT, REPLACED, WORDS, words_of
from tests.cli.runs import ROOT, environment
from tests.cli.serving import Unit, dump, serving

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="nobody is killed by signal there")
PATIENCE_S = 300


def test_200_kills_leave_the_old_sample_or_the_new_one(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.cli.killing", str(tmp_path), "200", "7"],
        cwd=ROOT,
        env=environment(),
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    # The instants were the dangerous ones: before, in and after the writing of the new sample.
    assert found.pop("drafts left") > 10
    assert sum(found.values()) == 200
    assert found["old, in the dump"] > 30
    assert found["old, while writing"] + found["old, after the dump"] > 10
    # How many are new sooner than that depends on how quick the computer is.
    assert found["new, when written"] > 30


def test_kills_of_the_command_itself(tmp_path: Path) -> None:
    image = tmp_path / "desk.image"
    rng = random.Random(3)
    with serving(tmp_path, "--no-pace", "--image", image.name) as unit:
        for number, count in (*((n, min(c, 500)) for n, c in KEPT.items()), (REPLACED, WORDS)):
            unit.load(dump(number - 1, words_of(number, count)))
        unit.quit()
    others = {number: min(count, 500) for number, count in KEPT.items()}
    held = words_of(REPLACED, WORDS)
    news = 0
    for round_number in range(10):
        new = words_of(1_000 + round_number, WORDS)
        with serving(tmp_path, "--no-pace", "--image", image.name) as unit:
            assert {each["slot"]: each["words"] for each in unit.ready["samples"]} == {
                **others,
                REPLACED: WORDS,
            }
            kill(unit, dump(REPLACED - 1, new), rng)
        with serving(tmp_path, "--no-pace", "--image", image.name) as unit:
            after = unit.read_back(REPLACED - 1)
            for number, count in others.items():
                assert unit.read_back(number - 1) == words_of(number, min(count, 500))
            unit.quit()
        assert after in (held, new)
        news += after == new
        held = after
    assert 0 < news < 10


def kill(unit: Unit, data: list[bytes], rng: random.Random) -> None:
    """Kill at a random message of a dump, or soon after its end."""
    last = rng.choice((rng.randrange(1, len(data)), len(data)))
    with socket.create_connection(unit.address) as peer:
        peer.settimeout(20)
        for message in data[:last]:
            peer.sendall(message)
            assert peer.recv(64)
        time.sleep(rng.random() * 0.2)
        unit.process.send_signal(signal.SIGKILL)
        unit.process.wait(20)
