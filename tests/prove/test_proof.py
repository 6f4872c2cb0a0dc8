"""The proof as a whole: on every emulated unit that works, and on plain memories that do not.

Long counts: `python -m tests.prove.test_proof 400` (each fault on so many memories).
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from typing import Any, cast

import numpy as np
import pytest
from msgspec.structs import replace

from dryload.emulator.unit.profile import load_profile, profile_names
from dryload.emulator.wire.sizes import words_per_packet
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.prove import proof as proof_module
from dryload.harness.prove.passes import HOLD_NS, OVERNIGHT, Act, Part, Pass, PassStep
from dryload.harness.prove.proof import Proof, ProofRequest, Proven, Verdict
from dryload.harness.prove.tested import TestedUnit, Wrote
from dryload.harness.prove.words import Values
from tests.jobs.bench import dump
from tests.prove.counting import memory_of
from tests.prove.plain_memory import LISTED, UNLISTED, Array, PlainMemory, together
from tests.prove.plain_unit import PlainUnit

HEALTHY = sorted({*profile_names()} - {"leaky-roof", "thunder-sheet"})
"""One loses bytes at its input, one sends nothing back."""
SIZE = 1 << 12


def proved(unit: PlainUnit, asked: ProofRequest | None = None) -> Proven:
    return Proof(cast(TestedUnit, unit), asked or ProofRequest()).run()


@pytest.mark.parametrize("name", HEALTHY)
def test_a_unit_whose_memory_works_is_proved_in_the_time_that_was_announced(name: str) -> None:
    profile = load_profile(name)
    memory = profile.memory  # several blocks in the first sample, as in the whole memory
    words = min(max(memory.bank_words // 64, 32 * memory.block_words), memory.bank_words)
    small = replace(profile, memory=replace(memory, bank_words=words))
    rehearsal = Rehearsal(small)
    unit = TestedUnit(rehearsal, rehearsal.line, device_id=small.unit.device_id)
    got = Proof(unit, ProofRequest()).run()

    free = rehearsal.unit.memory.total_free
    assert (got.verdict, got.faults, got.why) == (Verdict.PROVED, (), "")
    assert got.words + free == rehearsal.unit.memory.capacity
    # The places of three packets, and a word of silence.
    assert free <= (3 * 40 + 1 if got.keeps_old else 0)
    took_ns = got.total_ns - got.announced_at_ns
    assert got.announced_ns is not None
    assert abs(took_ns - got.announced_ns) < 0.03 * took_ns


def test_every_word_is_read_after_the_last_write_of_each_pass_when_it_has_lain() -> None:
    memory = memory_of(3, size=SIZE)
    unit = PlainUnit(memory)
    lain: list[float] = []
    unit.ages = lambda first, words, s: (lain.append(s), words)[1]  # type: ignore[func-returns-value]
    got = proved(unit, ProofRequest(passes=OVERNIGHT))

    numbers = [part.number for part in got.parts]
    full = [(what, number) for what, number in unit.bought if what != "look"]
    assert got.verdict is Verdict.PROVED
    assert full[-len(numbers) :] == [("read", number) for number in numbers]
    reads = [
        s for s, (what, _) in zip(lain, _read_only(unit.bought), strict=True) if what == "read"
    ]
    assert min(reads[1:]) >= HOLD_NS / 1e9 - 1e-6  # but for the early one, which is read again


def _read_only(bought: Sequence[tuple[str, int]]) -> list[tuple[str, int]]:
    return [each for each in bought if each[0] != "write"]


def at_once(each: Pass, parts: Sequence[Part]) -> Iterator[PassStep]:
    """A pass that reads each sample as soon as it is written."""
    for part in parts:
        yield PassStep(Act.WRITE, part)
        yield PassStep(Act.READ, part)


def test_two_modules_that_answer_together_would_be_missed_by_whoever_reads_at_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def unit() -> PlainUnit:
        memory = PlainMemory("in a row", banks=2, size=SIZE, start=0, seed=1)
        together(memory)
        return PlainUnit(memory)

    assert proved(unit()).verdict is Verdict.FAULT

    def fill(self: Proof, each: Pass) -> Iterator[PassStep]:
        for stage in plain_fill(self, each):
            if stage.act is Act.LOOK:
                yield PassStep(Act.READ, self._parts[-1])

    plain_fill = Proof._fill
    monkeypatch.setattr(Proof, "_filling", fill)
    monkeypatch.setattr(proof_module, "stages", at_once)
    assert proved(unit()).verdict is Verdict.PROVED


@pytest.mark.parametrize("name", sorted({*LISTED, *UNLISTED} - {"nothing"}))
def test_a_memory_with_a_fault_is_never_proved(name: str) -> None:
    put = (LISTED | UNLISTED)[name]
    for seed in range(60, 62):
        memory = memory_of(seed, size=SIZE)
        made = put(memory)
        got = proved(PlainUnit(memory))
        assert got.verdict is Verdict.FAULT, seed
        # A row or column of so small a memory is a few cells.
        answers = {*made.answers} | ({"cells"} if name in ("row", "column") else set())
        assert name in UNLISTED or got.faults[0].kind in answers, (seed, got.faults)


# Faults of time.

Ages = Callable[[PlainUnit], Callable[[int, Array, float], Array]]


def leaking(after_s: float, count: int) -> Ages:
    """Cells that become 0 when they have lain for so long."""

    def of(unit: PlainUnit) -> Callable[[int, Array, float], Array]:
        at = unit.memory.rng.choice(unit.capacity, count, replace=False)
        bit = 1 << unit.memory.rng.integers(0, unit.memory.bits, count)

        def ages(first: int, words: Array, lain_s: float) -> Array:
            inside = (at >= first) & (at < first + len(words)) & (lain_s >= after_s)
            words = words.copy()
            words[at[inside] - first] &= ~bit[inside]
            return words

        return ages

    return of


def fading_half(unit: PlainUnit) -> Callable[[int, Array, float], Array]:
    """One half that is not refreshed, and has lost all after two minutes."""

    def ages(first: int, words: Array, lain_s: float) -> Array:
        at = np.arange(first, first + len(words))
        return np.where((at >= unit.capacity // 2) & (lain_s > 120), 0, words)

    return ages


def growing(unit: PlainUnit) -> Callable[[int, Array, float], Array]:
    """More and more cells that turn over, the longer the unit is on."""
    at = unit.memory.rng.choice(unit.capacity, 1_000, replace=False)
    from_s = unit.memory.rng.uniform(0, 3_000, 1_000)

    def ages(first: int, words: Array, lain_s: float) -> Array:
        broken = from_s <= unit.line.now_ns / 1e9
        inside = (at >= first) & (at < first + len(words)) & broken
        words = words.copy()
        words[at[inside] - first] ^= 1
        return words

    return ages


TIMELY: dict[str, Ages] = {
    "one cell after 2 min": leaking(120, 1),
    "eight cells after 5 min": leaking(300, 8),
    "many cells after 2 min": leaking(120, 400),
    "half of it": fading_half,
    "growing": growing,
}


@pytest.mark.parametrize("name", TIMELY)
def test_what_fades_within_minutes_is_found_and_told_as_that(name: str) -> None:
    for seed in range(70, 72):
        unit = PlainUnit(memory_of(seed, size=SIZE))
        unit.ages = TIMELY[name](unit)
        got = proved(unit)
        assert got.verdict is Verdict.FAULT
        # What grows slowly is hardly more when it is read again.
        assert got.faults[0].kind in {"fades", *(["unknown"] if name == "growing" else [])}, seed


@pytest.mark.parametrize("kind", ["look", "read"])
def test_a_word_that_was_wrong_once_and_right_later_is_not_proved(kind: str) -> None:
    """In a look, or in the half of a split pass whose samples are then written over."""
    unit = PlainUnit(memory_of(3, size=SIZE))
    struck: list[int] = []

    def ages(first: int, words: Array, lain_s: float) -> Array:
        is_look = len(words) <= 8 * 40 and unit.writes < 6
        writes_in_pass = unit.writes % len(unit.count)
        is_split = unit.writes > 3 * len(unit.count) and writes_in_pass
        if not struck and (is_look if kind == "look" else is_split):
            struck.append(first)
            return words ^ 1
        return words

    unit.ages = ages
    got = proved(unit, ProofRequest(passes=OVERNIGHT))

    assert struck
    assert got.verdict is Verdict.FAULT


@pytest.mark.parametrize("name", ["lantern-desk", "stage-door", "call-board"])
def test_what_a_unit_held_gives_its_memory_to_the_test(name: str) -> None:
    profile = load_profile(name)
    small = replace(profile, memory=replace(profile.memory, bank_words=2_048))
    rehearsal = Rehearsal(small)
    for number in (7, 3, 12):
        held = dump([1] * 900, number=number, device_id=small.unit.device_id)
        assert rehearsal.play(held).is_well
    unit = TestedUnit(rehearsal, rehearsal.line, device_id=small.unit.device_id)
    got = Proof(unit, ProofRequest()).run()

    assert got.verdict is Verdict.PROVED
    # Where an old sample stays until a new one is whole, there are a word of each, and a few places
    # for packets.
    assert got.words >= 4_096 - (4 * 40 + 5 if got.keeps_old else 0)


@pytest.mark.parametrize("numbers", [1, 2, 5])
def test_a_unit_of_few_numbers_is_proved_whole(numbers: int) -> None:
    unit = PlainUnit(memory_of(3, size=SIZE))
    unit.numbers = tuple(range(numbers))
    got = proved(unit)

    assert (got.verdict, got.words) == (Verdict.PROVED, unit.capacity)
    assert len(got.parts) <= numbers


class Stingy(PlainUnit):
    """Takes two samples, whatever room it said there is."""

    def write(self, number: int, values: Values, *, is_new: bool = False) -> Wrote:
        if number > 1:
            return Wrote(whole=False, refused=True)
        return super().write(number, values, is_new=is_new)

    def room(self, number: int) -> int | None:
        return self.capacity if number < 2 else 0


def test_a_unit_that_takes_only_a_part_of_what_it_said_is_not_proved() -> None:
    got = proved(Stingy(memory_of(3, size=SIZE)))

    assert got.verdict is Verdict.NOT_PROVED
    assert "that it said there is room for" in got.why


def test_after_a_fault_the_words_that_were_wrong_are_named_in_the_order_of_the_test() -> None:
    memory = memory_of(3, size=SIZE)
    unit = PlainUnit(memory)

    def ages(first: int, words: Array, lain_s: float) -> Array:
        words = words.copy()
        if first <= 2_000 < first + len(words):
            words[2_000 - first] ^= 1
        return words

    unit.ages = ages
    got = proved(unit)

    assert got.faults[0].examples == (2_000,)
    assert got.sign is not None
    assert (got.sign.word, got.sign.words_wrong) == (2_000, 1)


def damaging(unit: PlainUnit, packets: int) -> None:
    """A cable that spoils packets of the first pass: most so that a checksum shows it, some not."""
    dice, per_packet = unit.memory.rng, words_per_packet(unit.width)
    unit.damaged = 4
    left = [packets]

    def spoils(first: int, words: Array) -> Array:
        if not left[0] or len(words) < 3 * per_packet or dice.random() < 0.5:
            return words
        left[0] -= 1
        words = words.copy()
        at = int(dice.integers(len(words) // per_packet)) * per_packet
        one, other = dice.choice(per_packet, 2, replace=False)
        # The same bit in the same byte of two words leaves an exclusive or as it was.
        words[[at + one, at + other]] ^= 1 << int(dice.integers(unit.memory.bits))
        return words

    unit.spoils = spoils


def test_a_cable_that_spoils_words_is_told_from_bad_cells_on_a_bad_cable() -> None:
    for seed in range(80, 83):
        unit = PlainUnit(memory_of(seed, size=SIZE))
        damaging(unit, 1 + seed % 3)
        assert (said := proved(unit)).faults[0].kind == "line", (seed, said.faults)
        assert said.verdict is Verdict.RIG

        memory = memory_of(seed, size=SIZE)
        LISTED["cells"](memory)
        unit = PlainUnit(memory)
        unit.damaged = 4
        assert proved(unit).faults[0].kind == "cells", seed


def count_cables(runs: int) -> None:
    """Count what is said of bad cables, and of bad cells on bad cables."""
    said: dict[str, Counter[str]] = {"a bad cable": Counter(), "cells at a bad cable": Counter()}
    for seed in range(runs):
        unit = PlainUnit(memory_of(200_000 + seed, size=1 << 14))
        damaging(unit, 1 + seed % 3)
        got = proved(unit)
        said["a bad cable"][got.faults[0].kind if got.faults else str(got.verdict)] += 1
        memory = memory_of(300_000 + seed, size=1 << 14)
        LISTED["cells"](memory)
        unit = PlainUnit(memory)
        unit.damaged = 4
        got = proved(unit)
        said["cells at a bad cable"][got.faults[0].kind if got.faults else str(got.verdict)] += 1
    for what, kinds in said.items():
        print(f"{what:24} {dict(kinds)}", flush=True)


def main(runs: int) -> None:
    """Count what a whole proof says."""
    count_cables(runs)
    for name, put in (LISTED | UNLISTED).items():
        said: Counter[Any] = Counter()
        for seed in range(runs):
            memory = memory_of(100_000 + seed, size=1 << 14)
            made = put(memory)
            got = proved(PlainUnit(memory))
            first = got.faults[0].kind if got.faults else str(got.verdict)
            said["right" if first in (made.answers or {"proved"}) else first] += 1
        print(f"{name:24} {dict(said)}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]))
