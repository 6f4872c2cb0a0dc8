"""Which samples go into a memory, where not all do: the heaviest set, and how it is packed.

Theory of operation.  Each sample has a size and a weight, the memory has holes, and the unit has so
many places for samples.  Wanted is the set of the greatest weight; of equal ones the set that has
the earlier samples, compared from the first sample on.

Were the holes one hole, a table would say it exactly: the fewest blocks for every weight that the
samples from the i-th on can have together.  That is the whole answer for memory in one row, and for
a unit that puts a sample into several holes.  Where a sample needs one piece, the table tells
what cannot be, and a search looks through the sets that are left, heaviest first, for one that can
be packed.  That search may take too long with many samples and holes: it then ends, the best set
that was found counts, and `bound` says what no set can exceed.

A packing is enough to send by: whatever goes into the first hole is sent first, then what goes into
the second one, and so on.  A unit that gives memory out first fit puts each into its hole or, if
that has room left over, into an earlier one, which takes room from nobody.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

_MOST_CELLS: Final = 8_000_000
"""Of all tables together."""
_MOST_STEPS: Final = 60_000
"""Of one search, which are half a second at the most."""
_MOST_SEARCHES: Final = 3
"""That end without an answer."""
_DEEPEST: Final = 400
"""Samples that are packed into several holes: one call each, one in the other."""
_FAR: Final = 1 << 48  # blocks; very many of them can still be added


class BestSet(Struct, frozen=True, kw_only=True):
    """What goes in."""

    chosen: tuple[int, ...]
    """Which samples, in their order."""
    weight: int
    bound: int
    """No set has a greater weight; the same as `weight` where this one is proved to be the best."""


class Room(Struct, frozen=True, kw_only=True):
    """What a unit has room for."""

    holes: tuple[int, ...]
    """Sizes of the holes in blocks, in the order of the memory."""
    places: int
    """How many samples, whatever their sizes."""
    in_one_piece: bool
    """Whether a sample needs one hole."""

    @property
    def bins(self) -> tuple[int, ...]:
        """The holes as far as it matters: one of all where a sample may lie in several."""
        return self.holes if self.in_one_piece else (sum(self.holes),)


_Steps = Iterator[int]
"""What a search may still take; it ends with StopIteration where that is used up."""


def best_set(sizes: Sequence[int], weights: Sequence[int], room: Room) -> BestSet:
    """Return the best set of samples with these sizes, in blocks, and weights, all above 0."""
    largest = max(room.bins, default=0)
    sizes = [size if size <= largest else _FAR for size in sizes]
    chosen = max(
        _greedy_sets(sizes, weights, room),
        key=lambda each: (_weight(each, weights), [i in each for i in range(len(sizes))]),
    )
    weight = _weight(chosen, weights)
    places = min(room.places, len(sizes))
    rows = places + 1 if places < len(sizes) else 1
    if (len(sizes) + 1) * rows * (sum(weights) + 1) > _MOST_CELLS:
        heaviest = sorted(weights, reverse=True)[:places]
        return BestSet(chosen=chosen, weight=weight, bound=sum(heaviest))
    tables = _tables(sizes, weights, rows)
    possible = np.flatnonzero(tables[0][-1] <= sum(room.bins))[::-1]
    bound, given_up = int(possible[0]), 0
    for wanted in map(int, possible):
        if wanted < weight or given_up == _MOST_SEARCHES:
            break
        if not given_up:
            bound = wanted
        try:
            found = _first_of(wanted, sizes, weights, tables, room)
        except StopIteration:
            given_up += 1
            continue
        if found is not None:
            chosen, weight = found, wanted
            break
    return BestSet(chosen=chosen, weight=weight, bound=bound)


def order_of(sizes: Sequence[int], room: Room) -> tuple[int, ...]:
    """Return in which order samples that go in are sent, so that each finds room."""
    where = packed(sizes, room) or (0,) * len(sizes)
    return tuple(sorted(range(len(sizes)), key=lambda each: where[each]))


def packed(sizes: Sequence[int], room: Room) -> tuple[int, ...] | None:
    """Return the bin of each sample, None where they do not go in or none was found in time.

    Large ones come first and take the smallest bin that will do, which leaves large holes free.
    """
    if len(sizes) > room.places:
        return None
    try:
        return _packed(sizes, room.bins, iter(range(_MOST_STEPS)))
    except StopIteration:
        return None


def _weight(chosen: Sequence[int], weights: Sequence[int]) -> int:
    return sum(weights[each] for each in chosen)


def _tables(sizes: Sequence[int], weights: Sequence[int], rows: int) -> list[NDArray[np.int64]]:
    """Return the fewest blocks [i][samples at most][weight] for the samples from i on.

    One row: as many samples as there are may go in.
    """
    table = np.full((rows, sum(weights) + 1), _FAR, np.int64)
    table[:, 0] = 0
    tables = [table]
    for size, weight in zip(reversed(sizes), reversed(weights), strict=True):
        before, table = table, table.copy()
        take = before[:-1] if rows > 1 else before
        into = table[1:] if rows > 1 else table
        np.minimum(into[:, weight:], take[:, :-weight] + size, out=into[:, weight:])
        tables.append(table)
    return tables[::-1]


def _first_of(
    weight: int,
    sizes: Sequence[int],
    weights: Sequence[int],
    tables: Sequence[NDArray[np.int64]],
    room: Room,
) -> tuple[int, ...] | None:
    """Return the first set of just this weight that can be packed, None where there is none."""
    steps, total, bins = iter(range(_MOST_STEPS)), sum(room.bins), room.bins
    todo: list[tuple[int, tuple[int, ...], int, int]] = [(0, (), 0, weight)]
    while todo:
        at, chosen, used, left = todo.pop()
        next(steps)
        row = min(room.places - len(chosen), len(tables[at]) - 1)
        if row < 0 or tables[at][row][left] > total - used:
            continue
        is_new = bool(chosen) and chosen[-1] == at - 1
        if is_new and _packed([sizes[each] for each in chosen], bins, steps) is None:
            continue
        if not left:
            return chosen
        todo.append((at + 1, chosen, used, left))
        if weights[at] <= left:
            todo.append((at + 1, (*chosen, at), used + sizes[at], left - weights[at]))
    return None


def _packed(sizes: Sequence[int], bins: Sequence[int], steps: _Steps) -> tuple[int, ...] | None:
    if sum(sizes) > sum(bins):
        return None
    if len(bins) == 1:
        return (0,) * len(sizes)
    if len(sizes) > _DEEPEST:
        raise StopIteration
    order = sorted(range(len(sizes)), key=lambda each: -sizes[each])
    left = list(bins)
    where = [0] * len(sizes)
    dead: set[tuple[int, ...]] = set()

    def goes_in(at: int) -> bool:
        if at == len(order):
            return True
        state = (at, *sorted(left))
        if state in dead:
            return False
        next(steps)
        size, seen = sizes[order[at]], set[int]()
        for each in sorted(range(len(left)), key=lambda each: left[each]):
            if left[each] < size or left[each] in seen:
                continue
            seen.add(left[each])
            left[each] -= size
            where[order[at]] = each
            if goes_in(at + 1):
                return True
            left[each] += size
        dead.add(state)
        return False

    return tuple(where) if goes_in(0) else None


def _greedy_sets(
    sizes: Sequence[int], weights: Sequence[int], room: Room
) -> Iterator[tuple[int, ...]]:
    """Yield what simple rules come to, each into the first bin that will do: the least there is."""
    rules: tuple[Callable[[int], float], ...] = (
        lambda each: each,
        lambda each: sizes[each] / weights[each],
    )
    for rule in rules:
        left, chosen = list(room.bins), list[int]()
        for each in sorted(range(len(sizes)), key=rule):
            bin_ = next((at for at, free in enumerate(left) if free >= sizes[each]), None)
            if bin_ is not None and len(chosen) < room.places:
                left[bin_] -= sizes[each]
                chosen.append(each)
        yield tuple(sorted(chosen))
