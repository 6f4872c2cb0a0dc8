"""Cells beside a plain memory, for every arrangement and every fault; and the words of faults.

The plain memory (`plain_memory.py`) takes the words of a fault and one bit after the other.  Which
cells a seed draws is a choice of the project's and no truth: the plain memory is told.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dryload.emulator.unit.cells import Cells
from dryload.emulator.unit.memory_faults import (
    FORMS,
    MemoryFault,
    drawn,
    impossible,
    layout_of,
    memory_fault,
)
from dryload.emulator.unit.traits import MemoryTraits, WordTraits
from dryload.emulator.wire.words import word_dtype
from tests.unit.plain_memory import Bit, PlainCell, PlainFault, PlainMemory, Shape

MIN = 60_000_000_000
WAYS = (
    *(("in a row", "words"), ("in turns", "words"), ("side by side", "words")),
    *(("in a row", "bytes"), ("in turns", "bytes")),
    *(("in a row", "twelve bits"), ("in turns", "twelve bits")),
)
TEXTS = (
    *("data line {n} of bank {b} stuck high", "data line {n} of bank {b} stuck low"),
    *("data lines {n} and {m} of bank {b} joined", "data line {n} of bank {b} loose, seed {n}"),
    *("address line {n} of bank {b} stuck", "address lines {n} and {m} of bank {b} joined"),
    *("bank {b} missing", "bank {b} missing, reads zeros", "bank {b} missing, reads anything"),
    *("bank {b} missing, reads the last word", "bank {b} half the size", "banks 1 and 2 together"),
    *("chip {n} of bank {b} dead", "row {n} of bank {b} dead", "column {n} of bank {b} dead"),
    *("a quarter of bank {b} dead", "quarter {n} of bank {b} dead", "{k} bad cells, seed {n}"),
    *("{k} bad cells in bank {b}", "{k} slow cells, seed {n}", "{k} coupled cells, seed {n}"),
    *("9 leaky cells after 3 min, seed {n}", "{k} bad cells among the first 2 words"),
    *("bank {b} forgets after 2 min without power", "bank {b} forgets without power"),
    "banks 2 and 3 together",
)


def test_every_kind_is_tried() -> None:
    said = {text.format(n=1, m=2, b=1, k=3) for text in TEXTS}
    assert {memory_fault(text).kind for text in said} == {*FORMS} - {"noise in reads"}


class Both:
    """A memory at fault and the plain one."""

    def __init__(self, shape: Shape, texts: Sequence[str]) -> None:
        self.shape = shape
        self.bits = min(shape.width, 28)  # the widest word that a dump has (HDR-03)
        words = WordTraits(accepts=(12,) if shape.cells == "twelve bits" else (self.bits,))
        traits = {
            "arrangement": shape.arrangement,
            "cells": shape.cells,
            "bank_words": shape.bank_words,
            "start_word": shape.start,
            "fitted": tuple(range(1, shape.banks + 1)),
        }
        memory = MemoryTraits(**traits)  # type: ignore[arg-type]  # keys of one type each
        layout = layout_of(memory, words, shape.banks)
        texts = [text for text in texts if not self.is_senseless(text, layout)]
        self.texts = texts
        self.plain = PlainMemory(
            shape, [each for text in texts for each in plain_of(memory_fault(text), layout)]
        )
        at_fault = MemoryTraits(**traits, faults=tuple(texts))  # type: ignore[arg-type]  # as above
        self.cells = Cells(at_fault, words, banks=shape.banks)
        self.size = shape.banks * shape.bank_words - shape.start

    def is_senseless(self, text: str, layout: object) -> bool:
        try:
            return bool(impossible(memory_fault(text), layout))  # type: ignore[arg-type]
        except ValueError:
            return True

    def write(self, start: int, count: int, now_ns: int, seed: int) -> None:
        count = min(count, self.size - start)
        top = 1 << (self.bits - 1)
        words = np.random.default_rng(seed).integers(-top, top, count)
        cut = count // 3  # two regions, of which the later one lies in front
        regions = [range(start + cut, start + count), range(start, start + cut)]
        first = words[: count // 2].astype(word_dtype(self.bits))
        self.cells.write(regions, 0, first, self.bits, now_ns)
        rest = words[count // 2 :].astype(word_dtype(self.bits))
        self.cells.write(regions, count // 2, rest, self.bits, now_ns)
        places = [at for each in regions for at in each]
        for at, word in zip(places, words.tolist(), strict=True):
            raw = word % (1 << self.bits) << (self.shape.width - self.bits)
            self.plain.write(at, raw, now_ns)

    def compare(self, start: int, count: int) -> None:
        count = min(count, self.size - start)
        if not count:
            return
        words = self.cells.read([range(start, start + count)], count, self.bits).tolist()
        expected = self.plain.read(range(start, start + count))
        for at, (word, bits) in enumerate(zip(words, expected, strict=True)):
            low = self.shape.width - self.bits
            found = [word >> n & 1 for n in range(self.bits)]
            wrong = [n for n in range(self.bits) if bits[low + n] not in (found[n], None)]
            assert not wrong, (self.shape, self.texts, start + at, wrong)


def plain_of(fault: MemoryFault, layout: object) -> list[PlainFault]:
    """The faults for the plain memory: banks from 0, and each cell by itself."""
    if fault.kind == "banks together":
        return [PlainFault(fault.kind, at=(min(fault.bank) - 1, max(fault.bank) - 1))]
    if not fault.kind.endswith("cells"):
        where = fault.bank[0] - 1, fault.at, fault.level, fault.for_ns, fault.reads
        return [PlainFault(fault.kind, *where)]
    return [
        PlainFault(
            fault.kind,
            each.cell.bank,
            level=each.level,
            after_ns=fault.for_ns,
            cell=PlainCell(each.cell.bank, each.cell.address, each.cell.line),
            other=PlainCell(each.other.bank, each.other.address, each.other.line),
        )
        for each in drawn(fault, layout)  # type: ignore[arg-type]
    ]


@st.composite
def memories(draw: st.DrawFn) -> Both:
    arrangement, cells = draw(st.sampled_from(WAYS))
    banks, bank_words = draw(st.integers(1, 3)), draw(st.sampled_from([1, 2, 7, 16, 21]))
    width = 12 if cells == "twelve bits" else draw(st.sampled_from([8, 16, 24, 32]))
    start = draw(st.sampled_from([0, 0, bank_words // 2]))
    small = st.integers(0, 15)
    texts = draw(
        st.lists(
            st.builds(
                lambda text, n, m, b, k: text.format(n=n, m=m, b=b, k=k),
                *(st.sampled_from(TEXTS), small, small, st.integers(1, banks), st.integers(1, 30)),
            ),
            max_size=3,
            unique=True,
        )
    )
    return Both(Shape(banks, bank_words, arrangement, cells, width, start), texts)


STEPS = st.lists(
    st.tuples(
        st.sampled_from(["write", "write", "write", "wait", "off", "look", "anew"]),
        st.integers(0, 70),
        st.integers(0, 70),
    ),
    max_size=7,
)


@pytest.mark.parametrize(("arrangement", "kind"), WAYS)
@pytest.mark.parametrize("text", TEXTS)
def test_each_fault_is_what_its_words_say_in_every_arrangement(
    text: str, arrangement: str, kind: str
) -> None:
    said = 0
    for banks, bank_words, n in ((2, 21, 0), (2, 21, 1), (2, 21, 3), (1, 6, 2), (3, 8, 2)):
        shape = Shape(banks, bank_words, arrangement, kind, 12 if kind == "twelve bits" else 16, n)
        both = Both(shape, [text.format(n=n, m=n + 1, b=min(2, banks), k=12)])
        said += len(both.texts)
        both.write(0, both.size, 0, n)
        both.compare(0, both.size)
        both.write(both.size // 2, both.size // 3, 2 * MIN, n + 1)
        both.cells.pass_time(4 * MIN)
        both.plain.wait(4 * MIN)
        both.compare(0, both.size)
        both.cells.lose_power(2 * MIN)
        both.plain.be_off(2 * MIN)
        both.compare(0, both.size)
    assert said or (arrangement == "side by side" and "together" in text)


@settings(max_examples=120, deadline=None)
@given(memories(), STEPS)
def test_cells_are_what_a_plain_memory_is(both: Both, steps: list[tuple[str, int, int]]) -> None:
    now_ns = 0
    both.write(0, both.size, now_ns, 1)
    for step, one, other in steps:
        match step:
            case "write":
                both.write(one % both.size, other, now_ns, one)
            case "wait":
                now_ns += one * MIN // 10
                both.cells.pass_time(now_ns)
                both.plain.wait(now_ns)
            case "off":
                both.cells.lose_power(one * MIN // 10)
                both.plain.be_off(one * MIN // 10)
            case "anew":
                both.cells.begin_reading()
            case _:
                both.compare(one % both.size, other)
    both.compare(0, both.size)


@pytest.mark.parametrize(("arrangement", "kind"), WAYS)
@pytest.mark.parametrize("banks", [1, 2, 3])
def test_without_a_fault_every_word_of_every_width_is_kept(
    arrangement: str, kind: str, banks: int
) -> None:
    width = 12 if kind == "twelve bits" else 16
    memory = MemoryTraits(
        bank_words=37,
        arrangement=arrangement,  # type: ignore[arg-type]
        cells=kind,  # type: ignore[arg-type]
        start_word=5,
        faults=("bank 1 forgets after 1 min without power",),
    )
    cells = Cells(memory, WordTraits(accepts=(width,)), banks=banks)
    cells.lose_power(MIN - 1)
    regions = [range(27, 38) if banks > 1 else range(15, 26), range(3, 5)]
    for bits in range(8, width + 1):
        top = 1 << (bits - 1)
        words = np.random.default_rng(bits).integers(-top, top, 13).astype(word_dtype(bits))
        cells.write(regions, 0, words[:6], bits, 0)
        cells.write(regions, 6, words[6:], bits, 0)
        found = cells.read(regions, 13, bits)
        assert found.dtype == word_dtype(bits)
        assert found.tolist() == words.tolist()


def memory_of(*faults: str, count: int = 4_000) -> Cells:
    """One bank of words of 16 bits that hold 0."""
    return Cells(MemoryTraits(bank_words=count, faults=faults), WordTraits(), banks=1)


def read(cells: Cells, count: int = 4_000) -> list[int]:
    return [int(word) for word in cells.read([range(count)], count, 16)]


def test_noise_is_one_bit_in_one_of_so_many_words_and_another_one_the_next_time() -> None:
    cells = memory_of("noise in 1 of 20 reads, seed 4", count=100_000)
    first, again = read(cells, 100_000), read(cells, 100_000)
    assert first == again  # a look is no reading
    cells.begin_reading()
    second = read(cells, 100_000)
    wrong = [[at for at, word in enumerate(words) if word] for words in (first, second)]
    assert all(4_700 < len(each) < 5_300 for each in wrong)  # 5,000 and four standard deviations
    assert len({*wrong[0]} & {*wrong[1]}) < 500
    assert {(word & 0xFFFF).bit_count() for word in first} == {0, 1}
    assert {word & 0xFFFF for word in first} == {0, *(1 << bit for bit in range(16))}


def test_a_loose_line_is_1_in_half_of_the_words() -> None:
    cells = memory_of("data line 3 of bank 1 loose")
    first = read(cells)
    cells.begin_reading()
    second = read(cells)
    assert {*first} == {*second} == {0, 8}
    assert 1_870 < first.count(8) < 2_130  # 2,000 and four standard deviations
    assert 1_870 < sum(a != b for a, b in zip(first, second, strict=True)) < 2_130


def test_a_bank_that_forgot_holds_anything_and_always_the_same() -> None:
    cells = memory_of("bank 1 forgets after 3 min without power")
    cells.lose_power(3 * MIN)
    assert len({*read(cells)}) > 3_700
    assert read(cells) == read(cells)
    cells.write([range(4_000)], 0, np.zeros(4_000, np.int16), 16, 0)
    assert {*read(cells)} == {0}


def test_cells_are_drawn_by_their_seed_and_lie_where_it_is_said() -> None:
    layout = layout_of(MemoryTraits(bank_words=1_000), WordTraits(), 2)

    def cells(text: str) -> list[tuple[int, int, int]]:
        found = (each.cell for each in drawn(memory_fault(text), layout))
        return [(cell.bank, cell.address, cell.line) for cell in found]

    assert cells("40 bad cells") == cells("40 bad cells, seed 0") != cells("40 bad cells, seed 1")
    assert {bank for bank, _, _ in cells("40 bad cells")} == {0, 1}
    assert {bank for bank, _, _ in cells("40 bad cells in bank 2")} == {1}
    among = cells("400 slow cells, among the first 30 words, seed 7")
    assert {address for _, address, _ in among} == set(range(30))
    assert {line for _, _, line in among} == set(range(16))
    for kind, addresses in (("bytes", 60), ("twelve bits", 45)):
        memory = MemoryTraits(bank_words=1_000, cells=kind)  # type: ignore[arg-type]
        packed = layout_of(memory, WordTraits(accepts=(12,)), 2)
        found = {
            each.cell.address
            for each in drawn(memory_fault("900 bad cells among the first 30 words"), packed)
        }
        assert found == set(range(addresses))
    pairs = [(each.cell, each.other) for each in drawn(memory_fault("90 coupled cells"), layout)]
    assert all(one != other and one.bank == other.bank for one, other in pairs)
    apart = [abs(one.address - other.address) for one, other in pairs]
    assert 15 < apart.count(0) < 45  # a third in the same word, a third beside it
    assert 15 < apart.count(1) < 45


def test_what_a_leaky_cell_holds_goes_when_it_is_due_and_is_told_before() -> None:
    cells = memory_of("a leaky cell after 2 s, among the first 1 words", count=1)
    ones = np.full(1, -1, np.int16)
    cells.write([range(1)], 0, ones, 16, 5)
    assert cells.next_ns == 2_000_000_005
    cells.pass_time(2_000_000_004)
    assert read(cells, 1) == [-1]
    cells.pass_time(2_000_000_005)
    (word,) = read(cells, 1)
    assert (word & 0xFFFF).bit_count() == 15
    assert cells.next_ns is None


def test_a_leaky_cell_that_is_written_again_holds_for_its_time_again() -> None:
    cells = memory_of("a leaky cell after 2 s, among the first 1 words", count=1)
    ones = np.full(1, -1, np.int16)
    for now_ns in (0, 1_500_000_000):
        cells.write([range(1)], 0, ones, 16, now_ns)
    cells.pass_time(3_000_000_000)
    assert read(cells, 1) == [-1]
    cells.pass_time(3_500_000_000)
    assert read(cells, 1) != [-1]


def test_half_of_an_odd_bank_is_the_larger_half() -> None:
    cells = memory_of("bank 1 half the size", count=7)
    cells.write([range(7)], 0, np.arange(7, dtype=np.int16), 16, 0)
    assert read(cells, 7) == [4, 5, 6, 3, 4, 5, 6]


def test_a_data_line_that_a_bank_has_no_more_does_nothing() -> None:
    """Side by side two banks have 8 of 16 data lines each."""
    memory = MemoryTraits(
        bank_words=9, arrangement="side by side", faults=("data line 12 of bank 2 stuck high",)
    )
    cells = Cells(memory, WordTraits(), banks=2)
    cells.write([range(9)], 0, np.arange(9, dtype=np.int16), 16, 0)
    assert read(cells, 9) == [*range(9)]


def test_of_two_banks_together_the_first_one_answers() -> None:
    memory = MemoryTraits(
        bank_words=3, faults=("banks 2 and 1 together", "data line 0 of bank 2 stuck high")
    )
    cells = Cells(memory, WordTraits(), banks=2)
    cells.write([range(6)], 0, np.arange(0, 12, 2, dtype=np.int16), 16, 0)
    assert read(cells, 6) == [6, 8, 10, 6, 8, 10]


# Words


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", '"" is no fault of a memory: there are: data line N of bank N stuck high; '),
        ("data line 3 of bank 1 lose", 'did you mean "data line N of bank N loose"?'),
        ("data line 3 of bank 1", 'did you mean "data line N of bank N loose"?'),
        ("bank 0 missing", "banks are counted from 1"),
        ("data lines 4 and 4 of bank 1 joined", "it takes two different ones"),
        ("banks 2 and 2 together", "it takes two different ones"),
        ("chip 0 of bank 1 dead", "chips are counted from 1"),
        ("quarter 5 of bank 1 dead", "there are quarters 1 to 4, not 5"),
        ("0 bad cells", "there must be 1 to 10,000, not 0"),
        ("10001 slow cells", "there must be 1 to 10,000, not 10,001"),
        ("noise in 1 of 0 reads", "there must be 1 to"),
        ("bank 1 missing reads twos", '"reads twos" is not understood: what may follow is'),
        ("chip 1 of bank 1 dead, seed 3", '"seed 3" is not understood: nothing may follow'),
        ("3 bad cells, seed 1, seed 2", "the seed is said twice"),
    ],
)
def test_words_that_say_no_fault(text: str, told: str) -> None:
    with pytest.raises(ValueError, match=re.escape(told)):
        memory_fault(text)


def test_words_may_stand_in_any_order_with_the_and_commas() -> None:
    same = [
        "8 bad cells in bank 1, among the first 400 words, seed 3",
        "8 bad cells seed 3 among first 400 words, in the bank 1",
        " 8  BAD cells,seed 3; in bank 1;among the first 400 words ",
    ]
    assert len({memory_fault(text) for text in same}) == 1


def answer_of(bits: Sequence[Bit]) -> int:
    return sum((bit or 0) << n for n, bit in enumerate(bits))


def test_the_plain_memory_by_a_case_worked_out_by_hand() -> None:
    """Two words of 12 bits are three bytes (555 and AAA: 55 5A AA); line 0 of a byte reads 0."""
    shape = Shape(1, 2, "in a row", "twelve bits", 12, 0)
    plain = PlainMemory(shape, [PlainFault("data line stuck", at=(0,), level=0)])
    plain.write(0, 0x555, 0)
    plain.write(1, 0xAAA, 0)
    assert plain.addresses == 3
    assert [answer_of(bits) for bits in plain.read([0, 1])] == [0x545, 0xAAA]
