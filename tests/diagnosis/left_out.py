"""Leave one cause out: what the diagnosis says of a fault that nobody wrote a row for.

Theory of operation.  Everything that suspects the cause that a case is, is taken away, and the case
is diagnosed.  What is right then is another cause of the label, to say that nothing is decided, or
to name nothing and say that there is too little to tell.  Wrong are a sure answer outside the
label, and "nothing is wrong".
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from harness.diagnose.confidence import Confidence
from harness.diagnose.diagnose import Answer, Diagnosis, diagnose
from harness.diagnose.scene import Source
from harness.diagnose.table import TABLE
from harness.files.recorded import Recorded
from harness.judge.finding import Verdict
from tests.diagnosis.injector_kinds import NOTHING, Case
from tests.diagnosis.scoring import SURE, Sum
from tests.diagnosis.tables import share

_WIDE: Final = 40
_VERDICTS: Final = (Verdict.BROKEN, Verdict.BENT, Verdict.RIG, Verdict.NOTED)


def diagnose_without(cause: str, recorded: Recorded, sources: Sequence[Source] = ()) -> Diagnosis:
    """Diagnose a capture without a cause."""
    return diagnose(recorded, sources, causes=TABLE.without(cause))


@dataclass(slots=True)
class Without(Sum):
    """What the cases of one cause came to without it."""

    runs: int = 0
    sure_wrong: int = 0
    nothing: int = 0
    """Cases that are told that nothing is wrong, though their label does not allow that."""


@dataclass(slots=True)
class LeftOut(Sum):
    """What many cases came to, each without the cause that it is."""

    causes: dict[str, Without] = field(default_factory=dict)
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
        left = diagnose_without(case.own, case.recorded, case.sources)
        rest = case.accepted - {case.own}
        _count_word(self.words, left, rest)
        count = self.causes.setdefault(case.own, Without())
        count.runs += 1
        if left.answer is Answer.NOTHING_WRONG and NOTHING not in rest:
            count.nothing += 1
            self.others[case.own, _strongest(left)] += 1
        if is_surely_wrong(left, rest):
            count.sure_wrong += 1
            assert left.first is not None
            self.others[case.own, left.first.name] += 1

    @property
    def total(self) -> Without:
        """The sum over all causes."""
        total = Without()
        for each in self.causes.values():
            total.merge(each)
        return total


def _strongest(found: Diagnosis) -> str:
    """Return the strongest finding that the judge has where nothing is wrong."""
    findings = [
        (_VERDICTS.index(each.verdict), each.clause) for each in found.scene.verdicts.all_findings
    ]
    if not findings:
        return "no finding"
    place, clause = min(findings)
    return f"{_VERDICTS[place]} {clause}"


def is_surely_wrong(found: Diagnosis, accepted: frozenset[str]) -> bool:
    """Whether a diagnosis is sure of a cause that is not right."""
    first = found.first
    return found.confidence in SURE and first is not None and first.name not in accepted


def _count_word(
    words: Counter[tuple[str, bool]], found: Diagnosis, accepted: frozenset[str]
) -> None:
    if found.first is not None and found.confidence is not None:
        words[str(found.confidence), found.first.name in accepted] += 1


def lines_of(tally: LeftOut) -> Iterator[str]:
    """Yield the table by cause, the worst first, and the totals."""
    total = tally.total
    yield f"without the cause that is right: {total.runs:,} cases of {len(tally.causes)} causes"
    if not total.runs:
        return
    yield f"  sure and wrong        {share(total.sure_wrong, total.runs)}"
    yield f"  nothing is wrong      {share(total.nothing, total.runs)}"
    yield f"  {'left out':{_WIDE}} {'cases':>7} {'wrong':>7} {'nothing':>7}  instead"
    for name, count in sorted(tally.causes.items(), key=_badness, reverse=True):
        instead = Counter({b: n for (a, b), n in tally.others.items() if a == name})
        named = "; ".join(f"{cause} ({n})" for cause, n in instead.most_common(2))
        yield (
            f"  {name[:_WIDE]:{_WIDE}} {count.runs:7,} {count.sure_wrong / count.runs:7.1%} "
            f"{count.nothing / count.runs:7.1%}  {named}"
        )


def word_lines(tally: LeftOut) -> Iterator[str]:
    """Yield what each word is worth with all causes, and for faults that no row is for."""
    yield "how sure it says it is, and how often that is right:"
    yield f"  {'':12} {'with all causes':^28} {'without the right one':^28}"
    for word in Confidence:
        cells = []
        for words in (tally.whole, tally.words):
            right, wrong = words[str(word), True], words[str(word), False]
            share = f"{right / (right + wrong):7.2%}" if right + wrong else "      -"
            cells.append(f"{share} of {right + wrong:7,}")
        yield f"  {word:12} {cells[0]:^28} {cells[1]:^28}"


def _badness(each: tuple[str, Without]) -> tuple[float, int]:
    count = each[1]
    return (count.sure_wrong + count.nothing) / count.runs, count.runs
