"""The numbered slots of a unit, each with room for one sample."""

from collections.abc import Iterator
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.sample import NO_LOOP, Loop, Sample
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
    sample: Sample | None = None
    holding: Holding = NOTHING
    """What the sample has taken of the memory."""

    @property
    def title(self) -> str:
        """The slot as a person is told of it."""
        return f"slot {self.number} ({self.name})" if self.name else f"slot {self.number}"

    def put(self, sample: Sample, holding: Holding) -> None:
        """Hold this sample, under the name that the slot has."""
        self.sample = replace(sample, name=self.name)
        self.holding = holding

    def clear(self) -> Holding:
        """Hold nothing; return what the sample had taken."""
        holding, self.sample, self.holding = self.holding, None, NOTHING
        return holding

    def rename(self, name: str) -> None:
        """Give slot and sample a name."""
        self.name = name
        if self.sample is not None:
            self.sample = replace(self.sample, name=name)

    def loops(self) -> tuple[tuple[int, Loop], ...]:
        """Return (number, loop) of every loop there is; number 0 is the sustain loop (LOP-02)."""
        if self.sample is None:
            return ()
        sustain = self.sample.sustain
        first = () if sustain.loop_type in UNLOOPED else ((0, sustain),)
        return (*first, *self.sample.loops)

    def set_loop(self, number: int, loop: Loop) -> bool:
        """Set or replace a loop (LOP-03); 16383 deletes all (LOP-04); False where no sample."""
        if self.sample is None:
            return False
        if number == ALL_LOOPS:
            self.sample = replace(self.sample, sustain=NO_LOOP, loops=())
        elif number == 0:
            self.sample = replace(self.sample, sustain=loop)
        else:
            loops = {**dict(self.sample.loops), number: loop}
            self.sample = replace(self.sample, loops=tuple(sorted(loops.items(), key=_number)))
        return True


class Slots:
    """All slots of a unit, by their numbers and by the sample numbers of the wire."""

    def __init__(self, traits: SlotTraits) -> None:
        """Start with empty slots."""
        self.traits: Final = traits
        protected = frozenset(traits.protected)
        self._slots: Final = tuple(
            Slot(
                number=number,
                sample_number=traits.first_number + number - 1,
                protected=number in protected,
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
        return tuple(slot for slot in self._slots if slot.sample is not None)

    def wipe(self) -> None:
        """Empty all slots and forget their names."""
        for slot in self._slots:
            slot.clear()
            slot.rename("")


def _number(loop: tuple[int, Loop]) -> int:
    return loop[0]
