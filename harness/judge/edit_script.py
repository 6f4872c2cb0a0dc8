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


def _equal(a: Sequence[int], b: Sequence[int], most: int) -> list[tuple[int, int]]:
    """Return the pairs that a shortest edit script leaves; the same places beyond `most` edits."""
    reach = {1: 0}
    steps: list[dict[int, int]] = []
    for edits in range(min(len(a) + len(b), most) + 1):
        steps.append(dict(reach))
        for diagonal in range(-edits, edits + 1, 2):
            x = _from(reach, diagonal, edits)
            y = x - diagonal
            while x < len(a) and y < len(b) and a[x] == b[y]:
                x, y = x + 1, y + 1
            reach[diagonal] = x
            if x >= len(a) and y >= len(b):
                return list(_way_back(steps, len(a), len(b)))[::-1]
    return [(at, at) for at in range(min(len(a), len(b))) if a[at] == b[at]]


def _from(reach: dict[int, int], diagonal: int, edits: int) -> int:
    """Return where a diagonal is entered: from above (one more of B) or the left (one less)."""
    if _is_down(reach, diagonal, edits):
        return reach[diagonal + 1]
    return reach[diagonal - 1] + 1


def _is_down(reach: dict[int, int], diagonal: int, edits: int) -> bool:
    if abs(diagonal) == edits:
        return diagonal == -edits
    return reach[diagonal - 1] < reach[diagonal + 1]


def _way_back(steps: Sequence[dict[int, int]], x: int, y: int) -> Iterator[tuple[int, int]]:
    for edits in range(len(steps) - 1, -1, -1):
        reach, diagonal = steps[edits], x - y
        entered = _from(reach, diagonal, edits)
        while x > max(entered, 0) and y > max(entered - diagonal, 0):
            x, y = x - 1, y - 1
            yield x, y
        if _is_down(reach, diagonal, edits):
            y -= 1
        else:
            x -= 1
