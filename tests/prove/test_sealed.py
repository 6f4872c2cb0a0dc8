"""Memories that are at fault in ways which the decision of `prove` was not written for.

Each was fixed before the decision was written, by another hand, and tried once it was there.  A
memory holds unsigned words of 16 bits; `store` and `fetch` take the place of the first word, and
`now_s` is when it happens.

python -m tests.prove.test_sealed 40    # so many memories a family
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from dataclasses import dataclass, field
from typing import Final, cast

import numpy as np
import pytest

from dryload.harness.prove.proof import Proof, ProofRequest, Proven, Verdict
from dryload.harness.prove.tested import TestedUnit
from tests.prove.plain_memory import Array, PlainMemory
from tests.prove.plain_unit import Clock, PlainUnit


@dataclass
class Plain:
    """A memory of two modules in a row without a fault."""

    words: int
    seed: int
    cells: Array = field(init=False)
    dice: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self.dice = random.Random(self.seed)
        self.cells = np.random.default_rng(self.seed).integers(0, 1 << 16, self.words)
        self.settle()

    def settle(self) -> None:
        """Draw what the fault is like."""

    def store(self, start: int, values: Array, now_s: float) -> None:
        self.cells[start : start + len(values)] = values

    def fetch(self, start: int, count: int, now_s: float) -> Array:
        return self.cells[start : start + count].copy()

    @property
    def half(self) -> int:
        return self.words // 2

    def lines(self, count: int, least: int = 3) -> list[int]:
        """Return different address lines of one module."""
        return sorted(self.dice.sample(range(least, (self.half - 1).bit_length()), count))


@dataclass
class Decoded(Plain):
    """Words go to other cells than their own."""

    def places(self, at: Array) -> Array:
        raise NotImplementedError

    def store(self, start: int, values: Array, now_s: float) -> None:
        where = self.places(np.arange(start, start + len(values)))
        for at, value in zip(where, values, strict=True):
            self.cells[at] = value  # the later one wins

    def fetch(self, start: int, count: int, now_s: float) -> Array:
        return self.cells[self.places(np.arange(start, start + count))]


@dataclass
class ThreeLinesJoined(Decoded):
    """Three address lines of a module are joined: each is 1 only where all three are."""

    def settle(self) -> None:
        self.three, self.module = self.lines(3), self.dice.randrange(2)

    def places(self, at: Array) -> Array:
        mask = sum(1 << line for line in self.three)
        joined = np.where(at & mask == mask, at, at & ~mask)
        return np.where(at // self.half == self.module, joined, at)


@dataclass
class EveryFourthWordOnly(Plain):
    """A module answers in every fourth word only; the others read as nothing is there."""

    def settle(self) -> None:
        self.module, self.which = self.dice.randrange(2), self.dice.randrange(4)
        self.nothing = self.dice.choice([0, 0xFFFF])

    def fetch(self, start: int, count: int, now_s: float) -> Array:
        at = np.arange(start, start + count)
        dead = (at // self.half == self.module) & (at % 4 != self.which)
        return np.where(dead, self.nothing, self.cells[at])


@dataclass
class LineThatNeedsItsNeighbour(Plain):
    """A data line of a module is 1 only where its neighbour is 1 too."""

    def settle(self) -> None:
        self.module, self.line = self.dice.randrange(2), self.dice.randrange(1, 16)

    def fetch(self, start: int, count: int, now_s: float) -> Array:
        at = np.arange(start, start + count)
        got = self.cells[at]
        follows = got & ~(1 << self.line) | (got & got << 1) & 1 << self.line
        return np.where(at // self.half == self.module, follows, got)


@dataclass
class BytesSwapped(Plain):
    """A module is wired with the bytes of a word the other way round, for reading alone."""

    def settle(self) -> None:
        self.module = self.dice.randrange(2)

    def fetch(self, start: int, count: int, now_s: float) -> Array:
        at = np.arange(start, start + count)
        got = self.cells[at]
        return np.where(at // self.half == self.module, got >> 8 | got << 8 & 0xFF00, got)


@dataclass
class ForgetsAfterTwoMinutes(Plain):
    """Some cells lose their value two minutes after they were written."""

    def settle(self) -> None:
        count = self.dice.choice([8, 300, self.words // 16])
        self.weak = np.zeros(self.words, bool)
        self.weak[self.dice.sample(range(self.words), count)] = True
        self.written_s = np.full(self.words, -1e9)
        self.bit = 1 << self.dice.randrange(16)

    def store(self, start: int, values: Array, now_s: float) -> None:
        super().store(start, values, now_s)
        self.written_s[start : start + len(values)] = now_s

    def fetch(self, start: int, count: int, now_s: float) -> Array:
        at = slice(start, start + count)
        gone = self.weak[at] & (now_s - self.written_s[at] > 120)
        return np.where(gone, self.cells[at] & ~self.bit, self.cells[at])


@dataclass
class RepeatsEveryThreeTimes(Decoded):
    """The decoder repeats every 3 times 2 to the k words."""

    def settle(self) -> None:
        top = (self.words // 4).bit_length()
        self.round = 3 << self.dice.randrange(6, top - 1)

    def places(self, at: Array) -> Array:
        return at % self.round


@dataclass
class AWordLate(Plain):
    """A module gives out the word before."""

    def settle(self) -> None:
        self.module = self.dice.randrange(2)

    def fetch(self, start: int, count: int, now_s: float) -> Array:
        at = np.arange(start, start + count)
        late = self.cells[np.maximum(at - 1, 0)]
        return np.where(at // self.half == self.module, late, self.cells[at])


@dataclass
class GrowsWithTime(Plain):
    """More and more cells have a bit stuck, from a few on."""

    def settle(self) -> None:
        self.order = np.random.default_rng(self.seed + 1).permutation(self.words)
        self.rank = np.argsort(self.order)
        self.each_minute = self.dice.choice([2, 20, 200])
        self.bit = 1 << self.dice.randrange(16)
        self.high = self.dice.random() < 0.5

    def fetch(self, start: int, count: int, now_s: float) -> Array:
        at = slice(start, start + count)
        bad = self.rank[at] < 4 + self.each_minute * now_s / 60
        got = self.cells[at]
        return np.where(bad, got | self.bit if self.high else got & ~self.bit, got)


@dataclass
class FirstWriteStays(Plain):
    """A region can be written once and keeps that."""

    def settle(self) -> None:
        size = self.words >> self.dice.randrange(2, 6)
        self.begin = self.dice.randrange(self.words - size)
        self.end = self.begin + size
        self.was_written = np.zeros(self.words, bool)

    def store(self, start: int, values: Array, now_s: float) -> None:
        at = np.arange(start, start + len(values))
        keeps = (at >= self.begin) & (at < self.end) & self.was_written[at]
        self.cells[at] = np.where(keeps, self.cells[at], values)
        self.was_written[at] = True


@dataclass
class LineThatFailsBesideAnother(Decoded):
    """An address line of a module is 0 wherever another one is 1."""

    def settle(self) -> None:
        self.two, self.module = self.dice.sample(self.lines(6), 2), self.dice.randrange(2)

    def places(self, at: Array) -> Array:
        fails, other = (1 << line for line in self.two)
        bent = np.where(at & other != 0, at & ~fails, at)
        return np.where(at // self.half == self.module, bent, at)


@dataclass
class BitsTurnedRound(Plain):
    """A module gives the bits of each word turned by one place."""

    def settle(self) -> None:
        self.module = self.dice.randrange(2)

    def fetch(self, start: int, count: int, now_s: float) -> Array:
        at = np.arange(start, start + count)
        got = self.cells[at]
        turned = got << 1 & 0xFFFF | got >> 15
        return np.where(at // self.half == self.module, turned, got)


@dataclass
class WritingWearsTheNextRow(Plain):
    """Writing a row turns a bit of the row before it over, every now and then."""

    def settle(self) -> None:
        self.row = 1 << self.dice.randrange(6, 10)
        self.bit = 1 << self.dice.randrange(16)
        self.chance = self.dice.choice([0.2, 0.02])

    def store(self, start: int, values: Array, now_s: float) -> None:
        super().store(start, values, now_s)
        for row in range(start // self.row + 1, (start + len(values)) // self.row):
            if self.dice.random() < self.chance:
                before = (row - 1) * self.row
                self.cells[before + self.dice.randrange(self.row)] ^= self.bit


SAYS: Final[dict[type[Plain], set[str]]] = {
    ThreeLinesJoined: {"address lines joined"},
    EveryFourthWordOnly: {"module missing"},
    LineThatNeedsItsNeighbour: set(),
    BytesSwapped: set(),
    ForgetsAfterTwoMinutes: {"cells", "fades"},
    RepeatsEveryThreeTimes: set(),
    AWordLate: set(),
    GrowsWithTime: {"cells", "fades"},
    FirstWriteStays: {"block", "row"},
    LineThatFailsBesideAnother: {"address line"},
    BitsTurnedRound: set(),
    WritingWearsTheNextRow: {"cells", "disturbed"},
}
"""What is right to say of each, beside that it is none of the known faults."""


class Bench:
    """Such a memory as a PlainUnit has one, with the time."""

    bits = 16

    def __init__(self, memory: Plain) -> None:
        self.memory, self.words = memory, memory.words
        self.clock = Clock()
        self.told: Array = np.zeros(memory.words, np.int64)
        self.was_wrong = False

    def write(self, first: int, values: Array) -> None:
        self.told[first : first + len(values)] = values
        self.memory.store(first, values, self.clock.now_ns / 1e9)

    def read(self, first: int, count: int) -> Array:
        got = self.memory.fetch(first, count, self.clock.now_ns / 1e9)
        self.was_wrong |= bool((got != self.told[first : first + count]).any())
        return got


def proved(memory: Plain) -> tuple[Proven, bool]:
    """What a proof comes to, and whether any word it read was wrong."""
    bench = Bench(memory)
    unit = PlainUnit(cast(PlainMemory, bench))
    bench.clock = unit.line
    return Proof(cast(TestedUnit, unit), ProofRequest()).run(), bench.was_wrong


@pytest.mark.parametrize("family", SAYS)
def test_what_is_none_of_the_known_faults_is_never_proved(family: type[Plain]) -> None:
    for seed in (1, 2):
        got, was_wrong = proved(family(1 << 12, seed))
        assert (got.verdict is Verdict.FAULT) == was_wrong


def test_without_a_fault_it_is_proved() -> None:
    got, was_wrong = proved(Plain(1 << 12, 1))
    assert (got.verdict, was_wrong) == (Verdict.PROVED, False)


def main(runs: int) -> None:
    for family, right in SAYS.items():
        said: Counter[str] = Counter()
        for run in range(runs):
            got, was_wrong = proved(family(1 << 14, run * 7919 + 5))
            kind = got.faults[0].kind if got.faults else got.why or str(got.verdict)
            if not was_wrong:
                kind = f"nothing was wrong: {kind}"
            elif got.verdict is Verdict.FAULT and kind in {*right, "unknown"}:
                kind += " (right)"
            said[kind] += 1
        print(f"{family.__name__:28}", dict(said.most_common()), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]))
