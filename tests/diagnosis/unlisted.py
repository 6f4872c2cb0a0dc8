"""Faults that no list has, and healthy captures as odd: how the diagnosis does without a row.

Theory of operation.  The kinds were written from the published text (M1 pp. 35-39) without a look
at the table of causes, each with its label: causes whose sentence would be true of the capture.
Most have no row, so to say that nothing is decided is as right as such a cause.  Wrong are a sure
answer outside the label, and "nothing is wrong".  In a healthy capture every cause is wrong.

One half (`unlisted_seen`) may be looked at while rules are written.  The other (`unlisted_unseen`)
is diagnosed to print a figure and never to look at a run: tests build its captures, no more.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from random import Random
from typing import Final

from harness.diagnose.diagnose import Answer, Diagnosis, diagnose
from tests.diagnosis.alike import NOTHING
from tests.diagnosis.injector import Labelled, case_in
from tests.diagnosis.injector_family import CLEAN, Kind, Label, Script, names, told
from tests.diagnosis.left_out import SURE
from tests.diagnosis.scoring import wilson

NO_ROW: Final = names("(no cause that anybody listed)")
"""The label of a fault of which no sentence of any cause would be true."""
FINE: Final = told(CLEAN)
_SALT: Final = 7_919
_WIDE: Final = 56


@dataclass(slots=True)
class Half:
    """The kinds of one module."""

    name: str
    faults: list[Kind] = field(default_factory=list)
    odd: list[Kind] = field(default_factory=list)

    def fault(self, name: str, **how: object) -> Callable[[Script], Script]:
        """Register a script as a kind of fault."""
        return _into(self.faults, name, how)

    def healthy(self, name: str, **how: object) -> Callable[[Script], Script]:
        """Register a script as a kind in which nothing is wrong."""
        return _into(self.odd, name, how)

    @property
    def kinds(self) -> tuple[Kind, ...]:
        """All kinds."""
        return (*self.faults, *self.odd)


def _into(kinds: list[Kind], name: str, how: dict[str, object]) -> Callable[[Script], Script]:
    def add(script: Script) -> Script:
        made: dict[str, object] = {"name": name, "script": script, **how}
        kinds.append(Kind(**made))  # type: ignore[arg-type]  # the decorator's own keywords
        return script

    return add


def case_of(kind: Kind, number: int, seed: int) -> Labelled:
    """Return one capture of a kind, the same at all times."""
    return case_in(kind, Random(f"{seed * _SALT + number} {kind.name}"), number)


@dataclass(slots=True)
class Score:
    """What the captures of one kind, or of many, came to."""

    runs: int = 0
    right: int = 0
    """The first cause is of the label; in a healthy capture: none is named."""
    unsure: int = 0
    """Not right, and said to be undecided, or more likely than not at best."""
    sure: int = 0
    """Not right, and sure of it; in a healthy capture: a cause is named."""
    nothing: int = 0
    """Nothing is wrong, it says, and something is."""
    named: dict[str, int] = field(default_factory=dict)
    """What was named wrongly."""

    def add(self, case: Labelled, found: Diagnosis) -> None:
        """Count a capture."""
        self.runs += 1
        first = "" if found.first is None else found.first.name
        says_nothing = found.answer is Answer.NOTHING_WRONG
        if not case.accepted:
            is_right = not first
        else:
            is_right = (
                first in case.accepted if first else says_nothing and NOTHING in case.accepted
            )
        self.right += is_right
        if is_right:
            return
        if says_nothing:
            self.nothing += 1
        elif not case.accepted or found.confidence in SURE:
            self.sure += 1
        else:
            self.unsure += 1
        self.named[first or str(found.answer)] = self.named.get(first or str(found.answer), 0) + 1

    def merge(self, other: Score) -> None:
        """Add another score to this one."""
        for name in ("runs", "right", "unsure", "sure", "nothing"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for name, count in other.named.items():
            self.named[name] = self.named.get(name, 0) + count


def score_of(kind: Kind, numbers: range, seed: int) -> Score:
    """Return what some captures of a kind came to."""
    score = Score()
    for number in numbers:
        case = case_of(kind, number, seed)
        score.add(case, diagnose(case.recorded, case.source))
    return score


def lines_of(half: Half, scores: dict[str, Score], *, each: bool) -> Iterator[str]:
    """Yield the totals of a half and, if wanted, a line for each kind, the worst first."""
    faults, odd = _sum(half.faults, scores), _sum(half.odd, scores)
    yield f"{half.name}: {len(half.faults)} kinds of faults that no list has, {faults.runs:,} runs"
    for text, count in (
        ("first cause right", faults.right),
        ("not sure", faults.unsure),
        ("sure and wrong", faults.sure),
        ("nothing is wrong", faults.nothing),
    ):
        low, high = wilson(count, faults.runs)
        yield f"  {text:18} {count / max(faults.runs, 1):7.2%}  [{low:.2%} to {high:.2%}]"
    yield f"  {len(half.odd)} kinds of odd and healthy ones: {odd.sure:,} of {odd.runs:,} accused"
    if not each:
        return
    for kind in sorted(half.kinds, key=lambda one: scores[one.name].right / scores[one.name].runs):
        score = scores[kind.name]
        if score.right < score.runs:
            named = sorted(score.named.items(), key=lambda one: -one[1])[:2]
            yield (
                f"    {kind.name[:_WIDE]:{_WIDE}} right {score.right / score.runs:4.0%} "
                f"unsure {score.unsure / score.runs:4.0%} sure {score.sure / score.runs:4.0%} "
                f"nothing {score.nothing / score.runs:4.0%}  "
                f"{'; '.join(f'{name} ({count})' for name, count in named)}"
            )


def _sum(kinds: list[Kind], scores: dict[str, Score]) -> Score:
    total = Score()
    for kind in kinds:
        total.merge(scores[kind.name])
    return total


__all__ = ["FINE", "NO_ROW", "Half", "Label", "Score", "case_of", "lines_of", "score_of"]
