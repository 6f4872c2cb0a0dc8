"""Which message stands against which, with the textbook table as a second opinion."""

from __future__ import annotations

from collections.abc import Sequence

from hypothesis import given
from hypothesis import strategies as st

from dryload.harness.judge.edit_script import edit_script

lists = st.lists(st.sampled_from([b"a", b"b", b"c"]), max_size=14)


def longest_common(a: Sequence[bytes], b: Sequence[bytes]) -> int:
    """Return how many can stand together in order: the plain quadratic table."""
    row = [0] * (len(b) + 1)
    for one in a:
        before = list(row)
        for at, other in enumerate(b, start=1):
            row[at] = before[at - 1] + 1 if one == other else max(before[at], row[at - 1])
    return row[-1]


@given(lists, lists)
def test_as_many_equal_ones_as_can_be_stand_together(a: list[bytes], b: list[bytes]) -> None:
    pairs = list(edit_script(a, b))

    assert [x for x, _ in pairs if x is not None] == list(range(len(a)))
    assert [y for _, y in pairs if y is not None] == list(range(len(b)))
    equal = sum(x is not None and y is not None and a[x] == b[y] for x, y in pairs)
    assert equal >= longest_common(a, b)  # others in one place may be equal by chance


@given(lists, lists)
def test_each_is_there_once_even_if_the_search_is_given_up(a: list[bytes], b: list[bytes]) -> None:
    pairs = list(edit_script(a, b, most=1))

    assert [x for x, _ in pairs if x is not None] == list(range(len(a)))
    assert [y for _, y in pairs if y is not None] == list(range(len(b)))


def test_one_lost_and_one_changed_move_nothing_else() -> None:
    a = [bytes([number % 128]) for number in range(1_000)]
    b = [*a[:300], *a[301:700], b"other", *a[701:]]
    pairs = list(edit_script(a, b))

    assert (300, None) in pairs
    assert (700, 699) in pairs
    assert len(pairs) == 1_000
    assert all(x == y for x, y in pairs[:300])
    assert all(y is not None and x == y + 1 for x, y in pairs[301:])


def test_ten_thousand_with_nothing_in_common_take_no_time() -> None:
    a, b = ([bytes([side, n % 256, n // 256]) for n in range(10_000)] for side in (0, 1))

    assert list(edit_script(a, b)) == [(at, at) for at in range(10_000)]
