"""Sixteen memories at fault, a third set by somebody who has not seen the decision of `prove`.

Six draw faults that everybody knows, in boards of three, four or five banks in turn, of unequal
modules, of words over two modules that are half as wide, and in falling order; ten have faults
that are on no list.  Each family and what may be said of it was fixed before its first run.

python -m tests.prove.test_sealed_third 40         # so many memories a family, with all notes
python -m tests.prove.test_sealed_third healthy 500
python -m tests.prove.test_sealed_third why FAMILY 40   # of one family, with all notes
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from typing import Final

import numpy as np
import pytest

from dryload.harness.prove.proof import Verdict
from tests.prove.plain_memory import Array
from tests.prove.test_sealed_more import (
    Flags,
    Granted,
    OddMemory,
    amiss,
    is_coarse,
    proof_of,
    said,
    span,
)

LAYOUTS: Final = ((1, 2, 4), (2, 4, 1), (1, 1, 1, 4), (4, 2, 1, 1), (1, 1, 2))
"""Unequal modules in eighths of the memory."""
SIZES: Final = (1 << 14, 1 << 16, 1 << 17)
WORD_S: Final = 0.04256 / 40  # of a packet's 133 bytes (M1 p. 39)


class ThirdMemory(OddMemory):
    """A board of this set without a fault; `part` is the mask of the chip lines of one module."""

    widths = (10, 12, 14, 16, 18, 20)

    def draw(self, dice: random.Random, size: int) -> None:
        self.bits = bits = dice.choice(self.widths)
        arrangement = dice.choice(("3", "4", "5", "unequal", "unequal"))
        self.is_reversed = dice.random() < 0.5
        self.start = dice.randrange(1, size // 16, 2)
        self.ways = 1
        if arrangement == "unequal":
            self.sizes = [size // 8 * eighths for eighths in dice.choice(LAYOUTS)]
        else:
            self.ways = int(arrangement)
            self.sizes = [size // (8 if self.ways == 5 else 4)] * self.ways
        self.begins = [sum(self.sizes[:module]) for module in range(len(self.sizes))]
        self.total = sum(self.sizes)
        self.words = self.total - self.start
        self.coding = dice.choice(("plain", "inverted", "sign turned", "halves swapped"))
        self.turn = list(range(bits))
        if self.coding == "halves swapped":
            self.turn = [(bit + bits // 2) % bits for bit in range(bits)]
        self.flip = {"sign turned": 1 << (bits - 1), "inverted": (1 << bits) - 1}.get(
            self.coding, 0
        )
        self.is_split = dice.random() < 0.4
        low = (1 << bits // 2) - 1
        self.part = (1 << bits) - 1
        if self.is_split:
            self.part = dice.choice((low, low << bits // 2))

    def lines(self, mask: int) -> frozenset[int]:
        """Return the bits of a word at the chip lines of a mask."""
        return self.wire(line for line in range(self.bits) if mask >> line & 1)

    def a_line(self) -> int:
        return self.dice.choice([line for line in range(self.bits) if self.part >> line & 1])

    def a_chip(self) -> int:
        """Return the mask of two to four neighbouring lines of the module."""
        wide = self.dice.randint(2, 4)
        lines = [line for line in range(self.bits) if self.part >> line & 1]
        first = self.dice.randrange(len(lines) - wide + 1)
        return sum(1 << line for line in lines[first : first + wide])

    def word_level(self, line: int, level: int) -> int:
        return level ^ (self.flip >> line & 1)

    def noise(self, like: Array) -> Array:
        return self.rng.integers(0, 1 << self.bits, len(like))


# faults that everybody knows


class DataLineOfAnOddBoard(ThirdMemory):
    """A data line of one module is stuck, loose, or joined with another."""

    is_known = True

    def settle(self) -> None:
        self.kind = self.dice.choice(("data line stuck", "data line loose", "data lines joined"))
        self.line = self.a_line()
        self.other = self.line
        while self.other == self.line:
            self.other = self.a_line()
        self.level = self.dice.randrange(2)
        self.chance = self.dice.uniform(0.3, 1.0)

    def right(self) -> dict[str, Granted]:
        if self.kind == "data line stuck":
            level = self.word_level(self.line, self.level)
            return {self.kind: Granted(self.wire([self.line]), level)}
        lines = [self.line] if self.kind == "data line loose" else [self.line, self.other]
        return {self.kind: Granted(self.wire(lines))}

    def read(self, at: Array, now_s: float) -> Array:
        good = self.cells[at]
        bit = good >> self.line & 1
        lines = 1 << self.line
        if self.kind == "data line stuck":
            new = np.full_like(good, self.level << self.line)
        elif self.kind == "data line loose":
            is_off = self.rng.random(len(at)) < self.chance
            new = np.where(is_off, self.noise(at) >> self.line & 1, bit) << self.line
        else:
            other = good >> self.other & 1
            both = bit | other if self.level else bit & other
            lines |= 1 << self.other
            new = both << self.line | both << self.other
        return np.where(self.inside(at), good & ~lines | new, good)


class AddressLineOfAnOddBoard(ThirdMemory):
    """An address line of one module is stuck, or joined with another."""

    is_known = True

    def settle(self) -> None:
        self.is_joined = self.dice.random() < 0.5
        self.a, self.b = sorted(self.dice.sample(range(self.module_bits), 2))
        self.is_high = self.dice.random() < 0.5

    def right(self) -> dict[str, Granted]:
        if self.is_joined:
            steps = (1 << self.a, 1 << self.b, (1 << self.b) - (1 << self.a))
            apart = frozenset(step * self.ways for step in steps)
            return {"address lines joined": Granted(apart=apart)}
        granted = {"address line": Granted(apart=frozenset({self.ways << self.a}))}
        if self.a == self.module_bits - 1:
            granted["half the size"] = granted["address line"]
        return granted

    def meant(self, at: Array) -> Array:
        inner = at - self.begin
        a, b = inner >> self.a & 1, inner >> self.b & 1
        lines = 1 << self.a
        if self.is_joined:
            both = a | b if self.is_high else a & b
            lines |= 1 << self.b
            new = both << self.a | both << self.b
        else:
            new = np.full_like(inner, int(self.is_high) << self.a)
        return np.where(self.inside(at), self.begin + (inner & ~lines | new), at)

    def write(self, at: Array, chips: Array, now_s: float) -> None:
        self.cells[at] = self.cells[at] & self.part | chips & ~self.part
        to = self.meant(at)
        self.cells[to] = self.cells[to] & ~self.part | chips & self.part

    def read(self, at: Array, now_s: float) -> Array:
        return self.cells[at] & ~self.part | self.cells[self.meant(at)] & self.part


class MissingOrHalfModule(AddressLineOfAnOddBoard):
    """A module has no contact, or half the size; its socket reads a level, noise or the bus."""

    def settle(self) -> None:
        self.is_joined, self.is_high = False, self.dice.random() < 0.5
        self.a = self.b = self.module_bits - 1
        self.how = self.dice.choice(("half", "half", "half", "ones", "zeros", "noise", "bus"))
        self.last = 0

    def right(self) -> dict[str, Granted]:
        if self.how == "half":
            return super().right()
        if not self.is_split:
            return {"module missing": Granted()}
        lines = Granted(self.lines(self.part))
        return {"module missing": lines, "chip": lines}

    def read(self, at: Array, now_s: float) -> Array:
        if self.how == "half":
            return super().read(at, now_s)
        got, inside = self.cells[at], self.inside(at)
        if self.how == "bus":
            source = np.maximum.accumulate(np.where(inside, -1, np.arange(len(at))))
            empty = np.where(source < 0, self.last, got[np.maximum(source, 0)])
            if (source >= 0).any():
                self.last = int(got[source.max()])
        elif self.how == "noise":
            empty = self.noise(at)
        else:
            empty = np.full_like(got, (1 << self.bits) - 1 if self.how == "ones" else 0)
        return np.where(inside, got & ~self.part | empty & self.part, got)

    def write(self, at: Array, chips: Array, now_s: float) -> None:
        if self.how == "half":
            super().write(at, chips, now_s)
        else:
            self.cells[at] = chips


class TwoOfSeveralTogether(ThirdMemory):
    """Two of three or more modules answer to the same select line; the smaller one repeats."""

    is_known = True

    def settle(self) -> None:
        self.one, self.two = sorted(self.dice.sample(range(len(self.sizes)), 2))

    def right(self) -> dict[str, Granted]:
        if self.ways > 1:
            return {"modules together": Granted(apart=frozenset({self.two - self.one}))}
        apart = self.begins[self.two] - self.begins[self.one]
        small = min(self.sizes[self.one], self.sizes[self.two])
        repeats = range(max(self.sizes[self.one], self.sizes[self.two]) // small)
        from_one = -1 if self.sizes[self.one] > self.sizes[self.two] else 1
        granted = Granted(apart=frozenset(abs(apart + from_one * each * small) for each in repeats))
        names = {"modules together": granted}
        if self.two == self.one + 1 and self.sizes[self.one] == self.sizes[self.two]:
            names |= {"half the size": granted, "address line": granted}  # one of twice the size
        return names

    def both(self, at: Array) -> tuple[Flags, Array, Array]:
        """Return which words are in the two, and where these lie in the first and the second."""
        in_one, in_two = (
            (at >= self.begins[each]) & (at < self.begins[each] + self.sizes[each])
            for each in (self.one, self.two)
        )
        inner = at - np.where(in_one, self.begins[self.one], self.begins[self.two])
        one = self.begins[self.one] + inner % self.sizes[self.one]
        two = self.begins[self.two] + inner % self.sizes[self.two]
        return in_one | in_two, one, two

    def write(self, at: Array, chips: Array, now_s: float) -> None:
        shared, one, two = self.both(at)
        self.cells[at] = self.cells[at] & self.part | chips & ~self.part
        for place in (one, two):
            to = np.where(shared, place, at)
            self.cells[to] = self.cells[to] & ~self.part | chips & self.part

    def read(self, at: Array, now_s: float) -> Array:
        shared, one, two = self.both(at)
        got = self.cells[at]
        wired = self.cells[np.where(shared, one, at)] & self.cells[np.where(shared, two, at)]
        return got & ~self.part | wired & self.part


class ChipRowOrColumn(ThirdMemory):
    """A chip of two to four lines, a row of one, or a column of one line holds nothing."""

    is_known = True

    def settle(self) -> None:
        self.kind = self.dice.choice(("chip", "row", "column"))
        self.mask = 1 << self.a_line() if self.kind == "column" else self.a_chip()
        self.row_words = 1 << self.dice.randint(6, self.module_bits - 3)
        if self.kind == "row":
            self.row_words = min(self.row_words, 512)
        self.which = self.dice.randrange(
            self.row_words if self.kind == "column" else self.size // self.row_words
        )
        self.empty = self.dice.randrange(1 << self.bits)

    def right(self) -> dict[str, Granted]:
        lines = self.lines(self.mask)
        if self.kind == "chip":
            return {"chip": Granted(lines), "data lines": Granted(lines)}
        return {self.kind: Granted(lines if self.kind == "column" else None)}

    def read(self, at: Array, now_s: float) -> Array:
        got, bad, inner = self.cells[at], self.inside(at), at - self.begin
        if self.kind == "row":
            bad &= inner // self.row_words == self.which
        elif self.kind == "column":
            bad &= inner % self.row_words == self.which
        return np.where(bad, got & ~self.mask | self.empty & self.mask, got)


class BlockOrCells(ThirdMemory):
    """An eighth or sixteenth of a module, or one to six single bits, take no writing."""

    is_known = True

    def settle(self) -> None:
        self.is_block = self.dice.random() < 0.5
        self.old = self.cells.copy()
        self.bad: Array = np.zeros(self.total, np.int64)
        self.block = self.size // self.dice.choice((8, 16))
        if self.is_block:
            first = self.begin + self.block * self.dice.randrange(self.size // self.block)
            self.bad[first : first + self.block] = self.part
            return
        for _ in range(self.dice.randint(1, 6)):
            self.bad[self.dice.randrange(self.start, self.total - self.start)] |= 1 << self.a_line()

    def right(self) -> dict[str, Granted]:
        if not self.is_block:
            return {"cells": Granted()}
        return {"block": Granted()} | ({"row": Granted()} if self.block <= 512 else {})

    def read(self, at: Array, now_s: float) -> Array:
        return self.cells[at] & ~self.bad[at] | self.old[at] & self.bad[at]


# faults on no list


class BurstsInAnotherOrder(ThirdMemory):
    """Words are read in bursts whose order is another one where a burst begins amid its place."""

    def settle(self) -> None:
        self.burst = self.dice.choice((4, 8))

    def fetch(self, first: int, count: int, now_s: float) -> Array:
        at = self.sequence(first, count)
        place = np.arange(count)
        begin = at[0] + place // self.burst * self.burst
        inner = (begin ^ place % self.burst) & (self.burst - 1)
        mixed = np.minimum(begin & ~(self.burst - 1) | inner, self.total - 1)
        return self.decoded(self.read(self.address(mixed), now_s))


class ReadingEmptiesTheCells(ThirdMemory):
    """Words of one module are gone once they have been read so many times."""

    def settle(self) -> None:
        self.times = self.dice.choice((1, 1, 2))
        self.reads: Array = np.zeros(self.total, np.int64)
        self.mask = self.dice.choice((self.part, self.a_chip()))

    def write(self, at: Array, chips: Array, now_s: float) -> None:
        self.cells[at] = chips
        self.reads[at] = 0

    def read(self, at: Array, now_s: float) -> Array:
        gone = self.inside(at) & (self.reads[at] >= self.times)
        self.reads[at] += 1
        return np.where(gone, self.cells[at] & ~self.mask, self.cells[at])


class ManyLinesRiseAtOnce(ThirdMemory):
    """Where many lines rise from one word to the next, a few others are read too early."""

    def settle(self) -> None:
        self.mask = 1 << self.a_line() | 1 << self.a_line()
        self.many = round(self.bits * self.dice.uniform(0.3, 0.45))

    def right(self) -> dict[str, Granted]:
        return {"noise": Granted()}

    def read(self, at: Array, now_s: float) -> Array:
        got = self.cells[at]
        before = np.concatenate((got[:1], got[:-1]))
        rising = ~before & got
        rise: Array = np.zeros_like(got)
        for line in range(self.bits):
            rise += rising >> line & 1
        return np.where(rise > self.many, got & ~self.mask | before & self.mask, got)


class TwinBlocks(ThirdMemory):
    """A table gives a few blocks the place of others somewhere else."""

    def settle(self) -> None:
        self.block = 1 << self.dice.randint(5, 9)
        count = self.total // self.block
        chosen = self.dice.sample(range(count), 2 * self.dice.randint(2, min(8, count // 4)))
        self.table: Array = np.arange(count)
        self.table[chosen[::2]] = chosen[1::2]

    def address(self, at: Array) -> Array:
        at = self.table[at // self.block] * self.block + at % self.block
        return super().address(at)


class ClipsLoudWords(ThirdMemory):
    """The unit keeps no word that is louder than a limit."""

    def settle(self) -> None:
        self.limit = round((1 << self.bits - 1) * self.dice.uniform(0.4, 0.9))

    def store(self, first: int, words: Array, now_s: float) -> None:
        middle = 1 << self.bits - 1
        super().store(first, np.clip(words, middle - self.limit, middle + self.limit - 1), now_s)


class StoresDifferences(ThirdMemory):
    """The unit keeps the steps from word to word, and no step beyond a limit."""

    def settle(self) -> None:
        self.step = round((1 << self.bits) * self.dice.uniform(0.1, 0.7))

    def store(self, first: int, words: Array, now_s: float) -> None:
        now, kept = 1 << self.bits - 1, []
        for word in words.tolist():
            now += max(min(word - now, self.step), -self.step)
            kept.append(now)
        super().store(first, np.array(kept, np.int64), now_s)


class LineThatComesAndGoes(ThirdMemory):
    """A data line of one module is stuck for some minutes, and well for some, again and again."""

    def settle(self) -> None:
        self.line, self.level = self.a_line(), self.dice.randrange(2)
        self.period_s, self.share = self.dice.uniform(60, 900), self.dice.uniform(0.2, 0.6)
        self.phase_s = self.dice.uniform(0, self.period_s)

    def right(self) -> dict[str, Granted]:
        return {"data line loose": Granted(self.wire([self.line]))}

    def read(self, at: Array, now_s: float) -> Array:
        time_s = now_s + self.phase_s + np.arange(len(at)) * WORD_S
        off = self.inside(at) & (time_s % self.period_s < self.share * self.period_s)
        got = self.cells[at]
        return np.where(off, got & ~(1 << self.line) | self.level << self.line, got)


class DataLineTouchesAddressLine(ThirdMemory):
    """A data line and an address line of one module touch; the one that is low wins."""

    def settle(self) -> None:
        self.line = self.a_line()
        self.address_line = self.dice.randrange(self.module_bits)

    def write(self, at: Array, chips: Array, now_s: float) -> None:
        inner = at - self.begin
        both = inner >> self.address_line & chips >> self.line & 1
        to = self.begin + (inner & ~(1 << self.address_line) | both << self.address_line)
        word = chips & ~(1 << self.line) | both << self.line
        inside = self.inside(at)
        self.cells[at] = np.where(inside, self.cells[at] & self.part | chips & ~self.part, chips)
        to = np.where(inside, to, at)
        kept = self.cells[to] & ~self.part | word & self.part
        self.cells[to] = np.where(inside, kept, chips)

    def read(self, at: Array, now_s: float) -> Array:
        low = self.inside(at) & ((at - self.begin) >> self.address_line & 1 == 0)
        return np.where(low, self.cells[at] & ~(1 << self.line), self.cells[at])


class OnesNeverGoAway(ThirdMemory):
    """The cells of a chip take a one, or a zero, and keep it whatever is written."""

    def settle(self) -> None:
        self.mask, self.is_one = self.a_chip(), self.dice.random() < 0.5
        if self.dice.random() < 0.5:  # after switching on they hold nothing yet
            self.cells[:] = 0 if self.is_one else (1 << self.bits) - 1

    def right(self) -> dict[str, Granted]:
        return {"chip": Granted(self.lines(self.mask))}

    def write(self, at: Array, chips: Array, now_s: float) -> None:
        old = self.cells[at]
        stays = (old | chips if self.is_one else old & chips) & self.mask | chips & ~self.mask
        self.cells[at] = np.where(self.inside(at), stays, chips)


class DirectoryTooSmall(ThirdMemory):
    """The unit finds so many samples only: an older one is read where a newer one begins."""

    def settle(self) -> None:
        self.most = self.dice.randint(2, 4)
        self.begun: list[int] = []

    def store(self, first: int, words: Array, now_s: float) -> None:
        if first not in self.begun:
            self.begun.append(first)
        super().store(first, words, now_s)

    def fetch(self, first: int, count: int, now_s: float) -> Array:
        place = self.begun.index(first) + self.most
        return super().fetch(self.begun[place] if place < len(self.begun) else first, count, now_s)

    def sequence(self, first: int, count: int) -> Array:
        return np.minimum(super().sequence(first, count), self.total - 1)


KINDS: Final[tuple[type[ThirdMemory], ...]] = (
    DataLineOfAnOddBoard,
    AddressLineOfAnOddBoard,
    MissingOrHalfModule,
    TwoOfSeveralTogether,
    ChipRowOrColumn,
    BlockOrCells,
    BurstsInAnotherOrder,
    ReadingEmptiesTheCells,
    ManyLinesRiseAtOnce,
    TwinBlocks,
    ClipsLoudWords,
    StoresDifferences,
    LineThatComesAndGoes,
    DataLineTouchesAddressLine,
    OnesNeverGoAway,
    DirectoryTooSmall,
)
HEADS: Final = (
    *("shown", "found", "not proved", "proved", "right", "unknown", "wrong name"),
    *("wrong and sure", "details wrong", "all banks", "more named"),
)
"""`not proved` are those of `found` that name no fault but say why; the notes show it."""


def tally(family: type[ThirdMemory], runs: int) -> tuple[Counter[str], list[str]]:
    """Return how often each head comes true, and a note of all that is not plainly right."""
    counts: Counter[str] = Counter()
    notes = []
    for run in range(runs):
        size, seed = SIZES[run % len(SIZES)], (300 + KINDS.index(family)) * 1000 + run
        memory = family(size, seed)
        proven, wrong = proof_of(memory)
        told = f"{size} {seed}"
        if not len(wrong):
            if proven.verdict is not Verdict.PROVED:
                notes.append(f"{told}: NOTHING WRONG, but {proven.verdict} {proven.why}")
            continue
        counts["shown"] += 1
        counts["proved"] += proven.verdict is Verdict.PROVED
        right = memory.right()
        if proven.verdict is not Verdict.FAULT:
            is_told = proven.verdict is Verdict.NOT_PROVED and bool(proven.why)
            counts["found"] += is_told
            counts["not proved"] += is_told
            notes.append(f"{told}: {proven.verdict}: {proven.why}; {span(wrong)}")
            continue
        counts["found"] += 1
        if not proven.faults:
            notes.append(f"{told}: a fault without a name")
            continue
        fault = proven.faults[0]
        others = [said(each) for each in proven.faults[1:] if each.kind not in {*right, "unknown"}]
        counts["more named"] += bool(others)
        told += f": {said(fault)}" + (f"; ALSO {others}" if others else "")
        board = (
            f"{memory.bits} bits, ways {memory.ways}, {memory.sizes}, start {memory.start}, "
            f"{memory.coding}, falling {memory.is_reversed}, part {memory.part:x}, "
            f"module {memory.module}; {span(wrong)}"
        )
        if fault.kind in right:
            counts["right"] += 1
            bad = amiss(fault, right[fault.kind], memory, wrong)
            coarse = is_coarse(fault, memory, wrong)
            counts["details wrong"] += bool(bad)
            counts["all banks"] += coarse
            if bad or coarse or others:
                notes.append(f"{told}; BAD {bad} {coarse}; PUT IN {right}; {board}")
        elif fault.kind == "unknown":
            counts["unknown"] += 1
            if memory.is_known:
                notes.append(f"{told}; PUT IN {right}; {board}")
        else:
            counts["wrong name"] += 1
            counts["wrong and sure"] += fault.sure
            notes.append(f"{told}; WRONG; PUT IN {right}; {board}")
    return counts, notes


@pytest.mark.parametrize("family", KINDS)
def test_a_memory_of_the_third_set_is_never_proved(family: type[ThirdMemory]) -> None:
    counts, _ = tally(family, 3)
    assert counts["shown"] >= 1
    assert counts["proved"] == 0


@pytest.mark.parametrize("seed", range(12))
def test_a_board_of_the_third_set_without_a_fault_is_proved(seed: int) -> None:
    proven, wrong = proof_of(ThirdMemory(1 << 14, seed))
    assert (proven.verdict, len(wrong)) == (Verdict.PROVED, 0)


def main(what: list[str]) -> None:
    if what[0] == "healthy":
        verdicts: Counter[str] = Counter()
        for seed in range(int(what[1])):
            proven, wrong = proof_of(ThirdMemory(SIZES[seed % 3], 900_000 + seed))
            verdicts[f"{proven.verdict}, {len(wrong)} wrong"] += 1
        print("without a fault:", dict(verdicts))
        return
    named = [family for family in KINDS if what[0] != "why" or family.__name__ == what[1]]
    print(", ".join(HEADS))
    total: Counter[str] = Counter()
    for family in named:
        counts, notes = tally(family, int(what[-1]))
        total += counts
        row = " ".join(f"{counts[head]:4}" for head in HEADS)
        print(f"{family.__name__:28} {row}", flush=True)
        for note in notes:
            print(f"     {note}")
    print(f"{'all':28} " + " ".join(f"{total[head]:4}" for head in HEADS))


if __name__ == "__main__":
    main(sys.argv[1:])
