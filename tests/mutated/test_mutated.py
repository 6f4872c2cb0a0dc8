"""Spoilt inputs, a few of them; `python -m tests.mutated` has very many."""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.mutated.__main__ import mutated, pairs
from tests.mutated.feed import MOST_BYTES, command, feed, in_folder
from tests.mutated.seeds import DEMO, beside, kinds

RUNS = 400
SEEDS = range(4)


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    here = Path.cwd()
    in_folder(tmp_path, beside())
    yield tmp_path
    os.chdir(here)


@pytest.mark.parametrize("seed", SEEDS)
def test_spoilt_inputs_get_their_answer_and_nothing_rude(folder: Path, seed: int) -> None:
    every = kinds()
    codes = set()
    for number in range(RUNS):
        what, work = mutated(seed, number, every, folder)
        fed = feed(work)
        assert not fed.faults, f"seed {seed}, {what}: {fed.faults}"
        codes.add(fed.code)
    assert codes == {0, 1, 2}  # it is not all refused


@pytest.mark.parametrize("capture", sorted(path.name for path in DEMO.glob("transfers/*.jsonl")))
def test_every_capture_of_the_demo_is_diagnosed_against_every_broken_dump(
    folder: Path, capture: str
) -> None:
    mine = [each for each in pairs() if capture in each[0] and "broken/" in each[0]]
    assert len(mine) == len(list((DEMO / "broken").iterdir()))
    for what, work in mine:
        fed = feed(work)
        assert not fed.faults, f"{what}: {fed.faults}"


def _printing() -> int:
    print("Traceback (most recent call last):", file=sys.stderr)
    return 1


def _library() -> int:
    os.write(2, b"Note: from below\n")
    return 0


def _warning() -> int:
    warnings.warn("divided by zero", RuntimeWarning, stacklevel=1)
    return 0


def _hungry() -> int:
    return len(bytearray(MOST_BYTES + (1 << 20))) * 0


def _endless() -> int:
    while True:
        pass


@pytest.mark.parametrize(
    ("work", "said"),
    [
        (lambda: int("a"), "ValueError"),
        (lambda: sys.exit(7), "SystemExit"),
        (lambda: 4, "exit code 4"),
        (_printing, "Traceback"),
        (_library, "from below"),
        (_warning, "divided by zero"),
        (_hungry, "MB"),
    ],
)
def test_a_fault_is_seen(work: Callable[[], int], said: str) -> None:
    fed = feed(work)
    assert len(fed.faults) == 1
    assert said in fed.faults[0]


def test_what_never_ends_is_broken_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.mutated.feed.MOST_S", 0.05)
    assert "more than" in feed(_endless).faults[0]


def test_what_is_as_it_should_be_is_no_fault() -> None:
    fed = feed(lambda: 1)
    assert (fed.faults, fed.code) == ((), 1)
    assert fed.seconds < 1
    assert fed.grown < 1 << 20


def test_very_many_loose_pieces_behind_a_torn_packet_take_no_square_of_time(folder: Path) -> None:
    whole = (DEMO / "good" / "thunder-crack.syx").read_bytes()
    (folder / "torn.syx").write_bytes(whole[:81] + b"\xf7" * 100_000)
    fed = feed(command("diagnose", "torn.syx"))
    assert not fed.faults
