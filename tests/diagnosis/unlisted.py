"""Faults that no list has, and healthy captures as odd: how the diagnosis does without a row.

Theory of operation.  The kinds were written from the published text (M1 pp. 35-39) without a look
at the table of causes, each with its label: causes whose sentence would be true of the capture.
Most have no row, so to say that nothing is decided is as right as such a cause.  Wrong are a sure
answer outside the label, and "nothing is wrong".  In a healthy capture every cause is wrong.

One half (`unlisted_seen`) may be looked at while rules are written.  The other (`unlisted_unseen`)
is diagnosed to print a figure and never to look at a run: tests build its captures, no more.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from random import Random
from typing import Final

from harness.diagnose.diagnose import Answer, Diagnosis, diagnose
from tests.diagnosis.injector_kinds import (
    CLEAN,
    NOTHING,
    Case,
    Kind,
    Names,
    View,
    play_of,
    registered,
    seen_in,
)
from tests.diagnosis.injector_play import Play
from tests.diagnosis.scoring import SURE, Sum
from tests.diagnosis.tables import share


@dataclass(frozen=True, slots=True)
class Label:
    """What is right for a case, in what arrived and at the host."""

    line: Names
    host: Names
    packet: int | None = None


def names(*each: str) -> Names:
    """Causes of which each is right."""
    return frozenset(each)


def told(line: Names, host: Names | None = None, packet: int | None = None) -> Label:
    """Return a label; without `host` both views show the same."""
    return Label(line, line if host is None else host, packet)


Script = Callable[[Play], Label]
NOT_WRONG: Final = names(NOTHING)
"""Among other causes: it may as well be nothing."""
NO_ROW: Final = names("(no cause that anybody listed)")
"""The label of a fault of which no sentence of any cause would be true."""
FINE: Final = told(CLEAN)
ALTERED: Final = names("bytes altered on the way")
ADDED: Final = names("bytes added on the way")
LOST: Final = names("bytes lost on the way")
UNSEEN: Final = ALTERED | names("damage that no receiver can see")
NOTE: Final = names("another sender on the cable", "bytes added on the way")
WRONG_SUMS: Final = names("checksums wrong in the dump", "checksum of the wrong range")
OTHER_SOUND: Final = names("sent other than the source")
# At the host a packet left whole and NAK came: no byte there says what happened between.
REJECTED: Final = names(
    "bytes altered on the way",
    "bytes lost on the way",
    "bytes added on the way",
    "messages cut at a length",
    "another sender on the cable",
    "answers altered on the way back",
    "unit rejects good packets",
    "real-time bytes taken for data",
)
# The same packet again and again: it may also be one that never passes.
REJECTED_OFTEN: Final = REJECTED | names(
    "unit rejects one packet for ever",
    "every Nth byte lost",
    "device ID rewritten on the way",
    "stuck data bit",
    "message ends lost",
)
# At the host a packet left and nothing came: it, or its answer, or a cable for a time.
UNANSWERED: Final = names(
    "messages lost on the way",
    "answers lost on the way back",
    "cable out",
    "bytes lost on the way",
    "bytes altered on the way",
    "bytes added on the way",
    "message ends lost",
    "messages cut at a length",
    "another sender on the cable",
    "unit fell silent",
)
# The packet arrived and its answer did not.
ANSWER_LOST: Final = names("answers lost on the way back", "cable out")
# Packets arrive, and from some packet on no answer comes.
SILENT_NOW: Final = ANSWER_LOST | names(
    "unit fell silent", "unit hears and does not answer packets"
)
SILENT_NOW_HOST: Final = SILENT_NOW | UNANSWERED
# Nothing ever comes back.
SILENT: Final = names(
    "nothing comes back",
    "other device ID",
    "exclusive messages filtered out",
    "unit hears and does not answer packets",
    "answers lost on the way back",
)
SILENT_HOST: Final = SILENT | names(
    "messages lost on the way", "cable out", "header spoiled on the way"
)
# The source and the header that arrived differ, and the header looks right in itself.
HEADER_ALTERED: Final = names(
    "header spoiled on the way", "bytes altered on the way", "damage that no receiver can see"
)
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
        return registered(self.faults, name, **how)  # type: ignore[return-value]

    def healthy(self, name: str, **how: object) -> Callable[[Script], Script]:
        """Register a script as a kind in which nothing is wrong."""
        return registered(self.odd, name, **how)  # type: ignore[return-value]

    @property
    def kinds(self) -> tuple[Kind, ...]:
        """All kinds."""
        return (*self.faults, *self.odd)


def case_of(kind: Kind, number: int, seed: int) -> Case:
    """Return one capture of a kind, the same at all times."""
    play = play_of(kind, Random(f"{seed * _SALT + number} {kind.name}"))
    view = play.rng.choice(kind.views)
    label: Label = kind.script(play)  # type: ignore[assignment]  # these scripts have labels
    accepted = label.host if view is View.HOST else label.line
    return Case(
        kind=kind.name,
        number=number,
        view=view,
        recorded=seen_in(view, play.tape),
        sources=play.sources,
        own=NOTHING if accepted == CLEAN else min(accepted - CLEAN),
        accepted=accepted,
        packet=label.packet,
    )


@dataclass(slots=True)
class Score(Sum):
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
    named: Counter[str] = field(default_factory=Counter)
    """What was named wrongly."""

    def add(self, case: Case, found: Diagnosis) -> None:
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
        elif case.is_clean or found.confidence in SURE:
            self.sure += 1
        else:
            self.unsure += 1
        self.named[first or str(found.answer)] += 1


def score_of(kind: Kind, numbers: range, seed: int) -> Score:
    """Return what some captures of a kind came to."""
    score = Score()
    for number in numbers:
        case = case_of(kind, number, seed)
        score.add(case, diagnose(case.recorded, case.sources))
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
        yield f"  {text:18} {share(count, faults.runs)}"
    yield f"  {len(half.odd)} kinds of odd and healthy ones: {odd.sure:,} of {odd.runs:,} accused"
    if not each:
        return
    for kind in sorted(half.kinds, key=lambda one: scores[one.name].right / scores[one.name].runs):
        score = scores[kind.name]
        if score.right < score.runs:
            named = score.named.most_common(2)
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
