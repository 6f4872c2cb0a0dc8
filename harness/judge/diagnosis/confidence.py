"""How sure a cause is, in words, and what each word was measured to be worth."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from harness.judge.diagnosis.cause import Strength


class Confidence(StrEnum):
    """How sure the first cause is."""

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
    """How often a word was right in runs whose cause was known."""

    right: int
    of: int


MEASURED: Final[dict[Confidence, Measured]] = {}
"""From `python -m tests.diagnosis single --runs 100000`; a word that did not occur is not here."""
