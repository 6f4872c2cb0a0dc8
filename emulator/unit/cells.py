"""The memory as hardware: banks of cells, address lines and data lines, with their faults.

Theory of operation.  A unit whose profile names a fault of its memory (`memory.faults`) keeps the
words of its samples here; any other keeps them with the samples, and has no cells.  A word is cut
into pieces (`CellLayout`), each of which goes to an address of a bank.  What a bank does with
addresses (lines that are stuck or joined, half the size, two that answer together) comes first, for
writing and reading alike, so a later word takes the place of an earlier one; of pieces that go to
one place the last stays.  Cells that need their past (slow, coupled, leaky ones) are written one by
one, all others many at once.  What data lines and dead or bad cells do shows in reading.

At first every cell holds 0.  Chance follows from seeds and from the number of the reading: a look
at the memory is the same again until something is written or the unit reads anew.
"""

from collections.abc import Sequence
from typing import Any, Final, cast

import numpy as np
from numpy.typing import NDArray

from dryload.emulator.unit.dice import thrown
from dryload.emulator.unit.memory_faults import (
    Cell,
    CellLayout,
    MemoryFault,
    drawn,
    layout_of,
    memory_fault,
)
from dryload.emulator.unit.traits import MemoryTraits, WordTraits
from dryload.emulator.wire.words import Words, word_dtype

_Numbers = NDArray[np.int64]
_HALF_BYTE: Final = 4


class Cells:
    """The cells of a memory; words are counted as its books count them, from 0."""

    def __init__(self, memory: MemoryTraits, words: WordTraits, *, banks: int) -> None:
        """Have so many banks, all cells 0."""
        self._memory: Final = memory
        self._words: Final = words
        self._faults: Final = tuple(map(memory_fault, memory.faults))
        self.are_leaky: Final = any(each.kind == "leaky cells" for each in self._faults)
        """Whether cells lose what they hold as time passes."""
        self.version = 0
        """Another number whenever what is read may be another."""
        self.next_ns: int | None = None
        """When a leaky cell will lose what it holds."""
        self._reading = 0
        self.fit(banks)

    def fit(self, banks: int) -> None:
        """Have so many other banks, all cells 0; faults of banks that aren't there do nothing."""
        self.version += 1
        self.next_ns = None
        layout = self._layout = layout_of(self._memory, self._words, max(banks, 1))
        faults = [each for each in self._faults if max(each.bank, default=0) <= layout.banks]
        self._banks = [_Bank(layout, bank) for bank in range(layout.banks)]
        for fault in faults:
            if fault.kind in _CELL_KINDS:
                for each in drawn(fault, layout):
                    self._banks[each.cell.bank].spoil(fault, each.cell, each.level, each.other)
            elif fault.kind not in ("noise in reads", "banks together"):
                self._banks[fault.bank[0] - 1].have(fault)
        self._noise = [each for each in faults if each.kind == "noise in reads"]
        self._answers = np.arange(layout.banks)
        for fault in faults:
            if fault.kind == "banks together":
                one, other = sorted(self._answers[bank - 1] for bank in fault.bank)
                self._answers[self._answers == other] = one
        self._carried = np.zeros(layout.banks if layout.is_side_by_side else 1, np.int64)

    def write(
        self, regions: Sequence[range], first: int, words: Words, bits: int, now_ns: int | None
    ) -> None:
        """Write words of so many bits upwards, from word `first` of the regions on.

        Without a time they are there as a battery has kept them: no cell takes or upsets anything.
        """
        self.version += 1
        layout = self._layout
        banks, places = self._places(self._numbers(regions, first, len(words)))
        raw = words.astype(np.int64) << (layout.width - bits)
        pieces = np.empty(places.shape, np.int64)
        for piece in range(layout.pieces):
            low, end = layout.bits(piece)
            pieces[:, piece] = raw >> low & ((1 << end - low) - 1)
        for at, bank in enumerate(self._banks):
            here = banks == at
            if bank.missing is None:
                bank.write(places[here], pieces[here], now_ns)
        if len(words):
            self._carried[:] = pieces[-1] if layout.is_side_by_side else pieces[-1, -1]
        if self.are_leaky:
            self._look_ahead()

    def read(self, regions: Sequence[range], count: int, bits: int) -> Words:
        """Return the first words of the regions, in so many bits."""
        layout = self._layout
        numbers = self._numbers(regions, 0, count)
        banks, places = self._places(numbers)
        pieces = np.zeros(places.shape, np.int64)
        unread = np.zeros(places.shape, np.bool_)
        for at, bank in enumerate(self._banks):
            here = banks == at
            if bank.missing is None:
                pieces[here] = bank.read(places[here], self._reading)
            elif bank.missing.reads == "the last word":
                unread |= here
            else:
                pieces[here] = bank.nothing(places[here], self._reading)
        if unread.any():
            pieces = self._last_carried(pieces, unread)
        found: _Numbers = np.zeros(len(numbers), np.int64)
        for piece in range(layout.pieces):
            found |= pieces[:, piece] << layout.bits(piece)[0]
        for fault in self._noise:
            chance = _thrown(numbers, fault.seed, self._reading)
            bit = chance // np.uint64(fault.count) % np.uint64(layout.width)
            is_hit = chance % np.uint64(fault.count) == 0
            found ^= np.where(is_hit, np.int64(1) << bit.astype(np.int64), 0)
        top = 1 << (layout.width - 1)
        signed = ((found ^ top) - top) >> (layout.width - bits)
        return cast(Words, signed.astype(word_dtype(bits)))

    def begin_reading(self) -> None:
        """The unit reads anew: what floats may float otherwise."""
        self._reading += 1
        self.version += 1

    # time

    def pass_time(self, now_ns: int) -> None:
        """Let leaky cells lose what they held for too long."""
        if self.next_ns is not None and self.next_ns <= now_ns:
            for bank in self._banks:
                bank.leak(now_ns)
            self.version += 1
            self._look_ahead()

    def lose_power(self, for_ns: int) -> None:
        """Be without power for a time: banks that forget hold anything after it."""
        for number, bank in enumerate(self._banks):
            for fault in bank.forgets:
                if for_ns >= fault.for_ns:
                    bank.forget(fault.seed, number)
        self.version += 1

    # inside

    def _look_ahead(self) -> None:
        dues = (due_ns for bank in self._banks for due_ns in bank.due.values())
        self.next_ns = min(dues, default=None)

    def _numbers(self, regions: Sequence[range], first: int, count: int) -> _Numbers:
        """Return the words of regions, without the `first` ones, as the memory counts them."""
        start = self._layout.memory.start_word
        parts = [np.zeros(0, np.int64)]
        for region in regions:
            part = region[first : first + count]
            parts.append(np.arange(start + part.start, start + part.stop))
            first, count = max(first - len(region), 0), count - len(part)
        return np.concatenate(parts)

    def _places(self, numbers: _Numbers) -> tuple[_Numbers, _Numbers]:
        """Return the bank of each piece of these words and its place there: (words, pieces)."""
        layout = self._layout
        piece = np.arange(layout.pieces)
        if layout.is_side_by_side:
            bank, place = np.broadcast_arrays(piece, numbers[:, None])
            return bank, place
        if layout.memory.arrangement == "in turns":
            word, bank = np.divmod(numbers, layout.banks)
        else:
            bank, word = np.divmod(numbers, layout.memory.bank_words)
        place = word[:, None] * layout.pieces + piece
        return np.broadcast_to(self._answers[bank][:, None], place.shape), place

    def _last_carried(self, pieces: _Numbers, unread: NDArray[np.bool_]) -> _Numbers:
        """Return pieces where those that nothing drives are the ones read before them."""
        lanes = len(self._carried)  # side by side each bank has data lines of its own
        value, is_open = pieces.reshape(-1, lanes), unread.reshape(-1, lanes)
        last = np.where(is_open, 0, np.arange(1, len(value) + 1)[:, None])
        np.maximum.accumulate(last, out=last)
        known = np.concatenate([self._carried[None], value])
        return cast(_Numbers, np.take_along_axis(known, last, 0).reshape(pieces.shape))


_CELL_KINDS: Final = ("bad cells", "slow cells", "coupled cells", "leaky cells")


class _Bank:
    """One bank; `places` count its pieces, of which `shared` stand at one address."""

    def __init__(self, layout: CellLayout, number: int) -> None:
        self._layout: Final = layout
        self._shared: Final = layout.shared
        self._all: Final = (1 << layout.lines(number)) - 1
        size = layout.addresses
        self._held: Final = np.zeros(size * layout.shared, np.uint32)
        self._high: NDArray[np.uint32] | None = None  # cells that read 1, by the address
        self._low: NDArray[np.uint32] | None = None
        self._lines_high = self._lines_low = 0
        self._joined: Final[list[tuple[int, int]]] = []
        self._loose: Final[list[tuple[int, int]]] = []  # (line, seed)
        self._decoders: Final[list[MemoryFault]] = []
        self.missing: MemoryFault | None = None
        self.forgets: Final[list[MemoryFault]] = []
        self._alone: NDArray[np.bool_] | None = None  # places that are written one by one
        self._slow: Final[dict[int, list[tuple[int, int]]]] = {}  # (bit, value not taken)
        self._coupled: Final[dict[int, list[tuple[int, int, int, int]]]] = {}
        self._leaky: Final[dict[int, list[tuple[int, int]]]] = {}  # (bit, after)
        self.due: Final[dict[tuple[int, int], int]] = {}
        """When a leaky bit is lost, by place and bit."""

    def have(self, fault: MemoryFault) -> None:
        """Have a fault of lines, addresses or the bank."""
        match fault.kind:
            case "data line stuck" if fault.level:
                self._lines_high |= 1 << fault.at[0]
            case "data line stuck":
                self._lines_low |= 1 << fault.at[0]
            case "data lines joined":
                self._joined.append((fault.at[0], fault.at[1]))
            case "data line loose":
                self._loose.append((fault.at[0], fault.seed))
            case "dead chip":
                self._lines_high |= 0xF << 4 * (fault.at[0] - 1) & self._all
            case "dead row" | "dead column" | "dead quarter":
                self._fixed(high=True)[self._dead(fault)] = self._all
            case "bank missing":
                self.missing = fault
            case "bank forgets":
                self.forgets.append(fault)
            case _:
                self._decoders.append(fault)

    def spoil(self, fault: MemoryFault, cell: Cell, level: int, other: Cell) -> None:
        """Have a cell at fault."""
        if fault.kind == "bad cells":
            self._fixed(high=not level)[cell.address] &= ~np.uint32(1 << cell.line)
            self._fixed(high=bool(level))[cell.address] |= np.uint32(1 << cell.line)
            return
        place, bit = self._bit_of(cell)
        if self._alone is None:
            self._alone = np.zeros(len(self._held), np.bool_)
        self._alone[place] = True
        if fault.kind == "slow cells":
            self._slow.setdefault(place, []).append((bit, level))
        elif fault.kind == "coupled cells":
            self._coupled.setdefault(place, []).append((bit, level, *self._bit_of(other)))
        else:
            self._leaky.setdefault(place, []).append((bit, fault.for_ns))

    def write(self, places: _Numbers, values: _Numbers, now_ns: int | None) -> None:
        """Write pieces in this order; without a time cells neither take part nor leak."""
        places = self._decoded(places)
        held = self._held
        begin = 0
        if self._alone is not None and now_ns is not None:
            for at in np.flatnonzero(self._alone[places]).tolist():
                held[places[begin:at]] = values[begin:at]
                self._write_alone(int(places[at]), int(values[at]), now_ns)
                begin = at + 1
        held[places[begin:]] = values[begin:]

    def read(self, places: _Numbers, reading: int) -> _Numbers:
        """Return the pieces at places, as cells and data lines give them."""
        address, half = np.divmod(self._decoded(places), self._shared)
        lines: _Numbers = self._held[address * self._shared].astype(np.int64)
        if self._shared > 1:
            lines = lines << _HALF_BYTE | self._held[address * self._shared + 1]
        if self._high is not None:
            lines |= self._high[address]
        if self._low is not None:
            lines &= ~self._low[address].astype(np.int64)
        for one, other in self._joined:
            both = lines >> one & lines >> other & 1
            lines = lines & ~(1 << one | 1 << other) | both << one | both << other
        for line, seed in self._loose:
            floats = (_thrown(places, seed, reading, line) & np.uint64(1)).astype(np.int64)
            lines = lines & ~(1 << line) | floats << line
        lines = (lines | self._lines_high) & ~self._lines_low & self._all
        if self._shared > 1:
            return np.where(half, lines & 0xF, lines >> _HALF_BYTE)
        return lines

    def nothing(self, places: _Numbers, reading: int) -> _Numbers:
        """Return what a bank reads that is not there."""
        assert self.missing is not None
        everything = self._all >> _HALF_BYTE if self._shared > 1 else self._all
        level = {"zeros": 0, "ones": everything}.get(self.missing.reads)
        if level is not None:
            return np.full(len(places), level)
        floats = _thrown(places, self.missing.seed, reading, self.missing.bank[0])
        return floats.astype(np.int64) & everything

    def forget(self, seed: int, number: int) -> None:
        """Hold anything."""
        everything = np.uint64(self._all >> _HALF_BYTE if self._shared > 1 else self._all)
        self._held[:] = _thrown(np.arange(len(self._held)), seed, number) & everything

    def leak(self, now_ns: int) -> None:
        """Lose the bits that are due."""
        for place, bit in [each for each, due_ns in self.due.items() if due_ns <= now_ns]:
            del self.due[place, bit]
            self._held[place] &= ~np.uint32(1 << bit)

    def _write_alone(self, place: int, value: int, now_ns: int) -> None:
        before = int(self._held[place])
        for bit, never in self._slow.get(place, ()):
            if value >> bit & 1 == never:  # it stays as it was
                value = value & ~(1 << bit) | before & 1 << bit
        self._held[place] = value
        for bit, taken, other, other_bit in self._coupled.get(place, ()):
            if value >> bit & 1 == taken != before >> bit & 1:
                self._held[other] ^= np.uint32(1 << other_bit)
        for bit, after_ns in self._leaky.get(place, ()):
            self.due[place, bit] = now_ns + after_ns

    def _decoded(self, places: _Numbers) -> _Numbers:
        """Return the places that the address lines lead to."""
        if not self._decoders:
            return places
        address, half = np.divmod(places, self._shared)
        for fault in self._decoders:
            if fault.kind == "bank half the size":
                address = address % -(-self._layout.addresses // 2)
            else:  # joined lines are both 0 unless both are 1
                lines = sum(1 << line for line in fault.at)
                is_up = (address & lines == lines) & (len(fault.at) > 1)
                address = np.where(is_up, address, address & ~lines)
        return address * self._shared + half

    def _bit_of(self, cell: Cell) -> tuple[int, int]:
        """Return the place of a cell and its bit there."""
        if self._shared == 1:
            return cell.address, cell.line
        half, bit = divmod(cell.line, _HALF_BYTE)
        return cell.address * self._shared + 1 - half, bit

    def _fixed(self, *, high: bool) -> NDArray[np.uint32]:
        """Return the bits of each address that read 1, or 0."""
        if self._high is None or self._low is None:
            self._high, self._low = (np.zeros(self._layout.addresses, np.uint32) for _ in "01")
        return self._high if high else self._low

    def _dead(self, fault: MemoryFault) -> slice:
        at, row, size = fault.at[0], self._layout.row, self._layout.addresses
        match fault.kind:
            case "dead row":
                return slice(at * row, (at + 1) * row)
            case "dead column":
                return slice(at, None, row)
        return slice(size * (at - 1) // 4, size * at // 4)


def cells_of(memory: MemoryTraits, words: WordTraits) -> Cells | None:
    """Return the cells of a memory at fault, None for one that has none."""
    return Cells(memory, words, banks=1) if memory.faults else None


def _thrown(numbers: _Numbers, *salt: int) -> NDArray[np.uint64]:
    """Return what is thrown of each number, as `thrown` does it one by one."""
    each: Any = numbers.astype(np.uint64)
    return cast("NDArray[np.uint64]", thrown(each, after=thrown(*salt)))
