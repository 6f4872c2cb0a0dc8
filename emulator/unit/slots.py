"""The numbered slots of a unit, each with room for one sample."""

from collections.abc import Iterator
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample, same_samples
from dryload.emulator.unit.cells import Cells
from dryload.emulator.unit.memory import NOTHING, Holding
from dryload.emulator.unit.traits import SlotTraits
from dryload.emulator.wire.constants import ALL_LOOPS, LOOP_OFF

UNLOOPED: Final = (0x7E, LOOP_OFF)
"""Loop types that play a sample once (HDR-08; EXT-04, CA-019 p. 3)."""


class Slot(Struct, kw_only=True):
    """One slot; its name belongs to the slot and outlives the sample."""

    number: int
    """As the panel counts, from 1."""
    sample_number: int
    """What the wire says for it."""
    protected: bool = False
    name: str = ""
    written: Sample | None = None
    """The sample as it was put here; `sample` is what the memory has of it."""
    holding: Holding = NOTHING
    """What the sample has taken of the memory."""
    cells: Cells | None = None
    """What its words lie in; None: they stay as they were put here."""
    last_look: tuple[int, Sample] | None = None
    """The sample as it was seen last, and of which version of the cells."""

    @property
    def title(self) -> str:
        """The slot as a person is told of it."""
        return f"slot {self.number} ({self.name})" if self.name else f"slot {self.number}"

    @property
    def sample(self) -> Sample | None:
        """The sample as it is read from the memory now, None where there is none.

        It is the same object as long as nothing about it changes.
        """
        written, cells, last = self.written, self.cells, self.last_look
        if written is None or cells is None:
            return written
        if last is not None and last[0] == cells.version:
            return last[1]
        words = cells.read(self.holding.places, len(written.words), written.bits)
        found = replace(written, words=words)
        if last is not None and same_samples(last[1], found):
            found = last[1]
        self.last_look = cells.version, found
        return found

    def put(self, sample: Sample, holding: Holding, *, is_stored: bool = False) -> None:
        """Hold this sample, under the name that the slot has.

        `is_stored` says that the memory has its words, which came one after the other.
        """
        if self.cells is not None and not is_stored:
            self.cells.write(holding.places, 0, sample.words, sample.bits, None)
        self._keep(replace(sample, name=self.name))
        self.holding = holding

    def clear(self) -> Holding:
        """Hold nothing; return what the sample had taken."""
        holding, self.holding = self.holding, NOTHING
        self._keep(None)
        return holding

    def rename(self, name: str) -> None:
        """Give slot and sample a name."""
        self.name = name
        if self.written is not None:
            self._keep(replace(self.written, name=name))

    def loops(self) -> tuple[tuple[int, Loop], ...]:
        """Return (number, loop) of every loop there is; number 0 is the sustain loop (LOP-02)."""
        if self.written is None:
            return ()
        sustain = self.written.sustain
        first = () if sustain.loop_type in UNLOOPED else ((0, sustain),)
        return (*first, *self.written.loops)

    def set_loop(self, number: int, loop: Loop) -> bool:
        """Set or replace a loop (LOP-03); 16383 deletes all (LOP-04); False where no sample."""
        if self.written is None:
            return False
        if number == ALL_LOOPS:
            self._keep(replace(self.written, sustain=NO_LOOP, loops=()))
        elif number == 0:
            self._keep(replace(self.written, sustain=loop))
        else:
            loops = {**dict(self.written.loops), number: loop}
            self._keep(replace(self.written, loops=tuple(sorted(loops.items(), key=_number))))
        return True

    def _keep(self, written: Sample | None) -> None:
        self.written, self.last_look = written, None


class Slots:
    """All slots of a unit, by their numbers and by the sample numbers of the wire."""

    def __init__(self, traits: SlotTraits, cells: Cells | None = None) -> None:
        """Start with empty slots, for a memory with these cells."""
        self.traits: Final = traits
        protected = frozenset(traits.protected)
        self._slots: Final = tuple(
            Slot(
                number=number,
                sample_number=traits.first_number + number - 1,
                protected=number in protected,
                cells=cells,
            )
            for number in range(1, traits.count + 1)
        )

    def __iter__(self) -> Iterator[Slot]:
        """Go through the slots from 1 on."""
        return iter(self._slots)

    def __len__(self) -> int:
        """Return how many slots there are."""
        return len(self._slots)

    def __getitem__(self, number: int) -> Slot:
        """Return the slot that the panel calls `number`; ValueError where there is none."""
        if not 1 <= number <= len(self._slots):
            raise ValueError(f"there is no slot {number}: the unit has 1 to {len(self._slots)}")
        return self._slots[number - 1]

    def addressed(self, sample_number: int) -> Slot | None:
        """Return the slot that a sample number stands for, None where it stands for none."""
        index = sample_number - self.traits.first_number
        return self._slots[index] if 0 <= index < len(self._slots) else None

    @property
    def sample_numbers(self) -> range:
        """The sample numbers that stand for a slot."""
        first = self.traits.first_number
        return range(first, first + len(self._slots))

    def used(self) -> tuple[Slot, ...]:
        """Return the slots that hold a sample."""
        return tuple(slot for slot in self._slots if slot.written is not None)

    def wipe(self) -> None:
        """Empty all slots and forget their names."""
        for slot in self._slots:
            slot.clear()
            slot.rename("")


def _number(loop: tuple[int, Loop]) -> int:
    return loop[0]
