"""The best set for a memory, beside a search through all sets; the order, beside the memory itself.

python -m tests.plan.test_choose 20000    # so many folders; 500 otherwise
"""

from __future__ import annotations

import random
import sys
from collections.abc import Sequence
from itertools import product
from typing import Final

import pytest

from dryload.emulator.unit.memory import Holding, Memory
from dryload.emulator.unit.profile import load_profile, profile_names
from dryload.harness.plan.choose import BestSet, Room, best_set, order_of

CASES: Final = 500


class Folder:
    """Sizes of up to ten sounds in words, and a memory of a unit that is partly taken."""

    def __init__(self, seed: int, most: int = 10) -> None:
        rolled = random.Random(seed)
        profile = load_profile(profile_names()[seed % len(profile_names())])
        self.traits = profile.memory
        self.memory = Memory(profile.memory)
        held = []
        while rolled.random() < 0.85:
            taken = self.memory.allocate(int(self.memory.capacity * rolled.uniform(0.01, 0.25)))
            if isinstance(taken, Holding):
                held.append(taken)
        for each in held:
            if rolled.random() < 0.6:
                self.memory.free(each)
        many = rolled.randint(most // 4, most)
        part = rolled.choice([0.1, 0.3, 0.6])
        self.words = [int(self.memory.capacity * rolled.uniform(0, part)) for _ in range(many)]
        self.weights = [rolled.choice([1, 1, 1, 2, 7]) for _ in range(many)]
        self.places = rolled.choice([many, many, many // 2, 3])

    @property
    def sizes(self) -> list[int]:
        return [-(-words // self.traits.block_words) for words in self.words]

    @property
    def holes(self) -> list[int]:
        free = [each.region.words for each in self.memory.stretches() if each.is_free]
        return [words // self.traits.block_words for words in free]

    @property
    def room(self) -> Room:
        return Room(
            holes=tuple(self.holes), places=self.places, in_one_piece=self.traits.contiguous
        )

    def best(self) -> BestSet:
        return best_set(self.sizes, self.weights, self.room)

    def can_have(self, chosen: Sequence[int]) -> bool:
        """Whether all of these go into the memory, however they are put."""
        sizes = sorted((self.sizes[each] for each in chosen), reverse=True)
        bins = self.holes if self.traits.contiguous else [sum(self.holes)]
        return len(chosen) <= self.places and _goes_in(sizes, bins)


def _goes_in(sizes: list[int], bins: list[int]) -> bool:
    if not sizes:
        return True
    rest = sizes[1:]
    return any(
        _goes_in(rest, [*bins[:at], room - sizes[0], *bins[at + 1 :]])
        for at, room in enumerate(bins)
        if room >= sizes[0]
    )


def by_trying_all(folder: Folder) -> tuple[int, tuple[int, ...]]:
    """The heaviest set, of equal ones the one with the earlier sounds: all 2^n are looked at."""
    best: tuple[int, tuple[int, ...]] = (-1, ())
    for taken in product((1, 0), repeat=len(folder.sizes)):
        weight = sum(w for w, is_in in zip(folder.weights, taken, strict=True) if is_in)
        if (weight, taken) > best:
            chosen = [at for at, is_in in enumerate(taken) if is_in]
            if folder.can_have(chosen):
                best = weight, taken
    return best[0], tuple(at for at, is_in in enumerate(best[1]) if is_in)


def check(seed: int) -> None:
    folder = Folder(seed)
    found = folder.best()
    weight, chosen = by_trying_all(folder)
    assert (found.weight, found.bound, found.chosen) == (weight, weight, chosen), seed


def check_order(seed: int, most: int = 10) -> None:
    """The memory of the emulated unit gives room to each, in the order of sending."""
    folder = Folder(seed, most)
    chosen = folder.best().chosen
    for at in order_of([folder.sizes[each] for each in chosen], folder.room):
        given = folder.memory.allocate(folder.words[chosen[at]])
        assert isinstance(given, Holding), seed


def test_the_best_set_is_the_one_that_trying_all_finds() -> None:
    for seed in range(CASES):
        check(seed)


def test_sent_in_this_order_each_finds_room() -> None:
    for seed in range(CASES):
        check_order(seed)
    for seed in range(60):
        check_order(seed, most=64)


def greedy(folder: Folder, by_size: bool) -> int:
    """What taking one after the other comes to, each into the first hole that will do."""
    bins = list(folder.holes if folder.traits.contiguous else [sum(folder.holes)])
    weight = many = 0
    order = sorted(
        range(len(folder.sizes)),
        key=lambda at: folder.sizes[at] / folder.weights[at] if by_size else at,
    )
    for at in order:
        hole = next((h for h, room in enumerate(bins) if room >= folder.sizes[at]), None)
        if hole is not None and many < folder.places:
            bins[hole] -= folder.sizes[at]
            weight, many = weight + folder.weights[at], many + 1
    return weight


def test_of_many_sounds_no_set_is_worse_than_a_greedy_one_and_none_exceeds_the_bound() -> None:
    for seed in range(100):
        folder = Folder(seed, most=64)
        found = folder.best()
        assert folder.can_have(found.chosen) or len(folder.holes) > 1
        assert found.weight == sum(folder.weights[each] for each in found.chosen)
        assert max(greedy(folder, True), greedy(folder, False)) <= found.weight <= found.bound
        if len(folder.room.bins) == 1:  # the table is the whole answer
            assert found.bound == found.weight


@pytest.mark.parametrize(
    ("sizes", "weights", "holes", "places", "chosen"),
    [
        ([5, 5, 5], [1, 1, 1], (10,), 3, (0, 1)),  # the earlier ones
        ([5, 5, 5], [1, 1, 2], (10,), 3, (0, 2)),  # the heavier one
        ([9, 5, 5], [1, 1, 1], (10,), 3, (1, 2)),  # two are more than one
        ([9, 5, 5], [3, 1, 1], (10,), 3, (0,)),
        ([6, 4, 6, 4], [1] * 4, (10, 10), 4, (0, 1, 2, 3)),
        ([7, 7, 6], [1] * 3, (10, 10), 3, (0, 1)),  # 20 are free, but in two pieces
        ([1, 1, 1], [1, 1, 1], (10,), 2, (0, 1)),  # no more places
        ([0, 3], [1, 1], (), 2, ()),  # no memory at all
        ([], [], (10,), 2, ()),
    ],
)
def test_by_hand(
    sizes: list[int],
    weights: list[int],
    holes: tuple[int, ...],
    places: int,
    chosen: tuple[int, ...],
) -> None:
    room = Room(holes=holes, places=places, in_one_piece=True)
    found = best_set(sizes, weights, room)
    assert found.chosen == chosen
    assert found.weight == found.bound


def test_where_the_search_takes_too_long_the_bound_says_what_is_not_known() -> None:
    """Many odd sizes and holes of which none can be filled quite: what is found is worth less."""
    rolled = random.Random(5)
    sizes = [rolled.randint(300, 500) for _ in range(40)]
    room = Room(holes=(700,) * 12, places=40, in_one_piece=True)
    found = best_set(sizes, [rolled.randint(5, 9) for _ in sizes], room)
    assert found.weight < found.bound


if __name__ == "__main__":
    for case in range(int(sys.argv[1])):
        check(case)
        check_order(case)
