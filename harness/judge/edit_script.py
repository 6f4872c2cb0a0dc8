"""Which message of one list stands against which of another.

Theory of operation.  Equal beginnings and ends are taken as they are.  Between them the fewest
messages that have to be left out or put in are looked for, by the furthest points that so many
edits can reach on each diagonal (the greedy method for a shortest edit script).  The work is
bounded: lists that differ in too many places stand against each other one by one, in order.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise, zip_longest
from typing import Final

MOST_EDITS: Final = 400

Counterpart = tuple[int | None, int | None]
"""Indices into both lists; None where one has nothing to stand there."""


def edit_script(
    a: Sequence[bytes], b: Sequence[bytes], *, most: int = MOST_EDITS
) -> Iterator[Counterpart]:
    """Yield every index of both lists, in order; equal ones together, others by their place."""
    numbers: dict[bytes, int] = {}
    ids_a, ids_b = ([numbers.setdefault(each, len(numbers)) for each in side] for side in (a, b))
    head = _alike(ids_a, ids_b)
    tail = _alike(ids_a[head:][::-1], ids_b[head:][::-1])
    middle_a, middle_b = ids_a[head : len(a) - tail], ids_b[head : len(b) - tail]
    equal = [(at, at) for at in range(head)]
    equal += [(head + x, head + y) for x, y in _equal(middle_a, middle_b, most)]
    equal += [(len(a) - at, len(b) - at) for at in range(tail, 0, -1)]
    for (x, y), (next_x, next_y) in pairwise([(-1, -1), *equal, (len(a), len(b))]):
        yield from zip_longest(range(x + 1, next_x), range(y + 1, next_y))
        if next_x < len(a):
            yield next_x, next_y


def _alike(a: Sequence[int], b: Sequence[int]) -> int:
    """Return how many are equal from the beginning on."""
    for at, (one, other) in enumerate(zip(a, b, strict=False)):
        if one != other:
            return at
    return min(len(a), len(b))


_Run = tuple[int, int, int, "_Run | None"]
"""Equal messages: the first in A, the one behind the last, the diagonal, and the run before."""


def _equal(a: Sequence[int], b: Sequence[int], most: int) -> Iterator[tuple[int, int]]:
    """Yield the pairs that a shortest edit script leaves; the same places beyond `most` edits."""
    reach: dict[int, tuple[int, _Run | None]] = {1: (0, None)}
    for edits in range(min(len(a) + len(b), most) + 1):
        for diagonal in range(-edits, edits + 1, 2):
            below, left = reach.get(diagonal + 1), reach.get(diagonal - 1)
            if below is not None and (left is None or left[0] < below[0]):
                x, run = below  # one more of B
            else:
                assert left is not None
                x, run = left[0] + 1, left[1]  # one less of A
            first = x
            while x < len(a) and x - diagonal < len(b) and a[x] == b[x - diagonal]:
                x += 1
            if x > first:
                run = first, x, diagonal, run
            reach[diagonal] = x, run
            if x >= len(a) and x - diagonal >= len(b):
                yield from _pairs(run)
                return
    yield from ((at, at) for at in range(min(len(a), len(b))) if a[at] == b[at])


def _pairs(run: _Run | None) -> Iterator[tuple[int, int]]:
    runs = []
    while run is not None:
        runs.append(run)
        run = run[3]
    for first, stop, diagonal, _ in reversed(runs):
        yield from ((x, x - diagonal) for x in range(first, stop))
