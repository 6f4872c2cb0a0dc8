"""What one, two and three passes find: the shares that the order of writing gives by arithmetic.

A bit that is drawn is 0 or 1 as often, so one pass shows half of the stuck cells, and the
complement the other half.  A cell that misses one of two changes shows in one pass in a quarter of
the cases, with the complement in three, and with a third pass always.  Two words are alike by
chance only, one of 2 to the power of the width.
"""

from __future__ import annotations

import pytest

from dryload.harness.prove.passes import OVERNIGHT, USUAL
from tests.prove.detection import share

ONE, TWO, THREE = USUAL[:1], USUAL, OVERNIGHT[:3]


@pytest.mark.parametrize(
    ("name", "shares"),
    [
        ("stuck", (50.0, 100.0, 100.0)),
        ("misses_one_change", (25.0, 75.0, 100.0)),
        ("reaches_no_cell", (100.0, 100.0, 100.0)),
        ("reaches_another", (100.0, 100.0, 100.0)),
    ],
)
def test_passes_find_what_they_have_to(name: str, shares: tuple[float, ...]) -> None:
    for passes, wanted in zip((ONE, TWO, THREE), shares, strict=True):
        assert abs(share(name, passes, count=5_000, bits=16) - wanted) < 1.5


@pytest.mark.parametrize(("bits", "least"), [(16, 99.9), (12, 99.9), (8, 99.5)])
def test_an_address_that_reaches_another_word_hardly_ever_goes_unseen(
    bits: int, least: float
) -> None:
    for name in ("reaches_another", "reaches_two"):
        assert share(name, TWO, count=10_000, bits=bits) >= least
