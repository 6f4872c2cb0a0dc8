"""From suspicions to an answer: which cause comes first, how sure that is, and what is left open.

Theory of operation.  Suspicions of one cause become one.  They are ranked by strength, and causes
that another one brings along stand behind it.  How sure the first one is follows from its strength
and from how far the next is behind; what such a word is worth was measured (`confidence.MEASURED`).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from harness.diagnose.cause import Cause, Strength, Suspicion
from harness.diagnose.table import TABLE

_ORDER: Final = {cause.name: place for place, cause in enumerate(TABLE.causes)}
_MOST_EVIDENCE: Final = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranked:
    """A cause with everything that speaks for it in one capture."""

    cause: Cause
    strength: Strength
    suspicion: Suspicion
    """The strongest one, with the evidence of the others added."""
    follows: bool = False
    """Whether a cause before it brings it along, so that it needs no mending of its own."""

    @property
    def name(self) -> str:
        """The name of the cause."""
        return self.cause.name


def ranked(suspicions: Iterable[Suspicion]) -> tuple[tuple[Ranked, ...], tuple[Ranked, ...]]:
    """Return the causes that do harm, the likeliest first, and the harmless ones."""
    merged = [
        Ranked(cause=TABLE.named(each.cause), strength=each.strength, suspicion=each)
        for each in _merged(suspicions)
    ]
    merged.sort(key=lambda each: (-each.strength, _ORDER[each.name]))
    harmful = [each for each in merged if not each.cause.is_harmless]
    return _followed(harmful), tuple(each for each in merged if each.cause.is_harmless)


def _merged(suspicions: Iterable[Suspicion]) -> list[Suspicion]:
    groups: dict[str, list[Suspicion]] = {}
    for each in suspicions:
        groups.setdefault(each.cause, []).append(each)
    found = []
    for mine in groups.values():
        best = max(mine, key=lambda each: each.strength)  # of equal ones the first
        more = [line for each in mine if each is not best for line in each.evidence]
        known = {line.text for line in best.evidence}
        added = [line for line in more if line.text not in known]
        evidence = (*best.evidence, *added)[:_MOST_EVIDENCE]
        found.append(replace(best, evidence=evidence))
    return found


def _followed(harmful: Sequence[Ranked]) -> tuple[Ranked, ...]:
    """Put what another cause brings along behind all others."""
    brought = {
        other.name
        for each in harmful
        if not _is_brought(each, harmful)
        for other in harmful
        if _brings(each, other)
    }
    first = [each for each in harmful if each.name not in brought]
    behind = [replace(each, follows=True) for each in harmful if each.name in brought]
    return (*first, *behind)


def _brings(one: Ranked, other: Ranked) -> bool:
    """Whether a cause explains another one: nothing explains what is surer than itself."""
    return other.name in one.cause.brings and one.strength >= other.strength


def _is_brought(one: Ranked, others: Sequence[Ranked]) -> bool:
    return any(_brings(other, one) for other in others)
