"""From signs to an answer: which causes they speak for, which comes first, and what is left open.

Theory of operation.  Each row of the table that finds its signs is a suspicion; those of one cause
become one.  They are ranked by strength.  A cause explains the signs that it says come of it, in
the dump where it was seen and in those after it; another cause that has no sign but such ones
follows from it and stands behind.  What no named cause wants or explains is left open: it is told
as it was seen (`unexplained`), and makes the first cause less sure.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from harness.diagnose.cause import Cause, Row, Strength, Suspicion, Want
from harness.diagnose.sign import Sign
from harness.diagnose.table import TABLE, Table

_ORDER: Final = {cause.name: place for place, cause in enumerate(TABLE.causes)}
_MOST_EVIDENCE: Final = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranked:
    """A cause with everything that speaks for it in one capture."""

    cause: Cause
    strength: Strength
    suspicion: Suspicion
    """The strongest one, with the evidence and the signs of the others added."""
    follows: bool = False
    """Whether it comes of a cause before it, so that it needs no mending of its own."""

    @property
    def name(self) -> str:
        """The name of the cause."""
        return self.cause.name

    def explains(self, kind: str, dump: int | None) -> bool:
        """Whether a sign of a kind, or a violated clause, comes of this cause."""
        since = self.suspicion.dump
        is_later = since is None or dump is None or dump >= since
        return is_later and kind in self.cause.explains


def suspicions_of(signs: Sequence[Sign], table: Table) -> Iterator[Suspicion]:
    """Yield what the table makes of the signs: of a cause, for each sign its strongest row."""
    by_kind: dict[str, list[Sign]] = {}
    for each in signs:
        by_kind.setdefault(each.kind, []).append(each)
    for cause in table.causes:
        best: dict[int, Suspicion] = {}
        for row in cause.rows:
            for one in by_kind.get(row.sign.kind, ()):
                found = _suspicion(cause, row, one, by_kind)
                before = best.get(id(one))
                if found and (before is None or found.strength > before.strength):
                    best[id(one)] = found
        yield from best.values()


def _suspicion(
    cause: Cause, row: Row, one: Sign, by_kind: Mapping[str, Sequence[Sign]]
) -> Suspicion | None:
    if not row.sign.fits(one) or any(_is_there(want, one, by_kind) for want in row.unless):
        return None
    return Suspicion(
        cause=cause.name,
        strength=row.strength,
        evidence=one.evidence,
        at=one.at,
        dump=one.dump,
        because=row.because,
        signs=(one,),
    )


def _is_there(want: Want, one: Sign, by_kind: Mapping[str, Sequence[Sign]]) -> bool:
    """Whether another sign fits in the dump of one, or beside all dumps."""
    return any(
        each is not one
        and (each.dump == one.dump or each.dump is None or one.dump is None)
        and want.fits(each)
        for each in by_kind.get(want.kind, ())
    )


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
        signs = tuple(dict.fromkeys(one for each in mine for one in each.signs))
        found.append(replace(best, evidence=evidence, signs=signs))
    return found


def _followed(harmful: Sequence[Ranked]) -> tuple[Ranked, ...]:
    """Put what comes of another cause behind all others."""
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
    """Whether one cause explains all that speaks for another: but nothing what is surer."""
    if one is other or one.strength < other.strength:
        return False
    signs = other.suspicion.signs
    return bool(signs) and all(one.explains(each.kind, each.dump) for each in signs)


def _is_brought(one: Ranked, others: Sequence[Ranked]) -> bool:
    return any(_brings(other, one) for other in others)
