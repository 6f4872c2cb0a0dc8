"""A memory with a fault, written plainly for the tests: no part of the product is imported.

Words lie in units (whole words, or bytes) of banks; a fault changes which unit an address reaches,
or what its lines carry.  Writing goes upwards, so of two writes to one unit the later one stays.
The families of faults are from memory, as the textbooks on the testing of memories have them (van
de Goor, "Testing Semiconductor Memories", 1991).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np
from msgspec import Struct

Array = np.ndarray[Any, np.dtype[np.int64]]
Rng = np.random.Generator
Spot = Callable[[Array, Array], Any]
"""Whether units, by their bank and place in it, are concerned."""
ARRANGEMENTS: Final = {
    "in a row": 16,
    "in turns": 16,
    "side by side": 16,
    "bytes": 16,
    "twelve bits": 12,
    "row of 12": 12,
    "row of 8": 8,
}
"""Each with the bits that the unit keeps."""


class PlainMemory:
    """`banks` banks of `size` words in an arrangement, the test beginning at word `start`."""

    def __init__(self, arrangement: str, *, banks: int, size: int, start: int, seed: int) -> None:
        self.arrangement = arrangement
        self.bits = ARRANGEMENTS[arrangement]
        self.banks, self.start = banks, start
        self.rng = np.random.default_rng(seed)
        self.lanes = {"side by side": 2, "bytes": 2}.get(arrangement, 1)
        self.words = banks * size - start
        self.unit_bits = {"side by side": 8, "bytes": 8, "twelve bits": 8}.get(
            arrangement, self.bits
        )
        units = banks * size
        if arrangement == "twelve bits":  # the units of a bank are a power of two
            self.words = (units * 2 // 3 - start) // 2 * 2
        elif arrangement == "bytes":
            units *= 2
        elif arrangement == "side by side":
            units = banks * size  # each bank has a byte of every word
            self.banks = banks = 2
            units *= 2
        self.bank_units = units // banks
        self.address_bits = max(self.bank_units - 1, 1).bit_length()
        self.cells = self.rng.integers(0, 1 << self.unit_bits, (banks, self.bank_units))
        self.reading: Callable[[int, int], Array]
        self.route: Callable[[Array, Array, bool], tuple[Array, Array]]
        self.carry: Callable[[Array, Array, Array, bool], Array]
        self.after: Callable[[Array, bool], Array]
        self.bare()

    def bare(self) -> Callable[[int, int], Array]:
        """Do what a memory without a fault does; return how it reads."""
        self.route = lambda bank, at, _: (bank, at)
        self.carry = lambda bank, at, value, _: value
        self.after = lambda words, _: words
        self.reading = self._read
        return self.reading

    # words to units and back

    def _places(self, first: int, count: int) -> tuple[Array, Array]:
        word = np.arange(first, first + count) + self.start
        if self.arrangement in ("in a row", "row of 12", "row of 8"):
            return word // self.bank_units, word % self.bank_units
        if self.arrangement == "in turns":
            return word % self.banks, word // self.banks
        if self.arrangement == "side by side":
            lane = np.tile([0, 1], count)
            return lane, np.repeat(word, 2)
        if self.arrangement == "bytes":
            byte = np.repeat(word * 2, 2) + np.tile([0, 1], count)
            return byte // self.bank_units, byte % self.bank_units
        pair = np.repeat(word[::2] // 2 * 3, 3) + np.tile([0, 1, 2], count // 2)
        return pair // self.bank_units, pair % self.bank_units

    def concerned(self, spot: Spot) -> Array:
        """Return the words of the test of which a unit is at a spot."""
        count = self.words // 2 * 2
        bank, at = self._places(0, count)
        units = np.asarray(spot(bank, at), np.bool_)
        if self.arrangement == "twelve bits":
            a, b, c = units[::3], units[1::3], units[2::3]
            return np.flatnonzero(np.stack([a | b, b | c], axis=1))
        return np.flatnonzero(units.reshape(count, self.lanes).any(axis=1))

    def _units(self, words: Array) -> Array:
        if self.lanes == 2:
            return np.stack([words >> 8, words & 255], axis=1).ravel()
        if self.arrangement == "twelve bits":
            one, two = words[::2], words[1::2]
            return np.stack([one >> 4, ((one & 15) << 4) | (two >> 8), two & 255], axis=1).ravel()
        return words

    def _words(self, units: Array) -> Array:
        if self.lanes == 2:
            return units[::2] << 8 | units[1::2]
        if self.arrangement == "twelve bits":
            a, b, c = units[::3], units[1::3], units[2::3]
            return np.stack([a << 4 | b >> 4, (b & 15) << 8 | c], axis=1).ravel()
        return units

    def write(self, first: int, values: Any) -> None:
        """Write words upwards."""
        words = np.asarray(values, np.int64)
        bank, at = self._places(first, len(words))
        units = self.carry(bank, at, self._units(words), True)
        bank, at = self.route(bank, at, True)
        ok = bank >= 0
        self.cells[bank[ok], at[ok]] = units[ok]

    def read(self, first: int, count: int) -> Array:
        """Read words upwards."""
        return self.reading(first, count)

    def _read(self, first: int, count: int) -> Array:
        bank, at = self._places(first, count)
        there, where = self.route(bank, at, False)
        units = np.where(there >= 0, self.cells[there, where], 0)
        return self.after(self._words(self.carry(bank, at, units, False)), False)


class Made(Struct, frozen=True, kw_only=True):
    """What was put into a memory."""

    kind: str
    answers: frozenset[str]
    """What it may be called: kinds that nobody can tell apart are one, listed beforehand."""
    lines: tuple[int, ...] = ()
    """The data lines, as a report numbers them: from the lowest bit of a word, or of a byte."""
    distance: int | None = None
    """Words between two addresses that are the same memory, where there is one such distance."""
    spot: Spot | None = None
    """Whether a unit of a bank is concerned; None where no one place is."""


def _in(bank: Array, which: int) -> Any:
    return np.ones_like(bank, np.bool_) if which < 0 else bank == which


def _dice(memory: PlainMemory) -> tuple[Rng, int]:
    return memory.rng, int(memory.rng.integers(memory.banks))


def _line(memory: PlainMemory, which: int, b: int) -> int:
    """The data line by the number that the report gives it."""
    if memory.arrangement == "side by side":
        return b + 8 * (which == 0)
    return b


def _apart(memory: PlainMemory, units: int) -> int:
    """Words between two units of a bank."""
    if memory.arrangement == "in turns":
        return units * memory.banks
    if memory.arrangement == "bytes":
        return units // 2
    return round(units * 2 / 3) if memory.arrangement == "twelve bits" else units


def _whole(which: int) -> Spot:
    return lambda bank, at: bank == which


def nothing(memory: PlainMemory) -> Made:
    return Made(kind="nothing", answers=frozenset())


def data_line_stuck(memory: PlainMemory) -> Made:
    rng, which = _dice(memory)
    b, level = int(rng.integers(memory.unit_bits)), int(rng.integers(2))
    mask = 1 << b

    def carry(bank: Array, at: Array, value: Array, writing: bool) -> Array:
        return np.where(bank == which, value | mask if level else value & ~mask, value)

    memory.carry = carry
    return Made(
        kind="data line stuck",
        answers=frozenset({"data line stuck"}),
        lines=(_line(memory, which, b),),
        spot=_whole(which),
    )


def data_lines_joined(memory: PlainMemory) -> Made:
    rng, which = _dice(memory)
    a, b = sorted(map(int, rng.choice(memory.unit_bits, 2, replace=False)))
    wins = int(rng.integers(2))

    def carry(bank: Array, at: Array, value: Array, writing: bool) -> Array:
        one, two = value >> a & 1, value >> b & 1
        both = one | two if wins else one & two
        joined = value & ~(1 << a | 1 << b) | both << a | both << b
        return np.where(bank == which, joined, value)

    memory.carry = carry
    return Made(
        kind="data lines joined",
        answers=frozenset({"data lines joined"}),
        lines=(_line(memory, which, a), _line(memory, which, b)),
        spot=_whole(which),
    )


def data_line_loose(memory: PlainMemory) -> Made:
    rng, which = _dice(memory)
    b = int(rng.integers(memory.unit_bits))

    def carry(bank: Array, at: Array, value: Array, writing: bool) -> Array:
        flips = rng.integers(0, 2, len(value)) << b
        return np.where((bank == which) & (not writing), value ^ flips, value)

    memory.carry = carry
    return Made(
        kind="data line loose",
        answers=frozenset({"data line loose"}),
        lines=(_line(memory, which, b),),
        spot=_whole(which),
    )


def address_line(memory: PlainMemory) -> Made:
    rng, which = _dice(memory)
    k = int(rng.integers(memory.address_bits))
    level = int(rng.integers(2))

    def route(bank: Array, at: Array, writing: bool) -> tuple[Array, Array]:
        stuck = at | 1 << k if level else at & ~(1 << k)
        stuck = np.minimum(stuck, memory.bank_units - 1)
        return bank, np.where(bank == which, stuck, at)

    memory.route = route
    answers = {"address line"}
    if k == memory.address_bits - 1:
        answers |= {"half the size", "modules together"}
    if k == 0:
        answers |= {"modules together"}
    return Made(
        kind="address line",
        answers=frozenset(answers),
        distance=_apart(memory, 1 << k),
        spot=_whole(which),
    )


def address_lines_joined(memory: PlainMemory) -> Made:
    rng, which = _dice(memory)
    j, k = sorted(map(int, rng.choice(memory.address_bits, 2, replace=False)))
    wins = int(rng.integers(2))

    def route(bank: Array, at: Array, writing: bool) -> tuple[Array, Array]:
        one, two = at >> j & 1, at >> k & 1
        both = one | two if wins else one & two
        joined = at & ~(1 << j | 1 << k) | both << j | both << k
        return bank, np.where(bank == which, np.minimum(joined, memory.bank_units - 1), at)

    memory.route = route
    return Made(
        kind="address lines joined",
        answers=frozenset({"address lines joined"}),
        distance=_apart(memory, 1 << k),
        spot=_whole(which),
    )


def missing(memory: PlainMemory) -> Made:
    rng, which = _dice(memory)
    reads = int(rng.integers(4))
    ones = (1 << memory.unit_bits) - 1

    def carry(bank: Array, at: Array, value: Array, writing: bool) -> Array:
        if reads < 2:
            there = np.full_like(value, ones * reads)
        elif reads == 2:
            there = rng.integers(0, ones + 1, len(value))
        else:  # the last word that was on the bus
            index = np.where(bank == which, 0, np.arange(len(value)))
            there = value[np.maximum.accumulate(index)]
            there = np.where((np.cumsum(bank != which) == 0), 0, there)
        return np.where((bank == which) & (not writing), there, value)

    memory.carry = carry
    answers = {"module missing"}
    if reads == 3 and memory.arrangement in ("in turns", "side by side"):
        answers |= {"modules together"}  # every unit then is as its neighbour
    return Made(kind="module missing", answers=frozenset(answers), spot=_whole(which))


def half_the_size(memory: PlainMemory) -> Made:
    _, which = _dice(memory)
    half = memory.bank_units // 2
    memory.route = lambda bank, at, _: (bank, np.where(bank == which, at % half, at))
    answers = frozenset({"half the size", "modules together"})
    return Made(
        kind="half the size", answers=answers, distance=_apart(memory, half), spot=_whole(which)
    )


def together(memory: PlainMemory) -> Made:
    memory.route = lambda bank, at, _: (np.zeros_like(bank), at)
    return Made(kind="modules together", answers=frozenset({"modules together", "address line"}))


def chip(memory: PlainMemory) -> Made:
    rng, which = _dice(memory)
    lowest = 4 * int(rng.integers(memory.unit_bits // 4))
    mask = 15 << lowest
    level = int(rng.integers(3))

    def carry(bank: Array, at: Array, value: Array, writing: bool) -> Array:
        dead = (
            value & ~mask,
            value | mask,
            value & ~mask | rng.integers(0, 1 << 16, len(value)) & mask,
        )
        return np.where((bank == which) & (not writing), dead[level], value)

    memory.carry = carry
    first = _line(memory, which, lowest)
    return Made(
        kind="chip",
        answers=frozenset({"chip"}),
        lines=tuple(range(first, first + 4)),
        spot=_whole(which),
    )


def _dead(
    memory: PlainMemory, kind: str, which: int, where: Callable[[Array], Any], *, in_one_bit: bool
) -> Made:
    """Cells that always read the same."""
    rng = memory.rng
    mask = (1 << memory.unit_bits) - 1
    if in_one_bit:
        mask = 1 << int(rng.integers(memory.unit_bits))
    level = int(rng.integers(2))

    def spot(bank: Array, at: Array) -> Any:
        return (bank == which) & where(at)

    def carry(bank: Array, at: Array, value: Array, writing: bool) -> Array:
        return np.where(spot(bank, at), value | mask if level else value & ~mask, value)

    memory.carry = carry
    return Made(kind=kind, answers=frozenset({kind}), spot=spot)


def block(memory: PlainMemory) -> Made:
    rng, which = _dice(memory)
    part = memory.bank_units // 4
    begin = part * int(rng.integers(4))
    return _dead(
        memory, "block", which, lambda at: (at >= begin) & (at < begin + part), in_one_bit=False
    )


def row(memory: PlainMemory) -> Made:
    rng, which = _dice(memory)
    size = 1 << (memory.address_bits // 2)
    begin = size * int(rng.integers(memory.bank_units // size))
    one = bool(rng.integers(2))
    return _dead(memory, "row", which, lambda at: at // size == begin // size, in_one_bit=one)


def column(memory: PlainMemory) -> Made:
    rng, which = _dice(memory)
    size = 1 << (memory.address_bits // 2)
    rest = int(rng.integers(size))
    one = bool(rng.integers(2))
    return _dead(memory, "column", which, lambda at: at % size == rest, in_one_bit=one)


def cells(memory: PlainMemory) -> Made:
    rng, _ = _dice(memory)
    count = int(rng.integers(1, 9))
    at = rng.choice(memory.words, count, replace=False)
    mask = 1 << rng.integers(0, memory.bits, count)
    high = rng.integers(0, 2, count).astype(np.bool_)
    cell = dict(zip(map(int, at), zip(map(int, mask), map(bool, high), strict=True), strict=True))
    plain = memory.reading

    def read(first: int, number: int) -> Array:
        words = plain(first, number)
        for place, (one, is_high) in cell.items():
            if first <= place < first + number:
                old = words[place - first]
                words[place - first] = old | one if is_high else old & ~one
        return words

    memory.reading = read
    return Made(kind="cells", answers=frozenset({"cells"}))


def noise(memory: PlainMemory) -> Made:
    rng, _ = _dice(memory)

    def after(words: Array, writing: bool) -> Array:
        hit = rng.random(len(words)) < 1e-3
        return np.where(hit, words ^ 1 << rng.integers(0, memory.bits, len(words)), words)

    memory.after = after
    return Made(kind="noise", answers=frozenset({"noise"}))


LISTED: Final[dict[str, Callable[[PlainMemory], Made]]] = {
    each.__name__: each
    for each in (
        *(nothing, data_line_stuck, data_lines_joined, data_line_loose, address_line),
        *(address_lines_joined, missing, half_the_size, together, chip, block, row, column),
        *(cells, noise),
    )
}


# faults that nobody has listed


def three_lines_joined(memory: PlainMemory) -> Made:
    rng, which = _dice(memory)
    lines = sorted(map(int, rng.choice(memory.address_bits, 3, replace=False)))
    wins = int(rng.integers(2))

    def route(bank: Array, at: Array, writing: bool) -> tuple[Array, Array]:
        bits = [at >> k & 1 for k in lines]
        both = bits[0] | bits[1] | bits[2] if wins else bits[0] & bits[1] & bits[2]
        mask = sum(1 << k for k in lines)
        joined = at & ~mask | both * mask
        return bank, np.where(bank == which, np.minimum(joined, memory.bank_units - 1), at)

    memory.route = route
    return Made(kind="three address lines joined", answers=frozenset({"unknown"}))


def every_third(memory: PlainMemory) -> Made:
    rng, which = _dice(memory)
    period, rest = int(rng.integers(3, 6)), int(rng.integers(3))

    def carry(bank: Array, at: Array, value: Array, writing: bool) -> Array:
        return np.where((bank == which) & (at % period != rest) & (not writing), 0, value)

    memory.carry = carry
    return Made(kind="answers now and then", answers=frozenset({"unknown"}))


def follows(memory: PlainMemory) -> Made:
    rng, which = _dice(memory)
    a, b = map(int, rng.choice(memory.unit_bits, 2, replace=False))

    def carry(bank: Array, at: Array, value: Array, writing: bool) -> Array:
        one = value >> a & 1
        return np.where(bank == which, value & ~(1 << b) | one << b, value)

    memory.carry = carry
    return Made(kind="a line that follows another", answers=frozenset({"unknown"}))


def swapped_bits(memory: PlainMemory) -> Made:
    _, which = _dice(memory)
    half = memory.unit_bits // 2
    low = (1 << half) - 1

    def carry(bank: Array, at: Array, value: Array, writing: bool) -> Array:
        turned = (value & low) << half | value >> half
        return np.where((bank == which) & (not writing), turned, value)

    memory.carry = carry
    return Made(kind="halves of words exchanged", answers=frozenset({"unknown"}))


def repeats(memory: PlainMemory) -> Made:
    rng, which = _dice(memory)
    period = 3 << int(rng.integers(6, memory.address_bits - 2))
    memory.route = lambda bank, at, _: (bank, np.where(bank == which, at % period, at))
    return Made(kind="repeats every 3 x 2^k", answers=frozenset({"unknown"}))


def late(memory: PlainMemory) -> Made:
    _, which = _dice(memory)

    def route(bank: Array, at: Array, writing: bool) -> tuple[Array, Array]:
        before = np.where((bank == which) & (not writing), np.maximum(at - 1, 0), at)
        return bank, before

    memory.route = route
    return Made(kind="a unit late", answers=frozenset({"unknown"}))


def inverted_half(memory: PlainMemory) -> Made:
    rng, which = _dice(memory)
    mask = int(rng.integers(1, 1 << memory.unit_bits))

    def carry(bank: Array, at: Array, value: Array, writing: bool) -> Array:
        return np.where((bank == which) & (not writing), value ^ mask, value)

    memory.carry = carry
    return Made(kind="lines turned over", answers=frozenset({"unknown"}))


def many_cells(memory: PlainMemory) -> Made:
    rng, _ = _dice(memory)
    bad = rng.random(memory.words + memory.start) < 0.02
    place = [0]
    plain = memory.reading

    def read(first: int, number: int) -> Array:
        words = plain(first, number)
        place[0] = first
        hit = bad[first : first + number]
        return np.where(hit, words ^ 1, words)

    memory.reading = read
    return Made(kind="many cells", answers=frozenset({"unknown"}))


def _read_elsewhere(memory: PlainMemory, kind: str, where: Callable[[Array], Array]) -> Made:
    """Read from another address than was written to."""
    _, which = _dice(memory)

    def route(bank: Array, at: Array, writing: bool) -> tuple[Array, Array]:
        there = np.minimum(where(at), memory.bank_units - 1)
        return bank, np.where((bank == which) & (not writing), there, at)

    memory.route = route
    return Made(kind=kind, answers=frozenset({"unknown"}))


def early(memory: PlainMemory) -> Made:
    return _read_elsewhere(memory, "a unit early", lambda at: at + 1)


def pairs_exchanged(memory: PlainMemory) -> Made:
    return _read_elsewhere(memory, "pairs exchanged", lambda at: at ^ 1)


def halves_exchanged(memory: PlainMemory) -> Made:
    top = 1 << memory.address_bits - 1
    return _read_elsewhere(memory, "halves exchanged", lambda at: at ^ top)


def only_with_its_neighbour(memory: PlainMemory) -> Made:
    rng, which = _dice(memory)
    a, b = map(int, rng.choice(memory.unit_bits, 2, replace=False))

    def carry(bank: Array, at: Array, value: Array, writing: bool) -> Array:
        return np.where((bank == which) & (value >> a & 1 == 0), value & ~(1 << b), value)

    memory.carry = carry
    return Made(kind="a line that is 1 only with its neighbour", answers=frozenset({"unknown"}))


def first_write_stays(memory: PlainMemory) -> Made:
    _, which = _dice(memory)
    done = np.zeros(memory.cells.shape, np.bool_)

    def route(bank: Array, at: Array, writing: bool) -> tuple[Array, Array]:
        if not writing:
            return bank, at
        again = done[bank, at] & (bank == which)
        done[bank, at] = True
        return np.where(again, -1, bank), at

    memory.route = route
    return Made(kind="what is written first stays", answers=frozenset({"unknown"}))


UNLISTED: Final[dict[str, Callable[[PlainMemory], Made]]] = {
    each.__name__: each
    for each in (
        *(three_lines_joined, every_third, follows, swapped_bits, repeats, late, inverted_half),
        *(many_cells, early, pairs_exchanged, halves_exchanged, only_with_its_neighbour),
        first_write_stays,
    )
}
