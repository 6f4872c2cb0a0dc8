"""What one to five passes find of single cells and addresses, beside what arithmetic expects.

A bit that is drawn is 0 or 1 as often, so one pass shows half of the stuck cells, and the
complement the other half.  A cell that misses one of two changes shows in one pass in a quarter of
the cases, with the complement in three, and with a third pass always.  Of two cells in different
words the one that is upset shows it only if it is written first.  Two words are alike by chance
only, one of 2 to the power of the width.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from dryload.harness.prove.passes import planned
from tests.prove.detection import DECODER, IN_CELLS, ROWS, expected, shares, shares_in_cells

SIZE, COUNT = 1 << 17, 15_000
LENGTHS = [part.words for part in planned(SIZE)]
POINTS = 1.5


@pytest.mark.parametrize(("name", "near"), ROWS)
def test_a_plain_memory_shows_what_it_has_to_after_each_pass(name: str, near: str) -> None:
    found = shares(name, near, size=SIZE, count=COUNT)

    assert found == pytest.approx(expected(name, near, LENGTHS), abs=POINTS)


@pytest.mark.parametrize("name", IN_CELLS)
def test_the_cells_of_an_emulated_unit_show_the_same(name: str) -> None:
    count = 6_000 if name == "inverting" else 2_500  # a third of these for each place
    for near, found in shares_in_cells(name, size=SIZE, count=count).items():
        assert found == pytest.approx(expected(name, near, LENGTHS), abs=POINTS), near


@pytest.mark.parametrize("name", DECODER)
@pytest.mark.parametrize(("bits", "least"), [(16, 99.9), (12, 99.9), (8, 99.5)])
def test_an_address_that_reaches_another_word_hardly_ever_goes_unseen(
    bits: int, least: float, name: str
) -> None:
    assert shares(name, size=SIZE, count=60_000, bits=bits)[1] >= least


@pytest.mark.parametrize(
    ("name", "near", "shares"),
    [
        ("inverting", "same word", ("1/4", "3/4", "1", "1", "1")),
        ("inverting", "neighbour", ("1/8", "3/8", "1/2", "1/2", "1/2")),
        ("forcing", "same word", ("1/8", "3/8", "1/2", "1/2", "9/16")),
        ("forcing", "neighbour", ("1/16", "3/16", "1/4", "1/4", "9/32")),
        ("state", "anywhere", ("1/4", "1/2", "1/2", "1/2", "5/8")),
    ],
)
def test_what_is_expected_is_what_hand_and_paper_give(
    name: str, near: str, shares: tuple[str, ...]
) -> None:
    """In one sample no split pass finds more than another pass of the same words."""
    assert expected(name, near, [64]) == [100 * float(Fraction(share)) for share in shares]
