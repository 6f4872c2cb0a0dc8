"""The words for how sure the first cause is: they fall where it leaves something open."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from dryload.harness.diagnose.cause import Strength
from dryload.harness.diagnose.confidence import MEANS, Confidence, how_sure
from dryload.harness.diagnose.table import TABLE
from dryload.harness.diagnose.weigh import Suspicion, Unexplained

OPEN = Unexplained(text="Odd.", clause="HDR-08", sign="", is_broken=True, dump=0, at=None)
ALONE = {
    Strength.SURE: Confidence.CERTAIN,
    Strength.STRONG: Confidence.VERY_LIKELY,
    Strength.FAIR: Confidence.LIKELY,
    Strength.WEAK: Confidence.POSSIBLE,
}


def named(place: int, strength: Strength, *, follows: bool = False) -> Suspicion:
    cause = TABLE.causes[place]
    return Suspicion(cause=cause, strength=strength, signs=(), follows=follows)


@pytest.mark.parametrize("strength", Strength)
def test_alone_it_is_as_sure_as_what_speaks_for_it(strength: Strength) -> None:
    first = named(0, strength)
    assert how_sure([first], []) is ALONE[strength]
    assert how_sure([first, named(1, strength, follows=True)], []) is ALONE[strength]
    assert ALONE[strength] in MEANS


@pytest.mark.parametrize("strength", Strength)
def test_what_stays_open_and_rivals_make_no_word_stronger(strength: Strength) -> None:
    words = list(Confidence)
    alone = words.index(how_sure([named(0, strength)], []))
    for unexplained in ([OPEN], [replace(OPEN, is_broken=False)], []):
        for other in Strength:
            if other <= strength:
                word = how_sure([named(0, strength), named(1, other)], unexplained)
                assert words.index(word) >= alone


@pytest.mark.parametrize("strength", [Strength.SURE, Strength.STRONG])
def test_neither_a_rival_nor_something_broken_leaves_it_surer_than_likely(
    strength: Strength,
) -> None:
    first = named(0, strength)
    assert how_sure([first], [OPEN]) is Confidence.LIKELY
    assert how_sure([first, named(1, strength)], []) is Confidence.LIKELY
    assert how_sure([first], [replace(OPEN, is_broken=False)]) is not ALONE[strength]
