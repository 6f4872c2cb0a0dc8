"""The memory: examples, and a machine beside a plain list with one entry a word."""

from itertools import pairwise, repeat
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    consumes,
    initialize,
    invariant,
    multiple,
    rule,
)

from dryload.emulator.unit.memory import Holding, Memory, NoRoom, Region, no_memory
from dryload.emulator.unit.traits import MemoryTraits


def memory_of(words: int = 100, **traits: Any) -> Memory:
    return Memory(MemoryTraits(bank_words=words, **{"fitted": (1,), **traits}))


def taken(memory: Memory, words: int) -> Holding:
    holding = memory.allocate(words)
    assert isinstance(holding, Holding)
    return holding


def test_samples_lie_behind_one_another() -> None:
    memory = memory_of()
    assert taken(memory, 30).regions == (Region(0, 30),)
    assert taken(memory, 20).regions == (Region(30, 20),)
    assert (memory.used, memory.total_free, memory.capacity) == (50, 50, 100)


def test_the_first_hole_that_is_large_enough_is_taken() -> None:
    memory = memory_of()
    first, _, third, _ = (taken(memory, words) for words in (10, 20, 30, 10))
    memory.free(first)
    memory.free(third)
    assert taken(memory, 15).regions == (Region(30, 15),)
    assert taken(memory, 10).regions == (Region(0, 10),)


def test_neighbouring_holes_become_one() -> None:
    memory = memory_of()
    first, second, third = (taken(memory, 30) for _ in range(3))
    memory.free(first)
    memory.free(third)
    memory.free(second)
    assert memory.largest_free == 100


def test_fragmented_memory_says_how_much_is_free_and_how_large_the_largest_hole_is() -> None:
    memory = memory_of(52_000)
    holdings = [taken(memory, words) for words in (12_000, 4_000, 12_000, 4_000, 12_000, 4_000)]
    for holding in holdings[::2]:
        memory.free(holding)
    answer = memory.allocate(20_000)
    assert answer == NoRoom(wanted=20_000, largest_free=12_000, total_free=40_000, capacity=52_000)
    assert answer.fragmented
    assert memory.total_free == 40_000


def test_a_memory_that_is_merely_full_is_not_called_fragmented() -> None:
    memory = memory_of()
    taken(memory, 60)
    answer = memory.allocate(41)
    assert isinstance(answer, NoRoom)
    assert not answer.fragmented


def test_a_sample_that_may_be_scattered_fills_the_holes_in_order() -> None:
    memory = memory_of(contiguous=False)
    first, _, third, _ = (taken(memory, words) for words in (10, 20, 30, 40))
    memory.free(first)
    memory.free(third)
    assert taken(memory, 35).regions == (Region(0, 10), Region(30, 25))
    assert isinstance(memory.allocate(6), NoRoom)


def test_a_sample_may_lie_across_two_banks() -> None:
    memory = memory_of(fitted=(1, 2))
    assert taken(memory, 150).regions == (Region(0, 150),)


def test_words_are_given_out_in_whole_blocks() -> None:
    memory = memory_of(block_words=20)
    assert taken(memory, 21).words == 40
    assert taken(memory, 1).words == 20
    assert isinstance(memory.allocate(41), NoRoom)


def test_no_words_take_nothing_even_from_a_full_memory() -> None:
    memory = memory_of()
    taken(memory, 100)
    assert taken(memory, 0) == Holding(())


def test_a_sample_can_take_the_place_of_another_that_goes_for_it() -> None:
    memory = memory_of()
    old = taken(memory, 60)
    taken(memory, 20)
    assert memory.room() == 20
    assert memory.room(instead_of=old) == 60
    new = memory.allocate(55, instead_of=old)
    assert new == Holding((Region(0, 55),))
    assert memory.used == 75


def test_when_even_that_is_not_enough_the_other_stays() -> None:
    memory = memory_of()
    old = taken(memory, 60)
    taken(memory, 20)
    before = memory.stretches()
    assert memory.allocate(61, instead_of=old) == NoRoom(
        wanted=61, largest_free=60, total_free=80, capacity=100
    )
    assert memory.stretches() == before


def test_what_a_holding_gives_back_is_its_end() -> None:
    memory = memory_of()
    taken(memory, 10)
    holding = taken(memory, 30)
    taken(memory, 20)
    assert memory.shrink(holding, 12).regions == (Region(10, 12),)
    assert [piece.region for piece in memory.stretches() if piece.is_free] == [
        Region(22, 18),
        Region(60, 40),
    ]


def test_a_holding_shrinks_from_its_end() -> None:
    memory = memory_of(contiguous=False, block_words=5)
    first, _, third, _ = (taken(memory, words) for words in (10, 20, 30, 40))
    memory.free(first)
    memory.free(third)
    scattered = taken(memory, 40)
    assert memory.shrink(scattered, 12).regions == (Region(0, 10), Region(30, 5))
    assert memory.total_free == 25
    assert memory.shrink(Holding((Region(0, 10), Region(30, 5))), 8).regions == (Region(0, 10),)
    assert memory.total_free == 30


@pytest.mark.parametrize(
    ("fitted", "usable", "why"),
    [
        ((), 0, "no bank is fitted"),
        ((1,), 1, None),
        ((2,), 0, "bank 2 is of no use without bank 1"),
        ((2, 3), 0, "banks 2 and 3 are of no use without bank 1"),
        ((1, 3), 1, None),
        ((3, 2, 1), 3, None),
    ],
)
def test_a_bank_behind_an_empty_place_is_of_no_use(
    fitted: tuple[int, ...], usable: int, why: str | None
) -> None:
    memory = memory_of(places=3)
    memory.fit_banks(fitted)
    memory.initialise()
    assert memory.capacity == usable * 100 == memory.total_free
    assert why is None or no_memory(memory) == why


def test_after_a_change_of_banks_nothing_is_given_out_until_the_memory_is_initialised() -> None:
    memory = memory_of(places=2)
    taken(memory, 10)
    memory.fit_banks((1, 2))
    assert (memory.initialised, memory.capacity, memory.used) == (False, 0, 0)
    assert memory.fitted_words == 200
    assert isinstance(memory.allocate(1), NoRoom)
    memory.initialise()
    assert taken(memory, 200).words == 200


def test_a_unit_can_arrive_with_its_memory_not_initialised() -> None:
    assert memory_of(initialised=False).capacity == 0


def test_a_callers_mistakes_raise_and_change_nothing() -> None:
    memory = memory_of()
    holding = taken(memory, 10)
    before = memory.stretches()
    with pytest.raises(ValueError, match="-1 words"):
        memory.allocate(-1)
    with pytest.raises(ValueError, match="there is no place 5: the unit has 1 to 4"):
        memory.fit_banks((1, 5))
    with pytest.raises(ValueError, match="there is no place 0"):
        memory.fit_banks((0,))
    with pytest.raises(ValueError, match="not taken"):
        memory.free(Holding((Region(0, 9),)))
    with pytest.raises(ValueError, match="not taken"):
        memory.allocate(5, instead_of=Holding((Region(50, 9),)))
    assert memory.stretches() == before
    memory.free(holding)
    with pytest.raises(ValueError, match="not taken"):
        memory.free(holding)


class MemoryBesideAList(RuleBasedStateMachine):
    """Every word has an owner in a plain list; the memory must agree with it, word for word."""

    holdings = Bundle("holdings")

    @initialize(
        blocks=st.integers(1, 12),
        block=st.integers(1, 3),
        places=st.integers(1, 3),
        one=st.booleans(),
    )
    def build(self, blocks: int, block: int, places: int, one: bool) -> None:
        self.block, self.one, self.places = block, one, places
        self.bank = blocks * block
        self.memory = memory_of(self.bank, block_words=block, places=places, contiguous=one)
        self.owner: list[int | None] = [None] * self.bank
        self.next_name = 0
        self.live: dict[int, Holding] = {}

    def place(self, owner: list[int | None], words: int) -> list[int] | None:
        """The words that a first fit takes, found word by word."""
        need = -(-words // self.block) * self.block
        if not self.one:
            free = [at for at, name in enumerate(owner) if name is None]
            return free[:need] if len(free) >= need else None
        for at in range(len(owner) - need + 1):
            if all(name is None for name in owner[at : at + need]):
                return list(range(at, at + need))
        return None

    def take(self, words: int, old: int | None) -> int | None:
        owner = [None if old is not None and name == old else name for name in self.owner]
        expected = self.place(owner, words)
        if old is None:
            answer = self.memory.allocate(words)
            assert self.memory.room() >= 0
        else:
            answer = self.memory.allocate(words, instead_of=self.live[old])
        if expected is None:
            assert isinstance(answer, NoRoom)
            assert answer.total_free == owner.count(None)
            assert answer.fragmented == (words <= answer.total_free)
            return None
        assert isinstance(answer, Holding)
        assert [word for region in answer.regions for word in range(region.start, region.end)] == (
            expected
        )
        if old is not None:
            del self.live[old]
        name, self.next_name = self.next_name, self.next_name + 1
        self.owner = owner
        for word in expected:
            self.owner[word] = name
        self.live[name] = answer
        return name

    @rule(target=holdings, words=st.integers(0, 40))
    def allocate(self, words: int) -> object:
        name = self.take(words, None)
        return multiple() if name is None else name

    @rule(target=holdings, old=holdings, words=st.integers(0, 40))
    def replace(self, old: int, words: int) -> object:
        if old not in self.live:
            return multiple()
        name = self.take(words, old)
        return multiple() if name is None else name

    @rule(name=consumes(holdings))
    def free(self, name: int) -> None:
        if name in self.live:
            self.memory.free(self.live.pop(name))
            self.owner = [None if owner == name else owner for owner in self.owner]

    @rule(name=holdings, words=st.integers(0, 40))
    def shrink(self, name: int, words: int) -> None:
        if name in self.live:
            mine = [at for at, owner in enumerate(self.owner) if owner == name]
            keep = -(-words // self.block) * self.block
            for at in mine[keep:]:
                self.owner[at] = None
            self.live[name] = self.memory.shrink(self.live[name], words)

    @rule()
    def initialise(self) -> None:
        self.memory.initialise()
        self.owner = list(repeat(None, self.memory.fitted_words))
        self.live.clear()

    @rule(banks=st.integers(0, 3))
    def change_banks(self, banks: int) -> None:
        self.memory.fit_banks(range(1, min(banks, self.places) + 1))
        self.owner = []
        self.live.clear()

    @invariant()
    def agrees_with_the_list(self) -> None:
        seen: list[bool] = []
        for stretch in self.memory.stretches():
            assert stretch.region.start == len(seen)
            assert stretch.region.words > 0
            seen += [stretch.is_free] * stretch.region.words
        assert seen == [name is None for name in self.owner]

    @invariant()
    def adds_up(self) -> None:
        memory = self.memory
        assert memory.used + memory.total_free == memory.capacity == len(self.owner)
        assert memory.used == sum(holding.words for holding in self.live.values())
        assert memory.largest_free <= memory.total_free
        assert memory.room() == (memory.largest_free if self.one else memory.total_free)

    @invariant()
    def holes_are_whole(self) -> None:
        kinds = [stretch.is_free for stretch in self.memory.stretches()]
        assert (True, True) not in pairwise(kinds)


MemoryBesideAList.TestCase.settings = settings(
    max_examples=100, stateful_step_count=30, deadline=None
)
TestMemoryBesideAList = MemoryBesideAList.TestCase
