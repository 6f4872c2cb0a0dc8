"""The faults that a unit's memory can have: the words for each, and what they mean.

Theory of operation.  A fault is said by one form of its kind, behind which endings may follow in
any order: "8 bad cells, in bank 1, seed 3".  A profile (`memory.faults`) and --disturb read the
same forms.  What a fault does to words is a matter of `emulator.unit.cells`.
"""

from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from functools import cache
from re import Pattern
from typing import Any, Final, Literal

from msgspec import Struct

from dryload.emulator.unit.dice import below, salt_of
from dryload.emulator.unit.forms import NUMBERS, pattern
from dryload.emulator.unit.traits import MemoryTraits, WordTraits
from dryload.emulator.wire.prose import listed

_MOST_CELLS: Final = 10_000
_FURTHEST: Final = 1 << 62


class MemoryForm(Struct, frozen=True):
    """One way to say a fault or an ending."""

    text: str
    fields: str = ""
    """The field of `MemoryFault` for each slot, in their order."""
    sets: Mapping[str, Any] = {}
    """Fields that the words themselves decide."""


class MemoryFault(Struct, frozen=True, kw_only=True):
    """One fault; which of the fields count is a matter of its kind."""

    kind: str
    """A name in `FORMS`."""
    bank: tuple[int, ...] = ()
    """Its bank, from 1; of cells and noise (): wherever; two of banks that answer together."""
    at: tuple[int, ...] = ()
    """Data lines or address lines from 0, a chip or a quarter from 1, a row or a column from 0."""
    level: int = 1
    """What a stuck data line reads."""
    count: int = 1
    """Cells, or pairs of coupled ones; of noise the reads among which one is wrong."""
    for_ns: int = 0
    """After how long without power, or after it was written."""
    reads: Literal["zeros", "ones", "anything", "the last word"] = "ones"
    """What a missing bank reads."""
    words: int = 0
    """The first words of a bank, among which its cells lie; 0: all of them."""
    seed: int = 0


_SEED: Final = MemoryForm("seed N", "seed")
_CELLS: Final = (
    MemoryForm("in bank N", "bank"),
    MemoryForm("among the first N words", "words"),
    _SEED,
)
FORMS: Final[Mapping[str, tuple[MemoryForm, ...]]] = {
    "data line stuck": (
        MemoryForm("data line N of bank N stuck high", "at bank"),
        MemoryForm("data line N of bank N stuck low", "at bank", {"level": 0}),
    ),
    "data lines joined": (MemoryForm("data lines N and N of bank N joined", "at at bank"),),
    "data line loose": (MemoryForm("data line N of bank N loose", "at bank"),),
    "address line stuck": (MemoryForm("address line N of bank N stuck", "at bank"),),
    "address lines joined": (MemoryForm("address lines N and N of bank N joined", "at at bank"),),
    "bank missing": (MemoryForm("bank N missing", "bank"),),
    "bank half the size": (MemoryForm("bank N half the size", "bank"),),
    "banks together": (MemoryForm("banks N and N together", "bank bank"),),
    "dead chip": (MemoryForm("chip N of bank N dead", "at bank"),),
    "dead row": (MemoryForm("row N of bank N dead", "at bank"),),
    "dead column": (MemoryForm("column N of bank N dead", "at bank"),),
    "dead quarter": (
        MemoryForm("quarter N of bank N dead", "at bank"),
        MemoryForm("a quarter of bank N dead", "bank", {"at": (1,)}),
    ),
    "bad cells": (MemoryForm("N bad cells", "count"), MemoryForm("a bad cell")),
    "slow cells": (MemoryForm("N slow cells", "count"), MemoryForm("a slow cell")),
    "coupled cells": (MemoryForm("N coupled cells", "count"),),
    "leaky cells": (
        MemoryForm("N leaky cells after TIME", "count for_ns"),
        MemoryForm("a leaky cell after TIME", "for_ns"),
    ),
    "noise in reads": (MemoryForm("noise in 1 of N reads", "count"),),
    "bank forgets": (
        MemoryForm("bank N forgets after TIME without power", "bank for_ns"),
        MemoryForm("bank N forgets without power", "bank"),
    ),
}
"""Every kind, with its forms."""
ENDINGS: Final[Mapping[str, tuple[MemoryForm, ...]]] = {
    "data line loose": (_SEED,),
    "bank missing": (
        *(
            MemoryForm(f"reads {what}", "", {"reads": what})
            for what in ("zeros", "ones", "anything", "the last word")
        ),
        _SEED,
    ),
    "bad cells": _CELLS,
    "slow cells": _CELLS,
    "coupled cells": _CELLS,
    "leaky cells": _CELLS,
    "noise in reads": (_SEED,),
    "bank forgets": (_SEED,),
}
"""What may follow, by the kind."""
_LISTS: Final = ("bank", "at")  # fields of several numbers


@cache
def memory_fault(text: str) -> MemoryFault:
    """Return the fault that a text says; ValueError says what is wrong with it."""
    rest = " ".join(text.lower().replace(",", " ").replace(";", " ").split())
    for kind, forms in FORMS.items():
        said = _begin(rest, forms)
        if said is None:
            continue
        fields, rest = said
        while rest:
            more = _begin(rest, ENDINGS.get(kind, ()))
            if more is None:
                may = [form.text for form in ENDINGS.get(kind, ())]
                follow = f"what may follow is {listed(may)}" if may else "nothing may follow"
                raise ValueError(f'"{rest}" is not understood: {follow}')
            if twice := more[0].keys() & fields.keys():
                raise ValueError(f"the {min(twice)} is said twice")
            fields |= more[0]
            rest = more[1]
        fault = MemoryFault(kind=kind, **fields)
        if problem := next(_senseless(fault), ""):
            raise ValueError(problem)
        return fault
    known = [form.text for forms in FORMS.values() for form in forms]
    near = get_close_matches(rest, known, n=1)
    hint = f'did you mean "{near[0]}"?' if near else f"there are: {'; '.join(known)}"
    raise ValueError(f'"{text[:60]}" is no fault of a memory: {hint}')


def _begin(text: str, forms: Sequence[MemoryForm]) -> tuple[dict[str, Any], str] | None:
    """Return what the form that takes most of a text says, and the rest of the text."""
    found = [(form, match) for form in forms if (match := _pattern(form.text).match(text))]
    if not found:
        return None
    form, match = max(found, key=lambda each: each[1].end())
    slots = [NUMBERS[token][1] for token in form.text.split() if token in NUMBERS]
    fields = dict(form.sets)
    for name, value, group in zip(form.fields.split(), slots, match.groups(), strict=True):
        number = value(group)
        fields[name] = (*fields.get(name, ()), number) if name in _LISTS else number
    return fields, text[match.end() :].lstrip()


@cache
def _pattern(form: str) -> Pattern[str]:
    return pattern(form)


def _senseless(fault: MemoryFault) -> Iterator[str]:
    """Yield what is wrong with a fault in any memory."""
    if 0 in fault.bank:
        yield "banks are counted from 1"
    if len({*fault.at}) < len(fault.at) or len({*fault.bank}) < len(fault.bank):
        yield "it takes two different ones"
    if fault.kind in ("dead chip", "dead quarter") and 0 in fault.at:
        yield f"{fault.kind.removeprefix('dead ')}s are counted from 1"
    if fault.kind == "dead quarter" and fault.at[0] > 4:
        yield f"there are quarters 1 to 4, not {fault.at[0]}"
    most = _FURTHEST if fault.kind == "noise in reads" else _MOST_CELLS
    if not 1 <= fault.count <= most:
        yield f"there must be 1 to {most:,}, not {fault.count:,}"


# How the words of a memory lie in its banks


class CellLayout(Struct, frozen=True, kw_only=True):
    """Where words lie: each is one or more pieces, and a piece has an address in a bank.

    A bank has addresses from 0 on; at each it keeps as many bits as it has data lines.
    """

    memory: MemoryTraits
    banks: int
    """Those that are of use."""
    width: int
    """Bits of a word; narrower samples stand in its upper bits, in two's complement."""
    pieces: int
    """Of a word, the one with the highest bits first."""
    shared: int
    """Pieces that stand at one address, the first in the upper data lines."""
    addresses: int
    """Of each bank."""

    @property
    def is_side_by_side(self) -> bool:
        """Whether each bank has a piece of every word."""
        return self.memory.arrangement == "side by side"

    @property
    def row(self) -> int:
        """Addresses of one row; cells with the same place in their rows are a column."""
        return 1 << ((self.addresses - 1).bit_length() + 1) // 2

    def bits(self, piece: int) -> tuple[int, int]:
        """Return the lowest bit of a piece in the word, and behind its highest one."""
        count = self.pieces
        return self.width * (count - 1 - piece) // count, self.width * (count - piece) // count

    def lines(self, bank: int) -> int:
        """Return how many data lines a bank has; the first bank is 0."""
        first, end = self.bits(bank if self.is_side_by_side else 0)
        return (end - first) * self.shared


def layout_of(memory: MemoryTraits, words: WordTraits, banks: int) -> CellLayout:
    """Return how words lie in so many banks, at least one."""
    width = word_width(memory, words)
    pieces, shared, addresses = 1, 1, memory.bank_words
    if memory.arrangement == "side by side":
        pieces, addresses = banks, banks * memory.bank_words
    elif memory.cells == "bytes":
        pieces = width // 8
        addresses = pieces * memory.bank_words
    elif memory.cells == "twelve bits":  # half bytes in a row
        pieces, shared = 3, 2
        addresses = -(-pieces * memory.bank_words // shared)
    return CellLayout(
        memory=memory,
        banks=banks,
        width=width,
        pieces=pieces,
        shared=shared,
        addresses=addresses,
    )


def word_width(memory: MemoryTraits, words: WordTraits) -> int:
    """Return the bits of a memory word: the widest that is kept, in whole bytes if it's not 12."""
    if memory.cells == "twelve bits":
        return 12
    return -(-max(kept_widths(words), default=8) // 8) * 8


def kept_widths(words: WordTraits) -> tuple[int, ...]:
    """Return the widths in which samples are kept."""
    return words.accepts if words.others == "refuse" else (*words.accepts, words.others_to)


def impossible(fault: MemoryFault, layout: CellLayout) -> str:
    """Return why a memory cannot have a fault, "" where it can."""
    wrong = [bank for bank in fault.bank if bank > layout.banks]
    if wrong:
        return f"bank {wrong[0]} is not one of the {layout.banks} that are of use"
    if fault.kind == "banks together" and layout.is_side_by_side:
        return "banks that lie side by side always answer together"
    if not fault.bank:
        return ""
    lines, addresses = layout.lines(fault.bank[0] - 1), layout.addresses
    counted, first, most = {
        "data line": ("data lines", 0, lines - 1),
        "data lines": ("data lines", 0, lines - 1),
        "address line": ("address lines", 0, (addresses - 1).bit_length() - 1),
        "address lines": ("address lines", 0, (addresses - 1).bit_length() - 1),
        "dead chip": ("chips", 1, -(-lines // 4)),
        "dead row": ("rows", 0, (addresses - 1) // layout.row),
        "dead column": ("columns", 0, min(layout.row, addresses) - 1),
    }.get(" ".join(fault.kind.split()[:2]), ("", 0, _FURTHEST))
    beyond = [at for at in fault.at if at > most]
    return f"the bank has {counted} {first} to {most:,}, not {beyond[0]:,}" if beyond else ""


class Cell(Struct, frozen=True):
    """One bit: bank and data line from 0, and its address."""

    bank: int
    address: int
    line: int


class DrawnCell(Struct, frozen=True):
    """A cell of a fault, and how it is at fault."""

    cell: Cell
    level: int
    """What a bad cell reads; of a slow one the value that it does not take; of a coupled one the
    value that, when the cell takes it, turns the other over."""
    other: Cell
    """The one that is coupled to it."""


def drawn(fault: MemoryFault, layout: CellLayout) -> Iterator[DrawnCell]:
    """Yield the cells of a fault, as its seed decides; one may come twice."""
    pieces = 1 if layout.is_side_by_side else layout.pieces
    among = -(-fault.words * pieces // layout.shared) or layout.addresses
    most = min(among, layout.addresses)
    salt = fault.seed, salt_of(fault.kind)
    for number in range(fault.count):
        bank = fault.bank[0] - 1 if fault.bank else below(layout.banks, *salt, number, 0)
        lines = layout.lines(bank)
        address, line = below(most, *salt, number, 1), below(lines, *salt, number, 2)
        near = below(3, *salt, number, 4)  # in the same word, at the next address, anywhere
        other_line = (line + 1 + below(max(lines - 1, 1), *salt, number, 5)) % lines
        other = (
            Cell(bank, address, other_line),
            Cell(bank, address ^ 1 if address ^ 1 < most else max(address - 1, 0), line),
            Cell(bank, below(most, *salt, number, 6), other_line),
        )[near]
        yield DrawnCell(Cell(bank, address, line), below(2, *salt, number, 3), other)
