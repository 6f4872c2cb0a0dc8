"""How sure a cause is, in words, and what each word was measured to be worth."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from harness.diagnose.cause import Strength


class Confidence(StrEnum):
    """How sure the first cause is, the surest first."""

    CERTAIN = "certain"
    VERY_LIKELY = "very likely"
    LIKELY = "likely"
    POSSIBLE = "possible"


OF_STRENGTH: Final = {
    Strength.SURE: Confidence.CERTAIN,
    Strength.STRONG: Confidence.VERY_LIKELY,
    Strength.FAIR: Confidence.LIKELY,
    Strength.WEAK: Confidence.POSSIBLE,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """How often a word was right in rehearsals whose cause was known."""

    per_cent: float
    of: int
    """So many answers."""


MEASURED: Final = {
    Confidence.CERTAIN: Measured(per_cent=99.98, of=25_505),
    Confidence.VERY_LIKELY: Measured(per_cent=99.89, of=45_972),
    Confidence.LIKELY: Measured(per_cent=99.92, of=27_604),
    Confidence.POSSIBLE: Measured(per_cent=99.53, of=2_122),
}
"""What `python -m tests.diagnosis single --runs 112000 --seed 20262` printed."""


def at_least(word: Confidence) -> Measured:
    """Return what a word was worth at least: no more than what any stronger word was worth.

    Words that lie close together may be measured in the wrong order.
    """
    stronger = list(Confidence)[: list(Confidence).index(word) + 1]
    least = min(MEASURED[each].per_cent for each in stronger)
    return Measured(per_cent=least, of=MEASURED[word].of)
