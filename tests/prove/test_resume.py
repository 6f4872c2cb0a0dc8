"""A proof that is cut off at any instant ends, when it goes on, with the verdict of a whole one.

At very many instants: `python -m tests.prove.test_resume 200`.
"""

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path
from typing import cast

import pytest

from dryload.harness.files.journal import Disk
from dryload.harness.files.problem import Problem
from dryload.harness.prove.passes import USUAL, Part
from dryload.harness.prove.proof import Proof, ProofRequest, Proven
from dryload.harness.prove.record import ProofRecord, SoFar
from dryload.harness.prove.tested import TestedUnit, Wrote
from dryload.harness.prove.words import Values
from tests.prove.plain_memory import LISTED, Array, PlainMemory
from tests.prove.plain_unit import PlainUnit

FAULTS = ("nothing", "data_line_stuck", "together", "address_line", "cells")
SIZE = 1 << 10


class CutError(Exception):
    """The power of the computer fails."""


class CutUnit(PlainUnit):
    """Everything ends when `left` samples or lines have been written, or samples read."""

    left = 1 << 30

    def write(self, number: int, values: Values, *, is_new: bool = False) -> Wrote:
        self.live_on()
        return super().write(number, values, is_new=is_new)

    def _read(self, part: Part, count: int) -> Values:
        self.live_on()
        return super()._read(part, count)

    def live_on(self) -> None:
        self.left -= 1
        if self.left < 0:
            raise CutError


class CutDisk(Disk):
    """A disk on which a line is cut off at a byte when the power fails."""

    def __init__(self, unit: CutUnit, dice: random.Random) -> None:
        self._unit, self._dice = unit, dice

    def append(self, path: str, content: bytes) -> None:
        try:
            self._unit.live_on()
        except CutError:
            super().append(path, content[: self._dice.randrange(len(content) + 1)])
            raise
        super().append(path, content)


def unit_with(fault: str) -> CutUnit:
    memory = PlainMemory("in a row", banks=2, size=SIZE, start=0, seed=8)
    LISTED[fault](memory)
    return CutUnit(memory)


def go(unit: CutUnit, path: Path, *, resume: bool, seed: int = 0) -> Proven:
    record = ProofRecord(str(path), CutDisk(unit, random.Random(seed)))
    try:
        so_far = record.take_up("x") if resume else None
        if so_far is None:
            record.begin("x", SoFar(passes=len(USUAL), device_id=0))
        return Proof(
            cast(TestedUnit, unit), ProofRequest(), record=record.enter, so_far=so_far
        ).run()
    finally:
        record.close()


def check(fault: str, instants: list[int], seed: int, folder: Path) -> None:
    whole = go(unit_with(fault), folder / "whole", resume=False)
    unit, path = unit_with(fault), folder / "cut"
    for turn, left in enumerate([*instants, 1 << 30]):
        unit.left = left
        try:
            got = go(unit, path, resume=path.exists(), seed=seed + turn)
        except CutError:
            continue
        assert got.verdict == whole.verdict, (fault, instants, seed)
        assert [each.kind for each in got.faults] == [each.kind for each in whole.faults]
        if got.verdict == "proved":
            assert (got.words, got.passes) == (whole.words, whole.passes)
        return


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("seed", range(3))
def test_cut_off_at_any_instant_it_goes_on_to_the_same_verdict(
    fault: str, seed: int, tmp_path: Path
) -> None:
    dice = random.Random(seed)
    instants = [dice.randrange(45) for _ in range(dice.randrange(1, 4))]
    check(fault, instants, seed, tmp_path)


def test_a_unit_that_lost_its_memory_meanwhile_is_begun_anew(tmp_path: Path) -> None:
    unit, path = unit_with("nothing"), tmp_path / "cut"
    unit.left = 25
    with pytest.raises(CutError):
        go(unit, path, resume=False)
    unit.left = 1 << 30
    unit.memory.cells[:] = 0
    got = go(unit, path, resume=True)

    assert "switched off" in got.began_anew
    assert got.verdict == "proved"
    assert got.words == unit.capacity


def test_words_that_were_spoilt_meanwhile_are_found(tmp_path: Path) -> None:
    unit, path = unit_with("nothing"), tmp_path / "cut"
    unit.left = 25
    with pytest.raises(CutError):
        go(unit, path, resume=False)
    unit.left = 1 << 30

    def ages(first: int, words: Array, lain_s: float) -> Array:
        words = words.copy()
        if first <= 1_900 < first + len(words):
            words[1_900 - first] ^= 1
        return words

    unit.ages = ages
    assert go(unit, path, resume=True).faults[0].examples == (1_900,)


def test_a_file_of_something_else_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "letter"
    path.write_text("Dear Sir\n")
    with pytest.raises(Problem, match="left alone"):
        go(unit_with("nothing"), path, resume=False)
    with pytest.raises(Problem, match="no record"):
        go(unit_with("nothing"), path, resume=True)
    assert path.read_text() == "Dear Sir\n"


@pytest.mark.parametrize(
    "spoilt",
    [
        b'"passes": "two"',
        b'"unit": {"kept": 16}',
        b'"part": {"number": -1}',
        b'"part": 7',
        b'"part": {"number": 0, "start": 5, "words": 9}',
        b'"unit": {"kept": 99, "width": 16, "capacity": 9, "keeps_old": false, "numbers": [0]}',
        b'"written": "x"',
        b'"right": []',
    ],
)
def test_a_record_that_makes_no_sense_is_told_and_no_traceback(
    tmp_path: Path, spoilt: bytes
) -> None:
    path = tmp_path / "record"
    head = b'{"schema": "dryload/prove-journal/1", "target": "x", "passes": 2, "device_id": 0}\n'
    line = b"{" + spoilt + b"}\n"
    path.write_bytes(head.replace(b'"passes": 2', spoilt) if b"passes" in spoilt else head + line)
    with pytest.raises(Problem, match="makes no sense"):
        go(unit_with("nothing"), path, resume=True)


@pytest.mark.parametrize(("last", "is_begun"), [("", True), ('{"full": true}', False)])
def test_nothing_is_built_on_samples_that_were_being_written_once_more(
    tmp_path: Path, last: str, is_begun: bool
) -> None:
    unit, path = unit_with("nothing"), tmp_path / "cut"
    go(unit, path, resume=False)
    head, nothing, known, part, *_ = path.read_text().splitlines()
    path.write_text("\n".join([head, nothing, known, part, '{"again": 1}', last, ""]))
    got = go(unit, path, resume=True)

    assert ("written once more" in got.began_anew) is is_begun


def test_what_was_asked_for_is_known_when_it_goes_on(tmp_path: Path) -> None:
    asked = SoFar(passes=5, device_id=7, keep="/desk", bits=12, words=9_000)
    record = ProofRecord(str(tmp_path / "x"))
    record.begin("y", asked)
    record.enter({"unit": None})

    assert record.take_up("y") == asked
    record.close()


def test_two_proofs_do_not_write_one_record(tmp_path: Path) -> None:
    held = ProofRecord(str(tmp_path / "x"))
    with pytest.raises(Problem, match="another proof"):
        ProofRecord(str(tmp_path / "x"))
    held.close()


def main(count: int) -> None:
    """Cut off at so many instants."""
    for seed in range(count):
        dice = random.Random(1_000 + seed)
        instants = [dice.randrange(60) for _ in range(dice.randrange(1, 5))]
        with tempfile.TemporaryDirectory() as folder:
            check(dice.choice(FAULTS), instants, seed, Path(folder))
    print(f"{count} proofs that were cut off ended like whole ones.")


if __name__ == "__main__":
    main(int(sys.argv[1]))
