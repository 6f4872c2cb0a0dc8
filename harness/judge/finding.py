"""One thing observed, tied to a clause and a place, and the collector of such findings.

Theory of operation.  Things that are equal in clause, words and who is answerable are one finding:
it has the place of the first and says how many there are.  Of one clause at most `MOST` different
findings are kept; what comes beyond them is counted and told as one.  A dump in which everything is
wrong is told in a page and costs no memory.
"""

from collections.abc import Iterable, Iterator, Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from msgspec import Struct, field
from msgspec.structs import replace

from dryload.emulator.wire.clauses import Level, clause
from dryload.emulator.wire.prose import capitalised
from dryload.harness.judge.kinds import finding_kinds

MOST: Final = 200
"""Different findings of one clause that are kept; the rest is counted."""
_RARE: Final = 4
"""One in so many, or fewer, is rather the line than a habit (our choice)."""
_RARE_DO: Final = (
    "It is rare here, so a message was rather delayed, altered or lost on the way: try a "
    "shorter cable, another interface, or fewer devices in the chain."
)


class Verdict(StrEnum):
    """What a finding is worth, the gravest first."""

    BROKEN = "broken"
    """A must of the standard is violated."""
    RIG = "rig"
    """Cable, port or harness at fault; never held against the unit or the file."""
    BENT = "bent"
    """A should is missed."""
    NOTED = "noted"
    """Legal, or left open by the standard, but worth knowing."""


GRAVITY: Final = {verdict: place for place, verdict in enumerate(Verdict)}
"""How grave each is, 0 being the gravest."""
VERDICTS: Final = {
    Level.MUST: Verdict.BROKEN,
    Level.SHOULD: Verdict.BENT,
    Level.INFORMATION: Verdict.NOTED,
}
"""What breaking a clause of each level is worth."""


class Answerable(StrEnum):
    """Who has to mend it."""

    FILE = "file"
    SENDER = "sender"
    UNIT = "unit"
    RIG = "rig"


_SIDES: Final = {
    "file": Answerable.FILE,
    "sender": Answerable.SENDER,
    "receiver": Answerable.UNIT,
    "rig": Answerable.RIG,
}


class Place(Struct, frozen=True, kw_only=True):
    """Where: what is not known is None."""

    byte: int | None = None
    """Offset in the file or stream."""
    packet: int | None = None
    """Data packet of its dump, counted from 0; never wraps."""
    packet_number: int | None = None
    """The number that the packet carries, 0 to 127."""
    time_ns: int | None = None


NOWHERE: Final = Place()
_NO_NAMES: Final[Mapping[str, object]] = MappingProxyType({})


class Finding(Struct, frozen=True, kw_only=True):
    """One observation in plain words, with what was expected and found."""

    clause: str
    verdict: Verdict
    message: str
    answerable: Answerable
    at: Place = field(default_factory=Place)
    expected: str = ""
    found: str = ""
    do: str = ""
    kind: str = ""
    """What programs know it by, as `findings.toml` has it."""


def worst_of(findings: Iterable[Finding]) -> Verdict | None:
    """Return the gravest verdict, None if there is no finding."""
    return min([each.verdict for each in findings], key=GRAVITY.__getitem__, default=None)


def first_of_each_clause(findings: Iterable[Finding]) -> Iterator[Finding]:
    """Yield one finding for each clause, verdict and who is answerable, and how many there are."""
    alike: dict[tuple[str, Verdict, Answerable], list[Finding]] = {}
    for each in findings:
        alike.setdefault((each.clause, each.verdict, each.answerable), []).append(each)
    for first, *rest in alike.values():
        more = f" (and {len(rest):,} more of this clause)." if rest else ""
        yield replace(first, message=first.message.rstrip(".") + more) if rest else first


def is_rare(count: int, out_of: int) -> bool:
    """Whether something happened so rarely that it is rather the line than a habit."""
    return count * _RARE <= out_of


class _Entry(Struct):
    first: Finding
    many: str
    out_of: int | None
    count: int

    def told(self) -> Finding:
        """Return the finding with the number of things that it stands for."""
        text = self.first.message
        if self.count > 1:
            text = self.many.format(n=f"{self.count:,}") if self.many else self._counted(text)
        found = replace(self.first, message=capitalised(text))
        if self.out_of is None or found.verdict is Verdict.NOTED:
            return found
        if not is_rare(self.count, self.out_of):
            return found
        return replace(found, verdict=Verdict.RIG, answerable=Answerable.RIG, do=_RARE_DO)

    def _counted(self, text: str) -> str:
        return f"{text.removesuffix('.')}, {self.count:,} times in all."


def _verdict_of(given: str | None, clause_id: str) -> Verdict:
    return VERDICTS[clause(clause_id).level] if given is None else Verdict(given)


class Findings:
    """Collects the findings of one dump, or of what stands beside dumps.

    `names` are filled into every text; `sides` says who the sender and the receiver are.
    """

    def __init__(
        self,
        names: Mapping[str, object] = _NO_NAMES,
        sides: Mapping[str, Answerable] = _SIDES,
    ) -> None:
        self._names = names
        self._sides = _SIDES if sides is _SIDES else {**_SIDES, **sides}
        self._entries: dict[tuple[str, str, Answerable, Verdict], _Entry] = {}
        self._different: dict[str, int] = {}
        self._last: dict[str, Finding] = {}

    def tell(
        self,
        kind: str,
        at: Place = NOWHERE,
        *,
        where: str = "",
        clause: str = "",
        who: Answerable | None = None,
        verdict: Verdict | None = None,
        count: int = 1,
        out_of: int | None = None,
        names: Mapping[str, object] = _NO_NAMES,
        **more: object,
    ) -> None:
        """Add a finding of a kind; `names` and `more` of them are filled into its texts.

        Clause, verdict and who is answerable are those of its kind unless they are given.  `where`
        goes in front of the message and is that of the first one.  With `out_of`, how often it
        could have happened, what happened rarely is held against the rig.
        """
        row = finding_kinds()[kind]
        filled = {**self._names, **names, **more}
        found = Finding(
            clause=clause or row.clause,
            verdict=verdict or _verdict_of(row.verdict, clause or row.clause),
            message=row.says.format(**filled),
            answerable=who or self._sides[row.side],
            at=at,
            expected=row.expected.format(**filled),
            found=row.found.format(**filled),
            do=row.do.format(**filled),
            kind=kind,
        )
        key = found.clause, found.message, found.answerable, found.verdict
        if (entry := self._entries.get(key)) is not None:
            entry.count += count
            return
        found = replace(found, message=where + found.message)
        different = self._different[found.clause] = self._different.get(found.clause, 0) + 1
        if different <= MOST:
            many = row.many.format(**filled, n="{n}")
            self._entries[key] = _Entry(found, many, out_of, count)
        else:
            self._last[found.clause] = found

    def told(self) -> list[Finding]:
        """Return the findings in the order in which they were added first."""
        more = [
            replace(
                last,
                message=f"The same again {self._different[clause_id] - MOST:,} times, "
                f"the last time: {last.message}",
                at=Place(byte=last.at.byte),
            )
            for clause_id, last in self._last.items()
        ]
        return [*(entry.told() for entry in self._entries.values()), *more]

    def told_by_byte(self) -> tuple[Finding, ...]:
        """Return the findings in the order of the stream."""
        if not self._entries:
            return ()
        return tuple(
            sorted(self.told(), key=lambda each: -1 if each.at.byte is None else each.at.byte)
        )


def finding_of(kind: str, at: Place = NOWHERE, /, **names: object) -> Finding:
    """Return one finding of a kind, with the names filled into its texts."""
    found = Findings()
    found.tell(kind, at, names=names)
    return found.told()[0]
