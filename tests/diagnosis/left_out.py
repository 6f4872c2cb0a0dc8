"""Leave one cause out: what the diagnosis says of a fault that nobody wrote a row for.

Theory of operation.  The rows of the cause that a case is are taken away, and it is diagnosed.
What is right then is another cause of the label, to say that nothing is decided, or to name nothing
and say that there is too little to tell.  Wrong are a sure answer outside the label, and "nothing
is wrong".

Whoever never thought of a cause wrote no reader for what only this cause shows, either.  So each
case is diagnosed once more *bare*: without the rows, and without the kinds of signs that no row of
another cause wants.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from typing import Final
from unittest.mock import patch

from msgspec import field

from dryload.harness.diagnose.cause import Cause
from dryload.harness.diagnose.confidence import Confidence
from dryload.harness.diagnose.diagnose import Answer, CaptureDiagnosis, diagnose
from dryload.harness.diagnose.scene import Scene, Source
from dryload.harness.diagnose.sign import Sign
from dryload.harness.diagnose.signs import signs_of
from dryload.harness.diagnose.table import TABLE
from dryload.harness.files.recorded import Recorded
from dryload.harness.judge.finding import Verdict
from tests.diagnosis.injector_kinds import NOTHING, Case
from tests.diagnosis.scoring import SURE, Sum
from tests.diagnosis.tables import share

_WIDE: Final = 40
_VERDICTS: Final = (Verdict.BROKEN, Verdict.BENT, Verdict.RIG, Verdict.NOTED)


@cache
def own_signs(cause: str) -> frozenset[str]:
    """Return the kinds of signs that rows of this cause want, and of no other.

    What the judge has found stays: it knows of no causes.
    """

    def wanted(causes: Iterable[Cause]) -> frozenset[str]:
        rows = (row for each in causes for row in each.rows)
        return frozenset(name for row in rows for name in row.sign.names if name in TABLE.signs)

    return wanted([TABLE.named(cause)]) - wanted(TABLE.without(cause).causes)


def diagnose_without(
    cause: str, recorded: Recorded, sources: Sequence[Source] = (), *, bare: bool = False
) -> CaptureDiagnosis:
    """Diagnose a capture without a cause; bare: without its own signs as well."""
    hidden = own_signs(cause) if bare else frozenset()

    def others(scene: Scene) -> list[Sign]:
        return [each for each in signs_of(scene) if each.name not in hidden]

    with patch("dryload.harness.diagnose.diagnose.signs_of", others):
        return diagnose(recorded, sources, causes=TABLE.without(cause))


class Without(Sum):
    """What the cases of one cause came to without it."""

    runs: int = 0
    sure_wrong: int = 0
    nothing: int = 0
    """Cases that are told that nothing is wrong, though their label does not allow that."""


class LeftOut(Sum):
    """What many cases came to, each without the cause that it is."""

    causes: dict[str, Without] = field(default_factory=dict)
    bare: dict[str, Without] = field(default_factory=dict)
    """The same without the signs of the cause."""
    others: Counter[tuple[str, str]] = field(default_factory=Counter)
    """The cause left out, and what was named instead, surely and wrongly, or the strongest
    finding where nothing was wrong."""
    words: Counter[tuple[str, bool]] = field(default_factory=Counter)
    """A word of confidence, and whether what it was said of is right."""
    whole: Counter[tuple[str, bool]] = field(default_factory=Counter)
    """The same with all causes."""

    def add(self, case: Case) -> None:
        """Diagnose a case, then again without its cause."""
        if case.is_clean:
            return
        _count_word(self.whole, diagnose(case.recorded, case.sources), case.accepted)
        rest = case.accepted - {case.own}
        for bare, counts in ((False, self.causes), (True, self.bare)):
            left = diagnose_without(case.own, case.recorded, case.sources, bare=bare)
            count = counts.setdefault(case.own, Without())
            count.runs += 1
            if left.answer is Answer.NOTHING_WRONG and NOTHING not in rest:
                count.nothing += 1
                self.others[case.own, _strongest(left)] += bare
            if is_surely_wrong(left, rest):
                count.sure_wrong += 1
                assert left.first is not None
                self.others[case.own, left.first.name] += bare
            if bare:
                _count_word(self.words, left, rest)


def _strongest(found: CaptureDiagnosis) -> str:
    """Return the strongest finding that the judge has where nothing is wrong."""
    findings = [
        (_VERDICTS.index(each.verdict), each.clause) for each in found.scene.verdicts.all_findings
    ]
    if not findings:
        return "no finding"
    place, clause = min(findings)
    return f"{_VERDICTS[place]} {clause}"


def is_surely_wrong(found: CaptureDiagnosis, accepted: frozenset[str]) -> bool:
    """Whether a diagnosis is sure of a cause that is not right."""
    first = found.first
    return found.confidence in SURE and first is not None and first.name not in accepted


def _count_word(
    words: Counter[tuple[str, bool]], found: CaptureDiagnosis, accepted: frozenset[str]
) -> None:
    if found.first is not None and found.confidence is not None:
        words[str(found.confidence), found.first.name in accepted] += 1


def sum_of(counts: Mapping[str, Without]) -> Without:
    """Return the sum over all causes."""
    total = Without()
    for each in counts.values():
        total.merge(each)
    return total


def lines_of(tally: LeftOut) -> Iterator[str]:
    """Yield the table by cause, the worst first, and the totals."""
    total, bare = sum_of(tally.causes), sum_of(tally.bare)
    yield f"without the cause that is right: {total.runs:,} cases of {len(tally.causes)} causes"
    if not total.runs:
        return
    yield f"  {'':20} {'without its rows':^26} {'without its signs as well':^26}"
    for text, some, fewer in (
        ("sure and wrong", total.sure_wrong, bare.sure_wrong),
        ("nothing is wrong", total.nothing, bare.nothing),
    ):
        yield f"  {text:20} {share(some, total.runs)} {share(fewer, bare.runs)}"
    yield f"  {'left out':{_WIDE}} {'cases':>6} {'wrong':>6} {'nothing':>7} {'bare':>7}"
    for name in sorted(tally.causes, key=lambda each: _badness(tally.bare[each]), reverse=True):
        mine, stricter = tally.causes[name], tally.bare[name]
        instead = Counter({b: n for (a, b), n in tally.others.items() if a == name and n})
        named = "; ".join(f"{cause} ({n})" for cause, n in instead.most_common(2))
        yield (
            f"  {name[:_WIDE]:{_WIDE}} {mine.runs:6,} {mine.sure_wrong / mine.runs:6.0%} "
            f"{mine.nothing / mine.runs:7.0%} {stricter.sure_wrong / stricter.runs:6.0%} "
            f"{stricter.nothing / stricter.runs:7.0%}  {named}"
        )


def word_lines(tally: LeftOut) -> Iterator[str]:
    """Yield what each word is worth with all causes, and for faults that no row is for."""
    yield "how sure it says it is, and how often that is right:"
    yield f"  {'':12} {'with all causes':^28} {'without it, bare':^28}"
    for word in Confidence:
        cells = []
        for words in (tally.whole, tally.words):
            right, wrong = words[str(word), True], words[str(word), False]
            share = f"{right / (right + wrong):7.2%}" if right + wrong else "      -"
            cells.append(f"{share} of {right + wrong:7,}")
        yield f"  {word:12} {cells[0]:^28} {cells[1]:^28}"


def _badness(count: Without) -> tuple[float, int]:
    return (count.sure_wrong + count.nothing) / count.runs, count.runs
