"""How sure a cause is, in words that each say what they rest on.

Theory of operation.  No percentage stands beside a word.  What a word is worth depends on whether
the fault is one that the table knows, which no capture shows: with the right cause left out of the
table (`python -m tests.diagnosis confidence`) no word is right often enough to be called a share.
"""

from collections.abc import Sequence
from enum import StrEnum
from typing import Final

from dryload.harness.diagnose.cause import Strength
from dryload.harness.diagnose.weigh import Suspicion, Unexplained


class Confidence(StrEnum):
    """How sure the first cause is, the surest first."""

    CERTAIN = "certain"
    VERY_LIKELY = "very likely"
    LIKELY = "likely"
    POSSIBLE = "possible"


MEANS: Final = {
    Confidence.CERTAIN: "what was seen is the thing itself",
    Confidence.VERY_LIKELY: "little else that is known brings this about",
    Confidence.LIKELY: "it is usual for this cause, and other causes cannot be ruled out",
    Confidence.POSSIBLE: "much else would look the same",
}
OF_STRENGTH: Final = {
    Strength.SURE: Confidence.CERTAIN,
    Strength.STRONG: Confidence.VERY_LIKELY,
    Strength.FAIR: Confidence.LIKELY,
    Strength.WEAK: Confidence.POSSIBLE,
}
_WORDS: Final = list(Confidence)


def how_sure(causes: Sequence[Suspicion], unexplained: Sequence[Unexplained]) -> Confidence:
    """Return how sure the first cause is: less where it leaves something open.

    What is explained by nothing, and a cause as strong that explains other things, leave it no more
    than likely; a cause nearly as strong makes it a word weaker.
    """
    first, *others = causes
    word = _WORDS.index(OF_STRENGTH[first.strength])
    rivals = [each for each in others if not each.follows]
    equal = any(each.strength == first.strength for each in rivals)
    near = any(each.strength == first.strength - 1 > Strength.WEAK for each in rivals)
    if equal or unexplained:
        word = max(word, _WORDS.index(Confidence.LIKELY))
    elif near:
        word = min(word + 1, len(_WORDS) - 1)
    return _WORDS[word]
