"""Which faults of single cells and addresses the passes find: written and read, and by arithmetic.

A memory here has very many faults of one class, none of which shares a word with another, so that
each does what it does alone; a test writes and reads all of it as a proof does, in the order of
`stages`.  What may be expected is counted in another way: one pair of cells at a time goes through
every value that its bits can have, in an order of writing that is stated here once more.  The
classes are those of the textbooks (van de Goor, "Testing Semiconductor Memories", 1991; from
memory).  Cells of the emulated units, which know some of these classes, go through the same test.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from functools import cache
from itertools import product
from typing import Any, Final, Protocol, TypeAlias

import numpy as np

from dryload.emulator.dump.sample import Sample
from dryload.emulator.unit.cells import Cells
from dryload.emulator.unit.memory_faults import drawn, layout_of, memory_fault
from dryload.emulator.unit.traits import MemoryTraits, WordTraits
from dryload.emulator.wire.sizes import words_per_packet
from dryload.harness.prove.passes import GLANCE, OVERNIGHT, Act, planned, stages
from dryload.harness.prove.words import code, sample_of, values_of

Numbers: TypeAlias = np.ndarray[Any, np.dtype[np.int64]]
Flags: TypeAlias = np.ndarray[Any, np.dtype[np.bool_]]
NEAR: Final = ("same word", "neighbour", "anywhere")
"""Where the cell lies that upsets another one: two bits of a word, the same bit of two words that
lie side by side, or two words wherever."""


class WithFaults(Protocol):
    """A memory with faults: of each fault one word, and another one where it takes two."""

    word: Numbers
    other: Numbers

    def write(self, first: int, values: Numbers) -> None: ...

    def read(self, first: int, count: int) -> Numbers: ...


def found_after(memory: WithFaults, size: int, bits: int) -> Flags:
    """Which faults have shown after each of five passes: passes x faults."""
    written: Numbers = np.zeros(size, np.int64)
    found: Flags = np.zeros(len(memory.word), np.bool_)
    rows = []
    for each in OVERNIGHT:
        for act, part in stages(each, planned(size)):
            first, count = part.start, part.words
            if act is Act.WRITE:
                new = code(first, count, bits, which=each.which, inverted=each.inverted)
                written[first : part.end] = new
                memory.write(first, written[first : part.end])
                continue
            if act is Act.LOOK:
                count = min(count, GLANCE * words_per_packet(bits))
            wrong = np.zeros(size, np.bool_)
            here = slice(first, first + count)
            wrong[here] = memory.read(first, count) != written[here]
            found |= wrong[memory.word] | wrong[memory.other]
        rows.append(found.copy())
    return np.array(rows)


def _per_cent(found: Flags) -> list[float]:
    return [100 * float(each) for each in found.mean(axis=1)]


# A plain memory


class Spoilt:
    """`size` words, in which `count` faults lie; before it is written it holds anything."""

    def __init__(
        self, name: str, near: str, *, size: int, count: int, bits: int, seed: int
    ) -> None:
        dice = np.random.default_rng([seed, count, bits])
        if near == "anywhere":
            self.word, self.other = dice.permutation(size)[: 2 * count].reshape(2, count)
        else:
            self.word = 2 * dice.permutation(size // 2)[:count] + dice.integers(0, 2, count)
            self.other = self.word ^ (near == "neighbour")
        self.bit = dice.integers(0, bits, count)
        self.other_bit = self.bit
        if near != "neighbour":
            self.other_bit = (self.bit + dice.integers(1, bits, count)) % bits
        self.level, self.way = dice.integers(0, 2, (2, count))
        self.floats = dice.integers(0, 1 << bits, count)
        self.held: Numbers = dice.integers(0, 1 << bits, size)
        self._upset, self._driven = CLASSES[name]

    def write(self, first: int, values: Numbers) -> None:
        before = self.held.copy()
        self.held[first : first + len(values)] = values
        if self._upset is not None:
            self._upset(self, before, range(first, first + len(values)))

    def read(self, first: int, count: int) -> Numbers:
        words = self.held.copy()
        if self._driven is not None:
            self._driven(self, words)
        return words[first : first + count]

    def put(self, words: Numbers, where: Any, level: Numbers) -> None:
        """Have the bit of some faults be what their level says."""
        at, bit = self.word[where], self.bit[where]
        words[at] = words[at] & ~(1 << bit) | level[where] << bit


def _in(words: Numbers, span: range) -> Flags:
    return (words >= span.start) & (words < span.stop)


def _bit(words: Numbers, at: Numbers, bit: Numbers) -> Numbers:
    return words[at] >> bit & 1


def _takes_its_value(memory: Spoilt, before: Numbers, span: range) -> Any:
    """Where the other cell takes the value that upsets, and the word is not written after it."""
    at, bit = memory.other, memory.other_bit
    now, then = _bit(memory.held, at, bit), _bit(before, at, bit)
    is_taken = _in(at, span) & (now == memory.way) & (then != memory.way)
    return is_taken & ~(_in(memory.word, span) & (memory.word > at))


def _stuck(memory: Spoilt, words: Numbers) -> None:
    memory.put(words, ..., memory.level)


def _misses(memory: Spoilt, before: Numbers, span: range) -> None:
    now, then = (_bit(words, memory.word, memory.bit) for words in (memory.held, before))
    stays = _in(memory.word, span) & (now == memory.level) & (then != now)
    memory.put(memory.held, stays, then)


def _inverts(memory: Spoilt, before: Numbers, span: range) -> None:
    hit = _takes_its_value(memory, before, span)
    memory.put(memory.held, hit, 1 - _bit(memory.held, memory.word, memory.bit))


def _forces(memory: Spoilt, before: Numbers, span: range) -> None:
    memory.put(memory.held, _takes_its_value(memory, before, span), memory.level)


def _holds(memory: Spoilt, words: Numbers) -> None:
    is_held = _bit(memory.held, memory.other, memory.other_bit) == memory.way
    memory.put(words, is_held, memory.level)


def _floats(memory: Spoilt, words: Numbers) -> None:
    words[memory.word] = memory.floats


def _goes_elsewhere(memory: Spoilt, before: Numbers, span: range) -> None:
    comes = _in(memory.word, span) & ~(_in(memory.other, span) & (memory.other > memory.word))
    memory.held[memory.other[comes]] = memory.held[memory.word[comes]]


def _is_elsewhere(memory: Spoilt, words: Numbers) -> None:
    words[memory.word] = memory.held[memory.other]


def _is_both(memory: Spoilt, words: Numbers) -> None:
    one, two = memory.held[memory.word], memory.held[memory.other]
    words[memory.word] = np.where(memory.level == 1, one | two, one & two)


_Upset: TypeAlias = Callable[[Spoilt, Numbers, range], None]
_Driven: TypeAlias = Callable[[Spoilt, Numbers], None]
CLASSES: Final[dict[str, tuple[_Upset | None, _Driven | None]]] = {
    "stuck": (None, _stuck),
    "misses one change": (_misses, None),
    "reaches no cell": (None, _floats),
    "reaches another's cell": (_goes_elsewhere, _is_elsewhere),
    "reaches two cells": (_goes_elsewhere, _is_both),
    "inverting": (_inverts, None),
    "forcing": (_forces, None),
    "state": (None, _holds),
}
"""Of each class what it does when words are written, and when they are read."""
DECODER: Final = ("reaches no cell", "reaches another's cell", "reaches two cells")
ROWS: Final = (
    *((name, "anywhere") for name in ("stuck", "misses one change", *DECODER)),
    *product(("inverting", "forcing"), NEAR),
    ("state", "anywhere"),
)


def shares(
    name: str, near: str = "anywhere", *, size: int, count: int, bits: int = 16, seed: int = 1
) -> list[float]:
    """What each of five passes finds of one class in a plain memory, in per cent."""
    memory = Spoilt(name, near, size=size, count=count, bits=bits, seed=seed)
    return _per_cent(found_after(memory, size, bits))


# The cells of an emulated unit

IN_CELLS: Final = {
    "stuck": "bad cells",
    "misses one change": "slow cells",
    "inverting": "coupled cells",
}
"""The classes that --disturb has words for, with these words."""


class EmulatedCells:
    """One bank of words of 16 bits, with three times `count` faults of one class.

    `word` and `other` are those of the faults that share no word with another one.
    """

    def __init__(self, name: str, *, size: int, count: int) -> None:
        texts = tuple(f"{count} {IN_CELLS[name]}, seed {seed}" for seed in range(3))
        memory, widths = MemoryTraits(bank_words=size, faults=texts), WordTraits()
        self._cells = Cells(memory, widths, banks=1)
        layout = layout_of(memory, widths, banks=1)
        every = [each for text in texts for each in drawn(memory_fault(text), layout)]
        other: Numbers = np.array([each.cell.address for each in every])
        is_pair = name == "inverting"  # the cell turns another one over
        word: Numbers = np.array([each.other.address for each in every]) if is_pair else other
        often = np.bincount(np.concatenate([word, other[other != word]]), minlength=size)
        is_alone = (often[word] == 1) & (often[other] == 1)
        self.word, self.other = word[is_alone], other[is_alone]

    @property
    def near(self) -> Numbers:
        """Where in `NEAR` the two cells of each fault are."""
        return np.select([self.word == self.other, self.word == self.other ^ 1], [0, 1], 2)

    def write(self, first: int, values: Numbers) -> None:
        words = sample_of(values.astype(np.uint32), 16, 16).words
        self._cells.write([range(first, first + len(words))], 0, words, 16, 0)

    def read(self, first: int, count: int) -> Numbers:
        words = self._cells.read([range(first, first + count)], count, 16)
        return values_of(Sample(words=words, bits=16, rate=Fraction(1)), 16).astype(np.int64)


@cache
def shares_in_cells(name: str, *, size: int, count: int) -> dict[str, list[float]]:
    """What each of five passes finds of one class in the cells of a unit, in per cent."""
    memory = EmulatedCells(name, size=size, count=count)
    found = found_after(memory, size, 16)
    if name != "inverting":
        return {"anywhere": _per_cent(found)}
    return {near: _per_cent(found[:, memory.near == at]) for at, near in enumerate(NEAR)}


# What is to be expected

_PASSES: Final = (("A", False), ("~A", False), ("A", False), ("~A", True), ("B", True))
"""What is written, and whether the pass is a split one."""


def expected(name: str, near: str, lengths: Sequence[int], bits: int = 16) -> list[float]:
    """What each of five passes finds where all bits are as likely, for samples of such lengths.

    Of addresses it is the least: what a split pass reads half-way is left out.
    """
    half, third = Fraction(1, 2), Fraction(3, 4)
    alike = 1 / Fraction(2**bits)
    hidden = third**bits / 2, alike, alike, alike, alike * alike
    by_itself = {
        "stuck": (half, 1, 1, 1, 1),
        "misses one change": (Fraction(1, 4), third, 1, 1, 1),
        "reaches no cell": (1 - alike, 1, 1, 1, 1),
        "reaches another's cell": (*4 * (1 - alike,), 1 - alike**2),
        "reaches two cells": tuple(1 - each for each in hidden),
    }
    if name in by_itself:
        return [100 * float(each) for each in by_itself[name]]
    total, found = 0, [Fraction()] * len(_PASSES)
    for weight, pair in _pairs(near, lengths):
        total += weight
        for at, share in enumerate(_shown(name, *pair)):
            found[at] += weight * share
    return [100 * float(each / total) for each in found]


def _pairs(near: str, lengths: Sequence[int]) -> Iterator[tuple[int, tuple[int, int, int]]]:
    """Yield how often the cells lie in which samples, and which comes first (0: one word)."""
    for (one, words), (other, others) in product(enumerate(lengths), repeat=2):
        if one == other and near == "same word":
            yield words, (one, other, 0)
        elif one == other:
            pairs = words if near == "neighbour" else words * words // 2
            yield from ((pairs, (one, other, order)) for order in (-1, 1))
        elif near == "anywhere":
            yield words * others, (one, other, 1 if other > one else -1)


@cache
def _shown(name: str, sample: int, other: int, order: int) -> tuple[Fraction, ...]:
    """The share of values with which a cell of a sample has shown a fault after each pass.

    `order` is 1 where the cell that upsets it stands behind it.
    """
    found, every = [0] * len(_PASSES), list(product((0, 1), repeat=7))
    for values in every:
        first = _first_pass(name, sample, other, order, values)
        for at in range(first, len(_PASSES)):
            found[at] += 1
    return tuple(Fraction(each, len(every)) for each in found)


def _first_pass(name: str, sample: int, other: int, order: int, values: Sequence[int]) -> int:
    """The pass in which a fault shows, len(_PASSES) for none."""
    cell, upsetting = 0, values[0]
    words = {
        "A": (values[1], values[2]),
        "~A": (1 - values[1], 1 - values[2]),
        "B": (values[3], values[4]),
    }
    way, level = values[5:]
    both = (sample, other)
    for at, (what, is_split) in enumerate(_PASSES):
        own, its = words[what]
        for is_write, now in _order(both, is_split):
            if is_write:
                # A cell is written, then the other one; of one word both at once.
                if sample == now and order >= 0:
                    cell = own
                if other == now:
                    before, upsetting = upsetting, its
                    if upsetting == way != before and name == "inverting":
                        cell = 1 - cell
                    elif upsetting == way != before and name == "forcing":
                        cell = level
                if sample == now and order < 0:
                    cell = own
                if sample == now:
                    stands = own
            elif now == sample:
                reads = level if name == "state" and upsetting == way else cell
                if reads != stands:
                    return at
    return len(_PASSES)


def _order(both: tuple[int, int], is_split: bool) -> Iterator[tuple[bool, int]]:
    """Yield the writes (True) and reads of these two samples, in the order of a pass."""
    samples = sorted({*both})
    even, odd = ([each for each in samples if each % 2 == rest] for rest in (0, 1))
    if is_split:
        yield from ((True, each) for each in even)
        yield from ((False, each) for each in odd)
        yield from ((True, each) for each in odd)
    else:
        yield from ((True, each) for each in samples)
    yield from ((False, each) for each in samples)
