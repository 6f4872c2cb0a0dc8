"""From signs to an answer: which causes they speak for, which comes first, and what is left open.

Theory of operation.  Each row of the table that finds its sign speaks for its cause.  Causes are
ranked by their strongest row.  A cause explains the signs that it says come of it, in the dump
where it was seen and in those after it; another cause that has no sign but such ones follows from
it and stands behind.  Every finding of the judge and every sign that is not harmless has to be
wanted or explained by a cause that is named: what is left is told as it was seen (`Unexplained`),
makes the first cause less sure, and "nothing is wrong" never stands beside it.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from dryload.harness.diagnose.cause import Cause, CauseRow, Strength, Want
from dryload.harness.diagnose.sign import FINDING, Evidence, Sign
from dryload.harness.diagnose.table import TABLE, Table
from dryload.harness.judge.finding import Place, Verdict

_MOST_EVIDENCE: Final = 6
_Signs = Mapping[str, Sequence[Sign]]


class Suspicion(Struct, frozen=True, kw_only=True):
    """A cause, and everything that speaks for it in one capture."""

    cause: Cause
    strength: Strength
    signs: tuple[Sign, ...]
    """What it is suspected by, the strongest first; the first one says where it struck."""
    because: str = ""
    """More exact words for this capture, in place of the cause's sentence."""
    follows: bool = False
    """Whether it comes of a cause before it, so that it needs no mending of its own."""

    @property
    def name(self) -> str:
        """The name of the cause."""
        return self.cause.name

    @property
    def at(self) -> Place | None:
        """Where it struck first."""
        return self.signs[0].at

    @property
    def dump(self) -> int | None:
        """Which dump of the capture, from 0 on; None: the capture as a whole."""
        return self.signs[0].dump

    @property
    def evidence(self) -> tuple[Evidence, ...]:
        """What was seen, nothing twice, and not too much of it."""
        lines: dict[str, Evidence] = {}
        for line in (line for each in self.signs for line in each.evidence):
            lines.setdefault(line.text, line)
        return tuple(lines.values())[:_MOST_EVIDENCE]

    def explains(self, sign: Sign) -> bool:
        """Whether a sign comes of this cause."""
        is_later = self.dump is None or sign.dump is None or sign.dump >= self.dump
        return is_later and sign.name in self.cause.explains


def suspicions_of(signs: Sequence[Sign], table: Table) -> tuple[Suspicion, ...]:
    """Return the causes that signs speak for, the likeliest first; those that follow stand last."""
    by_name: dict[str, list[Sign]] = {}
    for each in signs:
        if not each.values.get("back"):  # of what came back the table has no rows
            by_name.setdefault(each.name, []).append(each)
    found = [one for cause in table.causes if (one := _suspicion(cause, by_name)) is not None]
    found.sort(key=lambda each: -each.strength)
    return _followed(found)


def _suspicion(cause: Cause, signs: _Signs) -> Suspicion | None:
    pairs = [
        (row, one)
        for row in cause.rows
        for name in row.sign.names
        for one in signs.get(name, ())
        if _speaks(row, one, signs)
    ]
    if not pairs:
        return None
    pairs.sort(key=lambda pair: -pair[0].strength)
    best = pairs[0][0]
    return Suspicion(
        cause=cause,
        strength=best.strength,
        signs=tuple(dict.fromkeys(one for _, one in pairs)),
        because=best.because,
    )


def _speaks(row: CauseRow, one: Sign, signs: _Signs) -> bool:
    return (
        row.sign.fits(one)
        and all(_is_there(want, one, signs) for want in row.beside)
        and not any(_is_there(want, one, signs) for want in row.unless)
    )


def _is_there(want: Want, one: Sign, signs: _Signs) -> bool:
    """Whether another sign fits in the dump of one, or beside all dumps."""
    return any(
        each is not one
        and (each.dump == one.dump or each.dump is None or one.dump is None)
        and want.fits(each)
        for name in want.names
        for each in signs.get(name, ())
    )


def _followed(found: Sequence[Suspicion]) -> tuple[Suspicion, ...]:
    """Put what comes of another cause behind all others."""
    harmful = [each for each in found if not each.cause.is_harmless]
    found = [each for each in found if not (each.cause.is_harmless and _is_used(each, harmful))]
    brought = {
        other.name
        for each in harmful
        if not any(_brings(one, each) for one in harmful)
        for other in harmful
        if _brings(each, other)
    }
    first = [each for each in found if each.name not in brought]
    return (*first, *(replace(each, follows=True) for each in found if each.name in brought))


def _is_used(remark: Suspicion, harmful: Sequence[Suspicion]) -> bool:
    """Whether what would be harmless by itself belongs to something that is not."""
    return all(
        any(sign in one.signs or one.explains(sign) for one in harmful) for sign in remark.signs
    )


def _brings(one: Suspicion, other: Suspicion) -> bool:
    """Whether one cause explains all that speaks for another: but nothing what is surer."""
    return (
        one is not other and one.strength >= other.strength and all(map(one.explains, other.signs))
    )


class Unexplained(Struct, frozen=True, kw_only=True):
    """Something wrong that no cause accounts for."""

    text: str
    """A whole sentence."""
    clause: str
    """The clause that it violates; "" where it is odd and violates none."""
    sign: str
    """The kind of sign; "" for a finding of the judge."""
    is_broken: bool
    """Whether it is a must of the standard, or odd and never seen where all is well."""
    dump: int | None
    """Which dump of the capture, from 0 on; None: beside them."""
    at: Place | None


def unexplained_in(signs: Iterable[Sign], named: Sequence[Suspicion]) -> tuple[Unexplained, ...]:
    """Return what needs a cause and is neither wanted nor explained by one of these."""
    wanted = {id(one) for each in named for one in each.signs}
    left = [
        _unexplained(each)
        for each in signs
        if _needs_cause(each)
        and id(each) not in wanted
        and not any(one.explains(each) for one in named)
    ]
    return tuple(sorted(left, key=lambda each: not each.is_broken))


def _needs_cause(sign: Sign) -> bool:
    if sign.kind != FINDING:
        return not TABLE.signs[sign.kind].harmless
    verdict = sign.values["verdict"]
    if verdict == Verdict.NOTED:
        return sign.name in TABLE.odd
    return verdict != Verdict.RIG or sign.name not in TABLE.usual


def _unexplained(sign: Sign) -> Unexplained:
    is_finding = sign.kind == FINDING
    return Unexplained(
        text=sign.evidence[0].text,
        clause=sign.name if is_finding else "",
        sign="" if is_finding else sign.kind,
        is_broken=not is_finding or sign.values["verdict"] == Verdict.BROKEN,
        dump=sign.dump,
        at=sign.at,
    )
