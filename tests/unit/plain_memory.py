"""A memory at fault, plain: one bit after the other in a dict.

It is written from the words of each fault and knows nothing of the project's cells.  A bit is 0,
1 or None, which stands for anything.
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

Bit = int | None
_LINES = 32
"""Data lines of the widest bank."""


class PlainCell(NamedTuple):
    """One bit: bank and data line from 0."""

    bank: int
    address: int
    line: int


class PlainFault(NamedTuple):
    """A fault by its kind: the numbers in its words, or the cell that is at fault."""

    kind: str
    bank: int = 0
    at: tuple[int, ...] = ()
    level: int = 1
    after_ns: int = 0
    reads: str = "ones"
    cell: PlainCell = PlainCell(0, 0, 0)
    other: PlainCell = PlainCell(0, 0, 0)


class Shape(NamedTuple):
    """How the memory is built."""

    banks: int
    bank_words: int
    arrangement: str
    cells: str
    width: int
    start: int


class PlainMemory:
    """Words in banks; all bits are 0 at first."""

    def __init__(self, shape: Shape, faults: Sequence[PlainFault]) -> None:
        self.shape = shape
        self.faults = faults
        self.bits: dict[PlainCell, Bit] = {}
        self.lost_at: dict[PlainCell, int] = {}
        self.carried: dict[int, list[Bit]] = {}  # what was last on the data lines, by their bank

    def kinds(self, kind: str, bank: int | None = None) -> list[PlainFault]:
        """The faults of a kind, of one bank."""
        return [f for f in self.faults if f.kind == kind and bank in (None, f.bank)]

    # where things are

    @property
    def addresses(self) -> int:
        """How many a bank has."""
        shape = self.shape
        if shape.arrangement == "side by side":
            return shape.bank_words * shape.banks
        if shape.cells == "twelve bits":
            return (shape.bank_words * 12 + 7) // 8
        return shape.bank_words * (shape.width // 8 if shape.cells == "bytes" else 1)

    @property
    def row(self) -> int:
        """The addresses of a row: the smallest power of two whose square holds all of them."""
        row = 1
        while row * row < self.addresses:
            row *= 2
        return row

    def pieces(self, word: int) -> Iterator[tuple[int, int, int, list[int]]]:
        """Bank, address, first data line, and the word's bits that go there, lowest first."""
        shape, at = self.shape, word + self.shape.start
        bits = list(range(shape.width))
        if shape.arrangement == "side by side":
            edges = [shape.width * n // shape.banks for n in range(shape.banks + 1)]
            for bank in range(shape.banks):  # the first bank has the highest bits
                low, high = edges[shape.banks - 1 - bank], edges[shape.banks - bank]
                yield bank, at, 0, bits[low:high]
            return
        if shape.arrangement == "in turns":
            bank, inside = at % shape.banks, at // shape.banks
        else:
            bank, inside = at // shape.bank_words, at % shape.bank_words
        if shape.cells == "words":
            yield bank, inside, 0, bits
        elif shape.cells == "bytes":
            count = shape.width // 8
            for n in range(count):
                low = shape.width - 8 * (n + 1)
                yield bank, inside * count + n, 0, bits[low : low + 8]
        else:
            for n in range(3):  # half bytes, the upper half of a byte first
                half = inside * 3 + n
                low = 8 - 4 * n
                yield bank, half // 2, 4 if half % 2 == 0 else 0, bits[low : low + 4]

    def reached(self, bank: int, address: int) -> tuple[int, int] | None:
        """Bank and address that answer; None where nothing does."""
        changed = True
        while changed:
            changed = False
            for each in self.kinds("banks together"):
                if bank == each.at[1]:
                    bank, changed = each.at[0], True
        if self.kinds("bank missing", bank):
            return None
        for each in self.faults:
            if each.bank != bank:
                continue
            if each.kind == "bank half the size":
                half = (self.addresses + 1) // 2
                address = address - half if address >= half else address
            elif each.kind == "address line stuck":
                address -= (address >> each.at[0] & 1) << each.at[0]
            elif each.kind == "address lines joined":
                one, other = each.at
                if (address >> one & 1) != (address >> other & 1):
                    address = address & ~(1 << one) & ~(1 << other)
        return bank, address

    # what happens

    def write(self, word: int, value: int, now_ns: int) -> None:
        """Write a word, piece by piece."""
        for bank, address, line, bits in self.pieces(word):
            new: list[Bit] = [value >> bit & 1 for bit in bits]
            self.carried[self.lane(bank)] = list(new)
            place = self.reached(bank, address)
            if place is None:
                continue
            cells = [PlainCell(*place, line + n) for n in range(len(bits))]
            before = {cell: self.bits.get(cell, 0) for cell in cells}
            after: dict[PlainCell, Bit] = dict(zip(cells, new, strict=True))
            for each in self.kinds("slow cells"):
                if each.cell in after and after[each.cell] == each.level:
                    after[each.cell] = before[each.cell]
            self.bits |= after
            for each in self.kinds("coupled cells"):
                if each.cell not in after or after[each.cell] not in (each.level, None):
                    continue
                was, now = before[each.cell], after[each.cell]
                if was is None or now is None:
                    self.bits[each.other] = None
                elif was != now:
                    old = self.bits.get(each.other, 0)
                    self.bits[each.other] = None if old is None else 1 - old
            for each in self.kinds("leaky cells"):
                if each.cell in after:
                    self.lost_at[each.cell] = now_ns + each.after_ns

    def lane(self, bank: int) -> int:
        """Banks side by side have data lines of their own, others share them."""
        return bank if self.shape.arrangement == "side by side" else 0

    def wait(self, now_ns: int) -> None:
        """Let leaky cells lose what they hold."""
        for cell, at_ns in list(self.lost_at.items()):
            if at_ns <= now_ns:
                self.bits[cell] = 0
                del self.lost_at[cell]

    def be_off(self, for_ns: int) -> None:
        """Be without power."""
        for each in self.kinds("bank forgets"):
            if for_ns >= each.after_ns:
                for address in range(self.addresses):
                    for line in range(_LINES):
                        self.bits[PlainCell(each.bank, address, line)] = None

    def is_dead(self, bank: int, address: int) -> bool:
        """Whether a row, a column or a quarter that is dead has an address."""
        for each in self.faults:
            if each.bank != bank or not each.kind.startswith("dead "):
                continue
            (at,) = each.at
            first, end = self.addresses * (at - 1) // 4, self.addresses * at // 4
            if {
                "dead row": address // self.row == at,
                "dead column": address % self.row == at,
                "dead quarter": first <= address < end,
            }.get(each.kind, False):
                return True
        return False

    def lines(self, bank: int, address: int) -> list[Bit]:
        """What the data lines give at an address, with all that is at fault with them."""
        dead = self.is_dead(bank, address)
        cells = [PlainCell(bank, address, line) for line in range(_LINES)]
        found: list[Bit] = [1 if dead else self.bits.get(cell, 0) for cell in cells]
        for each in self.kinds("bad cells"):
            if each.cell in cells:  # one that is always 0 is so among dead ones too
                found[each.cell.line] = each.level
        for each in self.kinds("data lines joined", bank):
            pair = [found[line] for line in each.at]
            both = 0 if 0 in pair else None if None in pair else 1
            for line in each.at:
                found[line] = both
        for each in self.kinds("data line loose", bank):
            found[each.at[0]] = None
        for each in self.kinds("dead chip", bank):
            for line in range(4 * each.at[0] - 4, 4 * each.at[0]):
                found[line] = 1
        for level in (1, 0):  # stuck at both is stuck low
            for each in self.kinds("data line stuck", bank):
                if each.level == level:
                    found[each.at[0]] = level
        return found

    def read(self, words: Sequence[int]) -> list[list[Bit]]:
        """Read words in this order: the bits of each, lowest first."""
        carried = {lane: list(bits) for lane, bits in self.carried.items()}
        found = []
        for word in words:
            bits: list[Bit] = [0] * self.shape.width
            for bank, address, line, places in self.pieces(word):
                here = self.reached(bank, address)
                last = carried.get(self.lane(bank), [0] * len(places))
                if here is not None:
                    piece = self.lines(*here)[line : line + len(places)]
                else:
                    (missing,) = self.kinds("bank missing", self.answering(bank))[-1:]
                    nothing: dict[str, list[Bit]] = {
                        "zeros": [0] * len(places),
                        "ones": [1] * len(places),
                        "anything": [None] * len(places),
                        "the last word": last,
                    }
                    piece = nothing[missing.reads]
                carried[self.lane(bank)] = piece
                for bit, value in zip(places, piece, strict=True):
                    bits[bit] = value
            found.append(bits)
        return found

    def answering(self, bank: int) -> int:
        """The bank that answers for a bank."""
        for each in self.kinds("banks together") * self.shape.banks:
            bank = each.at[0] if bank == each.at[1] else bank
        return bank
