"""The unit's sample memory: banks that add up to one row of words, given out first fit.

Theory of operation.  Usable are the banks in places 1, 2, ... up to the first empty place.  They
make one address space from 0 on; a sample may lie across two banks.  Every word belongs to exactly
one hole or one region that is taken; neighbouring holes are always one hole.  The words themselves
are kept with the samples, or in `cells` where the memory is at fault: this is the book-keeping that
decides what fits.
"""

from collections.abc import Collection, Iterable, Sequence
from itertools import count, pairwise
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from dryload.emulator.unit.traits import MemoryTraits
from dryload.emulator.wire.prose import listed

if TYPE_CHECKING:
    from dryload.emulator.unit.cells import Cells


class Region(Struct, frozen=True, order=True):
    """Words `start` to `end` - 1 of the memory; never empty."""

    start: int
    words: int

    @property
    def end(self) -> int:
        """The first word behind it."""
        return self.start + self.words


class Holding(Struct, frozen=True):
    """What one sample has taken: regions in the order in which it fills them, none for no words."""

    regions: tuple[Region, ...]

    @property
    def words(self) -> int:
        """Words taken, whole blocks."""
        return sum(region.words for region in self.regions)

    @property
    def places(self) -> tuple[range, ...]:
        """Where they are."""
        return tuple(range(region.start, region.end) for region in self.regions)


NOTHING: Final = Holding(())


class NoRoom(Struct, frozen=True, kw_only=True):
    """Why nothing was given out."""

    wanted: int
    largest_free: int
    total_free: int
    capacity: int

    @property
    def fragmented(self) -> bool:
        """Whether there are words enough, only not in one piece."""
        return self.wanted <= self.total_free


class Stretch(Struct, frozen=True):
    """A piece of the map of the memory: a hole or a region that is taken."""

    region: Region
    is_free: bool


class Memory:
    """Banks and who has which words of them."""

    def __init__(self, traits: MemoryTraits, cells: "Cells | None" = None) -> None:
        """Start with the banks that the profile has fitted, empty."""
        self.traits: Final = traits
        self.cells: Final = cells
        """What the words of samples lie in; None where the samples keep them."""
        self.fitted: tuple[int, ...] = ()
        """Places with a bank in them, ascending."""
        self.initialised = False
        """Whether the banks were laid out for samples since they were last changed."""
        self._holes: tuple[Region, ...] = ()
        self._taken: set[Region] = set()
        self.fit_banks(traits.fitted)
        if traits.initialised:
            self.initialise()

    @property
    def usable_banks(self) -> int:
        """How many of the fitted banks are of use."""
        return banks_in_a_row(self.fitted)

    @property
    def fitted_words(self) -> int:
        """Words for samples in the usable banks, initialised or not."""
        return self._words_in(self.fitted)

    @property
    def capacity(self) -> int:
        """Words that are laid out for samples: 0 until the memory is initialised."""
        return self.fitted_words if self.initialised else 0

    @property
    def edges(self) -> tuple[int, ...]:
        """The words at which a usable bank begins, and last the end of the memory."""
        size, before = self.traits.bank_words, self.traits.start_word
        banks = range(1, self.usable_banks + 1)
        return (0, *(size * bank - before for bank in banks))

    @property
    def total_free(self) -> int:
        """Words in all holes."""
        return sum(hole.words for hole in self._holes)

    @property
    def largest_free(self) -> int:
        """Words in the largest hole."""
        return max((hole.words for hole in self._holes), default=0)

    @property
    def used(self) -> int:
        """Words that are taken."""
        return sum(region.words for region in self._taken)

    def fit_banks(self, places: Iterable[int]) -> None:
        """Have banks in these places and no others; ValueError for a place that isn't there.

        Whatever the memory held is lost, and it takes nothing until it is initialised.
        """
        self.fitted = self.checked(places)
        self.initialised = False
        self._holes = ()
        self._taken.clear()
        if self.cells is not None:
            self.cells.fit(self.usable_banks)

    def checked(self, places: Iterable[int]) -> tuple[int, ...]:
        """Return places in order, each once; ValueError for one that isn't there."""
        ordered = tuple(sorted(set(places)))
        last = self.traits.places
        for place in ordered:
            if not 1 <= place <= last:
                raise ValueError(f"there is no place {place}: the unit has 1 to {last}")
        return ordered

    def initialise(self) -> None:
        """Lay the banks out anew: nothing is taken any more."""
        self.initialised = True
        self._taken.clear()
        self._holes = (Region(0, self.fitted_words),) if self.usable_banks else ()

    def restore(
        self, *, fitted: Iterable[int], initialised: bool, taken: Iterable[Holding]
    ) -> None:
        """Be as a battery has kept it; ValueError, with nothing changed, where that can't be."""
        places = self.checked(fitted)
        regions = sorted(region for holding in taken for region in holding.regions)
        end = self._words_in(places) if initialised else 0
        overlaps = any(one.end > other.start for one, other in pairwise(regions))
        if overlaps or any(region.end > end for region in regions):
            raise ValueError("regions overlap or lie outside the memory")
        self.fit_banks(places)
        if initialised:
            self.initialise()
        self._taken.update(regions)
        edges = [0, *(edge for region in regions for edge in (region.start, region.end)), end]
        gaps = zip(edges[::2], edges[1::2], strict=True)
        self._holes = tuple(Region(first, last - first) for first, last in gaps if last > first)

    def room(self, instead_of: Holding = NOTHING) -> int:
        """Return how many words a sample can get now, or once `instead_of` were given back."""
        holes = _merged([*self._holes, *instead_of.regions])
        sizes = [hole.words for hole in holes]
        return max(sizes, default=0) if self.traits.contiguous else sum(sizes)

    def allocate(self, words: int, *, instead_of: Holding = NOTHING) -> Holding | NoRoom:
        """Give out words, first fit, in whole blocks.

        `instead_of` is given back first, but only where the new words then fit; after NoRoom, which
        speaks of the memory as it would be without it, everything is as it was.
        """
        if words < 0:
            raise ValueError(f"{words} words can't be taken")
        given_back = self._known(instead_of)
        holes = _merged([*self._holes, *given_back])
        regions = self._first_fit(holes, self._in_blocks(words))
        if regions is None:
            sizes = [hole.words for hole in holes]
            return NoRoom(
                wanted=words,
                largest_free=max(sizes, default=0),
                total_free=sum(sizes),
                capacity=self.capacity,
            )
        self._taken.difference_update(given_back)
        self._taken.update(regions)
        self._holes = _without(holes, regions)
        return Holding(regions)

    def free(self, holding: Holding) -> None:
        """Take words back; ValueError where they aren't taken."""
        regions = self._known(holding)
        self._taken.difference_update(regions)
        self._holes = _merged([*self._holes, *regions])

    def shrink(self, holding: Holding, words: int) -> Holding:
        """Take back all but the first `words` words of a holding, rounded up to blocks."""
        keep, kept, tails = self._in_blocks(words), [], []
        for region in self._known(holding):
            part = min(region.words, keep)
            keep -= part
            if part:
                kept.append(Region(region.start, part))
            if part < region.words:
                tails.append(Region(region.start + part, region.words - part))
        self._taken.difference_update(holding.regions)
        self._taken.update(kept)
        self._holes = _merged([*self._holes, *tails])
        return Holding(tuple(kept))

    def stretches(self) -> tuple[Stretch, ...]:
        """Return the whole memory from word 0 on, holes and regions in turn."""
        pieces = [Stretch(hole, True) for hole in self._holes]
        pieces += [Stretch(region, False) for region in self._taken]
        return tuple(sorted(pieces, key=lambda piece: piece.region))

    def _words_in(self, fitted: Collection[int]) -> int:
        return max(banks_in_a_row(fitted) * self.traits.bank_words - self.traits.start_word, 0)

    def _in_blocks(self, words: int) -> int:
        return -(-words // self.traits.block_words) * self.traits.block_words

    def _known(self, holding: Holding) -> tuple[Region, ...]:
        for region in holding.regions:
            if region not in self._taken:
                raise ValueError(f"{region} is not taken")
        return holding.regions

    def _first_fit(self, holes: Sequence[Region], words: int) -> tuple[Region, ...] | None:
        if not words:
            return ()
        if self.traits.contiguous:
            found = next((hole for hole in holes if hole.words >= words), None)
            return None if found is None else (Region(found.start, words),)
        regions = []
        for hole in holes:
            part = min(hole.words, words)
            regions.append(Region(hole.start, part))
            words -= part
            if not words:
                return tuple(regions)
        return None


def banks_in_a_row(fitted: Collection[int]) -> int:
    """Return how many banks are of use: those in places 1, 2, ... up to the first empty one."""
    return next(place for place in count(1) if place not in fitted) - 1


def no_memory(memory: Memory) -> str:
    """Say why a unit without a usable bank has none."""
    if not memory.fitted:
        return "no bank is fitted"
    banks = "bank {} is" if len(memory.fitted) == 1 else "banks {} are"
    return f"{banks.format(listed(memory.fitted, 'and'))} of no use without bank 1"


def _merged(holes: Iterable[Region]) -> tuple[Region, ...]:
    """Return the holes in order, neighbours made one."""
    merged: list[Region] = []
    for hole in sorted(holes):
        if merged and merged[-1].end == hole.start:
            merged[-1] = Region(merged[-1].start, merged[-1].words + hole.words)
        else:
            merged.append(hole)
    return tuple(merged)


def _without(holes: Iterable[Region], taken: Iterable[Region]) -> tuple[Region, ...]:
    """Return what is left of the holes; every region lies at the start of one."""
    cuts = {region.start: region.words for region in taken}
    left = (
        Region(hole.start + cuts.get(hole.start, 0), hole.words - cuts.get(hole.start, 0))
        for hole in holes
    )
    return tuple(hole for hole in left if hole.words)
