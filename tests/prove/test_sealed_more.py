"""Twelve more memories at fault, by somebody who has not seen the decision of `prove`.

Five have faults that everybody knows, in boards that are laid out otherwise than usual; seven have
faults that are on no list.  Each family and what may be said of it was fixed before its first run.
The other twelve of the set stay closed.

A board has modules of unequal size, or banks in turn; its words may lie in falling order, begin at
an odd place, and stand in the chips inverted, turned round or with another sign.  A memory holds
chip words in the order of its modules; `write` and `read` take the addresses of one transfer, in
the order in which they are used, and what happens there is the fault.

python -m tests.prove.test_sealed_more 40 5    # so many memories a family, and examples
python -m tests.prove.test_sealed_more healthy 300
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from collections.abc import Iterable
from typing import Any, ClassVar, Final, NamedTuple, TypeAlias, cast

import numpy as np
import pytest

from dryload.harness.prove.decide import NamedFault
from dryload.harness.prove.proof import Proof, ProofRequest, Proven, Verdict
from dryload.harness.prove.tested import TestedUnit
from tests.prove.plain_memory import Array, PlainMemory
from tests.prove.plain_unit import Clock, PlainUnit

Flags: TypeAlias = np.ndarray[Any, np.dtype[np.bool_]]

UNEQUAL: Final = ((4, 2, 2), (2, 4, 2), (2, 2, 4), (1, 1, 2, 4), (4, 1, 1, 2), (4, 2))
"""Modules in eighths of the memory."""
SIZES: Final = (1 << 16, 1 << 16, 1 << 14, 1 << 17)
"""Words of the memories that are counted, in turn."""


class Granted(NamedTuple):
    """What a name has to say to be right in all of it; None: that is not asked for."""

    lines: frozenset[int] | None = None
    level: int | None = None
    apart: frozenset[int] | None = None
    """How many words lie between two that are the same memory."""


class OddBoard:
    """How test words come to the modules, and their bits to the chips; all of it is drawn."""

    arrangements: tuple[str, ...] = ("halves", "unequal", "2 in turns", "3 in turns", "4 in turns")
    codings: tuple[str, ...] = (
        "plain",
        "sign turned",
        "inverted",
        "bytes swapped",
        "bits reversed",
    )
    widths: tuple[int, ...] = (12, 16, 16, 20, 24)
    reverses: tuple[bool, ...] = (False, True)

    def draw(self, dice: random.Random, size: int) -> None:
        self.bits = bits = dice.choice(self.widths)
        arrangement = dice.choice(self.arrangements)
        self.coding = dice.choice(self.codings)
        self.is_reversed = dice.choice(self.reverses)
        self.start = dice.randrange(1, size // 16, 2)
        self.ways = 1
        if arrangement == "halves":
            self.sizes = [size // 2] * 2
        elif arrangement == "unequal":
            self.sizes = [size // 8 * eighths for eighths in dice.choice(UNEQUAL)]
        else:
            self.ways = int(arrangement[0])
            self.sizes = [size // (2 if self.ways == 2 else 4)] * self.ways
        self.begins = [sum(self.sizes[:module]) for module in range(len(self.sizes))]
        self.total = sum(self.sizes)
        self.words = self.total - self.start
        self.turn = list(range(bits))  # the bit of the chips where each bit of a word stands
        if self.coding == "bits reversed":
            self.turn.reverse()
        elif self.coding == "bytes swapped":
            self.turn = [(bit + (8 if bits > 12 else 6)) % bits for bit in range(bits)]
        self.flip = {"sign turned": 1 << (bits - 1), "inverted": (1 << bits) - 1}.get(
            self.coding, 0
        )

    def address(self, at: Array) -> Array:
        """Return where words lie that are the `at`-th of the memory."""
        at = self.total - 1 - at if self.is_reversed else at
        if self.ways == 1:
            return at
        return at % self.ways * self.sizes[0] + at // self.ways

    def coded(self, words: Array) -> Array:
        if self.turn == list(range(self.bits)):
            return words ^ self.flip
        chips = np.zeros_like(words)
        for bit, to in enumerate(self.turn):
            chips |= (words >> bit & 1) << to
        return chips ^ self.flip

    def decoded(self, chips: Array) -> Array:
        chips = chips ^ self.flip
        if self.turn == list(range(self.bits)):
            return chips
        words = np.zeros_like(chips)
        for bit, to in enumerate(self.turn):
            words |= (chips >> to & 1) << bit
        return words

    def wire(self, chip_lines: Iterable[int]) -> frozenset[int]:
        """Return the bits of a word that stand at these lines of the chips."""
        return frozenset(self.turn.index(line) for line in chip_lines)


class OddMemory(OddBoard):
    """A board without a fault: `cells` are its chip words, module after module."""

    is_known: ClassVar[bool] = False

    def __init__(self, size: int, seed: int) -> None:
        self.dice = random.Random(seed)
        self.rng = np.random.default_rng(seed)
        self.draw(self.dice, size)
        self.cells: Array = self.rng.integers(0, 1 << self.bits, self.total)
        self.module = self.dice.randrange(len(self.sizes))
        self.begin, self.size = self.begins[self.module], self.sizes[self.module]
        self.module_bits = (self.size - 1).bit_length()
        self.settle()

    def settle(self) -> None:
        """Draw what the fault is like; `module` is the one that has it."""

    def right(self) -> dict[str, Granted]:
        """Return the names that are right, beside "unknown" for what is on no list."""
        return {}

    def write(self, at: Array, chips: Array, now_s: float) -> None:
        self.cells[at] = chips

    def read(self, at: Array, now_s: float) -> Array:
        return self.cells[at]

    def inside(self, at: Array) -> Flags:
        """Return which of these addresses are in the module with the fault."""
        return (at >= self.begin) & (at < self.begin + self.size)

    def store(self, first: int, words: Array, now_s: float) -> None:
        self.write(self.address(self.sequence(first, len(words))), self.coded(words), now_s)

    def fetch(self, first: int, count: int, now_s: float) -> Array:
        return self.decoded(self.read(self.address(self.sequence(first, count)), now_s))

    def sequence(self, first: int, count: int) -> Array:
        return np.arange(self.start + first, self.start + first + count)


# faults that everybody knows


class JoinedLinesOfWideWords(OddMemory):
    """2. Two data lines of one module are joined, below words of 20 or 24 bits."""

    is_known = True
    widths = (20, 24)

    def settle(self) -> None:
        self.lines = self.dice.sample(range(self.bits), 2)
        self.both_fall = self.dice.random() < 0.5

    def right(self) -> dict[str, Granted]:
        lines = Granted(lines=self.wire(self.lines))
        # With one of them inverted they never read the same, so the general name is right as well.
        if sum(self.flip >> line & 1 for line in self.lines) == 1:
            return {"data lines joined": lines, "data lines": lines}
        return {"data lines joined": lines}

    def write(self, at: Array, chips: Array, now_s: float) -> None:
        a, b = (chips >> line & 1 for line in self.lines)
        level = a & b if self.both_fall else a | b
        mask = sum(1 << line for line in self.lines)
        self.cells[at] = np.where(self.inside(at), chips & ~mask | level * mask, chips)


class EmptySocketAmongUnequal(OddMemory):
    """4. A module is not there; the bus reads ones, zeros, what it carried last, or the address."""

    is_known = True
    arrangements = ("unequal", "3 in turns", "4 in turns")

    def settle(self) -> None:
        self.reads = self.dice.choice(("ones", "zeros", "the last word", "the address"))

    def right(self) -> dict[str, Granted]:
        return {"module missing": Granted()}

    def read(self, at: Array, now_s: float) -> Array:
        chips, is_empty = self.cells[at], self.inside(at)
        if self.reads == "the last word":
            last = np.maximum.accumulate(np.where(is_empty, -1, np.arange(len(at))))
            return np.where(last < 0, 0, chips[last])
        ones = (1 << self.bits) - 1
        bus = at & ones if self.reads == "the address" else {"ones": ones, "zeros": 0}[self.reads]
        return np.where(is_empty, bus, chips)


class ChipOfScatteredBits(OddMemory):
    """20. A chip of four bits that stand far apart in the word is dead."""

    is_known = True

    def settle(self) -> None:
        chips = self.bits // 4
        chip = self.dice.randrange(chips)
        self.mask = sum(1 << (chip + nibble * chips) for nibble in range(4))
        self.reads = self.dice.choice(("zeros", "ones", "what was there", "anything"))

    def right(self) -> dict[str, Granted]:
        lines = Granted(lines=self.wire(bit for bit in range(self.bits) if self.mask >> bit & 1))
        return {"chip": lines, "data lines": lines}

    def write(self, at: Array, chips: Array, now_s: float) -> None:
        kept = np.where(self.inside(at), self.mask, 0)
        self.cells[at] = chips & ~kept | self.cells[at] & kept

    def read(self, at: Array, now_s: float) -> Array:
        chips, dead = self.cells[at], np.where(self.inside(at), self.mask, 0)
        if self.reads == "what was there":
            return chips
        bus: Array = np.full(len(at), -1 if self.reads == "ones" else 0)
        if self.reads == "anything":
            bus = self.rng.integers(0, 1 << self.bits, len(at))
        return chips & ~dead | bus & dead


class StuckLineInTurnedChips(OddMemory):
    """22. A data line of one module is stuck; the chips hold words inverted or turned round."""

    is_known = True
    codings = OddBoard.codings[1:]
    reverses = (True,)

    def settle(self) -> None:
        self.line, self.level = self.dice.randrange(self.bits), self.dice.randrange(2)

    def right(self) -> dict[str, Granted]:
        level = self.level ^ (self.flip >> self.line & 1)
        return {"data line stuck": Granted(lines=self.wire([self.line]), level=level)}

    def read(self, at: Array, now_s: float) -> Array:
        chips, bit = self.cells[at], 1 << self.line
        return np.where(self.inside(at), chips & ~bit | self.level * bit, chips)


class AddressLineCountedBackwards(OddMemory):
    """24. An address line of a module among unequal ones is stuck; the unit fills from the end."""

    is_known = True
    arrangements = ("unequal",)
    reverses = (True,)

    def settle(self) -> None:
        self.line, self.level = self.dice.randrange(2, self.module_bits), self.dice.randrange(2)

    def right(self) -> dict[str, Granted]:
        apart = Granted(apart=frozenset({1 << self.line}))
        if self.line == self.module_bits - 1:
            return {"address line": apart, "half the size": apart}
        return {"address line": apart}

    def decode(self, at: Array) -> Array:
        bit = 1 << self.line
        reached = ((at - self.begin) & ~bit | self.level * bit) + self.begin
        return np.where(self.inside(at), reached, at)

    def write(self, at: Array, chips: Array, now_s: float) -> None:
        self.cells[self.decode(at)] = chips

    def read(self, at: Array, now_s: float) -> Array:
        return self.cells[self.decode(at)]


# faults that are on no list


class CheckChipsGone(OddMemory):
    """6. Two check chips of a corrected module read zeros, so that good words are "corrected".

    A bit is inverted where both checks should have been 1.  Nothing else is right to say: the line
    of that bit is good.
    """

    def settle(self) -> None:
        self.bit = self.dice.randrange(self.bits)
        self.checks = [
            1 << self.bit | sum(1 << b for b in self.dice.sample(range(self.bits), self.bits // 2))
            for _ in range(2)
        ]

    def read(self, at: Array, now_s: float) -> Array:
        chips = self.cells[at]
        first, second = (parity(chips & check) for check in self.checks)
        return np.where(self.inside(at), chips ^ ((first & second) << self.bit), chips)


class PageLatchLate(OddMemory):
    """8. The page latch is late in a write: the first words of a page go to the one before.

    Nothing else is right to say.
    """

    def settle(self) -> None:
        self.page_bits = self.dice.randrange(10, 13)
        self.late = self.dice.randrange(3, 41)

    def store(self, first: int, words: Array, now_s: float) -> None:
        at = self.sequence(first, len(words))
        page, order = at >> self.page_bits, np.arange(len(at))
        changes = np.concatenate([[False], page[1:] != page[:-1]])
        changed = np.maximum.accumulate(np.where(changes, order, -1))
        is_late = (changed >= 0) & (order - changed < self.late)
        reached = at - np.where(is_late, 1 << self.page_bits, 0)
        self.write(self.address(reached), self.coded(words), now_s)


class BufferKeepsTheLastLine(OddMemory):
    """10. A write buffer of one line is dropped by a read before it has reached the memory.

    Nothing else is right to say.
    """

    def settle(self) -> None:
        self.line_bits = self.dice.randrange(2, 6)
        self.buffer: tuple[Array, Array] | None = None

    def write(self, at: Array, chips: Array, now_s: float) -> None:
        if self.buffer is not None:
            self.cells[self.buffer[0]] = self.buffer[1]
        is_last = at >> self.line_bits == at[-1] >> self.line_bits
        self.cells[at[~is_last]] = chips[~is_last]
        self.buffer = at[is_last], chips[is_last]

    def read(self, at: Array, now_s: float) -> Array:
        self.buffer = None
        return self.cells[at]


class SignAndMagnitude(OddMemory):
    """12. A converter on the way has a sign and a magnitude: the lowest value is not there.

    "cells" is right as well: a few words, each with one bit.
    """

    widths = (12,)
    codings = ("plain",)

    def right(self) -> dict[str, Granted]:
        return {"cells": Granted()}

    def write(self, at: Array, chips: Array, now_s: float) -> None:
        self.cells[at] = np.maximum(chips, 1)


class HalfTheRowsUnrefreshed(OddMemory):
    """14. A stage of a module's refresh counter is dead: half of the rows live by being used.

    "fades" is right as well.
    """

    def settle(self) -> None:
        self.row_bits = self.dice.randrange(5, 8)
        self.row_from = self.dice.choice((0, self.module_bits - self.row_bits))
        self.dead = self.dice.randrange(self.row_bits)
        rows = self.row(np.arange(self.total))
        self.fails = self.inside(np.arange(self.total)) & (rows >> self.dead & 1 == 1)
        self.lives_s = self.rng.lognormal(np.log(self.dice.uniform(40, 120)), 0.6, self.total)
        self.ground: Array = np.where(rows & 1, (1 << self.bits) - 1, 0)
        self.weak: Array = self.rng.integers(0, 1 << self.bits, self.total)
        self.used_s = np.zeros(1 << self.row_bits)

    def row(self, at: Array) -> Array:
        return (at - self.begin) >> self.row_from & ((1 << self.row_bits) - 1)

    def right(self) -> dict[str, Granted]:
        return {"fades": Granted()}

    def touch(self, at: Array, now_s: float) -> None:
        """Let the rows that are used lose what they have lost, and be fresh again."""
        used = np.zeros(1 << self.row_bits, bool)
        used[self.row(at[self.inside(at)])] = True
        cells = np.flatnonzero(self.fails)
        cells = cells[used[self.row(cells)]]
        lain = now_s - self.used_s[self.row(cells)]
        gone = np.where(lain > self.lives_s[cells], self.weak[cells], 0)
        gone = np.where(lain > 2 * self.lives_s[cells], (1 << self.bits) - 1, gone)
        self.cells[cells] = self.cells[cells] & ~gone | self.ground[cells] & gone
        self.used_s[used] = now_s

    def write(self, at: Array, chips: Array, now_s: float) -> None:
        self.touch(at, now_s)
        self.cells[at] = chips

    def read(self, at: Array, now_s: float) -> Array:
        self.touch(at, now_s)
        return self.cells[at]


class SlowAtPageStart(OddMemory):
    """16. A module is too slow where a page begins: the word before is still on the bus.

    "column" is right as well, for it leads to that module.
    """

    def settle(self) -> None:
        self.page = 1 << self.dice.randrange(5, 10)

    def right(self) -> dict[str, Granted]:
        return {"column": Granted()}

    def read(self, at: Array, now_s: float) -> Array:
        chips = self.cells[at]
        page = at // self.page
        is_new = self.inside(at) & np.concatenate([[True], page[1:] != page[:-1]])
        if self.ways > 1:  # each module has its own page open
            is_new = self.inside(at) & (at % self.page == (self.page - 1) * self.is_reversed)
        before = np.concatenate([[0], chips[:-1]])
        return np.where(is_new, before, chips)


class MirrorBackwards(OddMemory):
    """18. The upper half is the lower one once more, counted from its end.

    "modules together" is half right: no one distance lies between two that are the same.
    """

    def right(self) -> dict[str, Granted]:
        return {"modules together": Granted(apart=frozenset())}

    def sequence(self, first: int, count: int) -> Array:
        at = super().sequence(first, count)
        return np.where(at >= self.total // 2, self.total - 1 - at, at)


def parity(words: Array) -> Array:
    """Return whether the number of ones is odd, as 0 or 1."""
    for by in (16, 8, 4, 2, 1):
        words = words ^ words >> by
    return words & 1


FAMILIES: Final[tuple[type[OddMemory], ...]] = (
    JoinedLinesOfWideWords,
    EmptySocketAmongUnequal,
    CheckChipsGone,
    PageLatchLate,
    BufferKeepsTheLastLine,
    SignAndMagnitude,
    HalfTheRowsUnrefreshed,
    SlowAtPageStart,
    MirrorBackwards,
    ChipOfScatteredBits,
    StuckLineInTurnedChips,
    AddressLineCountedBackwards,
)


class OddBench:
    """Such a memory as a PlainUnit has one, with the time, and which words ever came back wrong."""

    def __init__(self, memory: OddMemory) -> None:
        self.memory, self.words, self.bits = memory, memory.words, memory.bits
        self.clock = Clock()
        self.told: Array = np.zeros(memory.words, np.int64)
        self.wrong = np.zeros(memory.words, bool)

    def write(self, first: int, values: Array) -> None:
        self.told[first : first + len(values)] = values
        self.memory.store(first, values, self.clock.now_ns / 1e9)

    def read(self, first: int, count: int) -> Array:
        got = self.memory.fetch(first, count, self.clock.now_ns / 1e9)
        self.wrong[first : first + count] |= got != self.told[first : first + count]
        return got


def proof_of(memory: OddMemory) -> tuple[Proven, Array]:
    """Return what a proof comes to, and the words that came back wrong."""
    bench = OddBench(memory)
    unit = PlainUnit(cast(PlainMemory, bench))
    bench.clock = unit.line
    proven = Proof(cast(TestedUnit, unit), ProofRequest()).run()
    return proven, np.flatnonzero(bench.wrong)


# counting


def amiss(fault: NamedFault, granted: Granted, memory: OddMemory, wrong: Array) -> list[str]:
    """Return what a right name says wrongly beside: "lines", "level", "apart", "place".

    Words of fewer than 16 bits may also be taken to stand in the upper ones of 16 data lines.
    A place is wrong if it leaves out a tenth of the words that came back wrong, or is a quarter
    wider than they lie.
    """
    found = []
    above = max(16 - memory.bits, 0)
    lines = granted.lines
    if lines is not None and set(fault.lines) not in (lines, {line + above for line in lines}):
        found.append("lines")
    if None not in (granted.level, fault.level) and fault.level != granted.level:
        found.append("level")
    if granted.apart is not None and fault.distance not in granted.apart:
        found.append("apart")
    last = fault.last + (fault.distance or 0)
    covered = (wrong >= fault.first) & (wrong <= last) & ((wrong - fault.first) % fault.stride == 0)
    if covered.mean() < 0.9 or fault.last - fault.first > 1.25 * (wrong[-1] - wrong[0]) + 64:
        found.append("place")
    return found


def is_coarse(fault: NamedFault, memory: OddMemory, wrong: Array) -> bool:
    """Return whether it is said of all banks in turn what one of them has."""
    one_bank = len(wrong) > 8 and len(set((wrong % memory.ways).tolist())) == 1
    return memory.ways > 1 and one_bank and fault.stride % memory.ways != 0


COLUMNS: Final = (
    *("shown", "found", "proved", "named right", "unknown", "wrong name", "wrong and sure"),
    *("details wrong", "all banks", "more named wrongly"),
)


def count(family: type[OddMemory], number: int, runs: int) -> tuple[Counter[str], list[str]]:
    """Return how often each column comes true, and what is to be looked at, with its seed."""
    counts: Counter[str] = Counter()
    notes = []
    for run in range(runs):
        size, seed = SIZES[run % len(SIZES)], number * 1000 + run
        memory = family(size, seed)
        proven, wrong = proof_of(memory)
        if not len(wrong):
            counts["proved unshown"] += proven.verdict is Verdict.PROVED
            if proven.verdict is not Verdict.PROVED:
                notes.append(f"{size} {seed}: nothing wrong, but {proven.verdict} {proven.why}")
            continue
        counts["shown"] += 1
        counts["proved"] += proven.verdict is Verdict.PROVED
        if proven.verdict is not Verdict.FAULT or not proven.faults:
            notes.append(f"{size} {seed}: {proven.verdict}: {proven.why} {proven.faults[:1]}")
            continue
        counts["found"] += 1
        fault, right = proven.faults[0], memory.right()
        others = {each.kind for each in proven.faults[1:]} - {*right, "unknown"}
        counts["more named wrongly"] += bool(others)
        told = f"{size} {seed}: {said(fault)}{f'; also {sorted(others)}' if others else ''}"
        if fault.kind in right:
            counts["named right"] += 1
            bad = amiss(fault, right[fault.kind], memory, wrong)
            counts["details wrong"] += bool(bad)
            counts["all banks"] += is_coarse(fault, memory, wrong)
            if bad or others:
                notes.append(f"{told}; {bad} {right[fault.kind]}, {span(wrong)}")
        elif fault.kind == "unknown":
            counts["unknown"] += 1
            if memory.is_known:
                notes.append(f"{told}; {span(wrong)}")
        else:
            counts["wrong name"] += 1
            counts["wrong and sure"] += fault.sure
            notes.append(f"{told}; {span(wrong)}")
    return counts, notes


def said(fault: NamedFault) -> str:
    parts = [fault.kind, "sure" if fault.sure else "likely", f"{fault.explains:.0%}"]
    parts.append(f"words {fault.first}-{fault.last} every {fault.stride}")
    for name in ("lines", "level", "distance"):
        value = getattr(fault, name)
        if value not in (None, ()):
            parts.append(f"{name} {value}")
    return ", ".join(parts)


def span(wrong: Array) -> str:
    return f"{len(wrong)} wrong, {wrong[0]}-{wrong[-1]}"


# tests


def numbered(family: type[OddMemory]) -> int:
    return 2 * FAMILIES.index(family) + 2


@pytest.mark.parametrize("family", FAMILIES)
def test_a_memory_at_fault_is_found_and_never_proved(family: type[OddMemory]) -> None:
    proven, wrong = proof_of(family(1 << 14, numbered(family) * 1000))
    assert len(wrong)
    assert (proven.verdict, bool(proven.faults)) == (Verdict.FAULT, True)


@pytest.mark.parametrize("seed", range(12))
def test_an_odd_board_without_a_fault_is_proved(seed: int) -> None:
    proven, wrong = proof_of(OddMemory(1 << 14, seed))
    assert (proven.verdict, len(wrong)) == (Verdict.PROVED, 0)


def main(what: list[str]) -> None:
    if what[0] == "healthy":
        verdicts = Counter(
            str(proof_of(OddMemory(SIZES[seed % len(SIZES)], seed))[0].verdict)
            for seed in range(int(what[1]))
        )
        print("without a fault:", dict(verdicts))
        return
    print(", ".join(COLUMNS))
    total: Counter[str] = Counter()
    for family in FAMILIES:
        counts, notes = count(family, numbered(family), int(what[0]))
        total += counts
        row = " ".join(f"{counts[column]:4}" for column in COLUMNS)
        print(f"{numbered(family):2} {family.__name__:28} {row}", flush=True)
        for note in notes[: int(what[1]) if len(what) > 1 else 0]:
            print(f"     {note}")
    print(f"{'all':31} " + " ".join(f"{total[column]:4}" for column in COLUMNS))


if __name__ == "__main__":
    main(sys.argv[1:])
