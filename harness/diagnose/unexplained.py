"""What is wrong in a capture and follows from none of the causes that are named.

Theory of operation.  Nothing that the judge calls broken or bent is passed over: a cause explains
the findings whose clauses it says that it violates (`Cause.explains`), in the dump that it was seen
in and in those after it.  What is left is told as it was seen, so that "nothing is wrong" never
stands beside it.  A dump that got no answer while another one did is told like a finding.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from emulator.dump.capture import Direction
from harness.diagnose.scene import DumpScene, Scene
from harness.diagnose.sign import Sign
from harness.diagnose.table import TABLE
from harness.diagnose.weigh import Ranked
from harness.judge.dialogue.exchanges import Ended
from harness.judge.finding import Finding, Place, Verdict

_NO_ANSWER: Final = "TIM-02"
_OF_FORM: Final = ("FRM-01", "FRM-05", "PKT-01", "PKT-05")
"""Clauses that damage on the way violates; of what the unit sends no sign tells."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unexplained:
    """Something wrong that no cause accounts for."""

    text: str
    """A whole sentence."""
    clause: str
    """The clause that it violates; "" where it is odd and violates none."""
    sign: str
    """The kind of sign; "" for a finding of the judge."""
    is_broken: bool
    """Whether it is a must of the standard."""
    dump: int | None
    """Which dump of the capture, from 0 on; None: beside them."""
    at: Place | None


def unexplained_in(
    scene: Scene, signs: Sequence[Sign], named: Sequence[Ranked]
) -> tuple[Unexplained, ...]:
    """Return what is broken or bent, came to nothing or is odd, and follows from no named cause."""
    left = [
        each
        for each in _wrong(scene)
        if not any(one.explains(each.clause, each.dump) for one in named)
    ]
    wanted = {one for each in named for one in each.suspicion.signs}
    left += [
        Unexplained(
            text=each.evidence[0].text,
            clause="",
            sign=each.kind,
            is_broken=True,
            dump=each.dump,
            at=each.at,
        )
        for each in signs
        if each not in wanted
        and not TABLE.signs[each.kind].is_harmless
        and not any(one.explains(each.kind, each.dump) for one in named)
    ]
    return tuple(sorted(left, key=lambda each: not each.is_broken))


def _wrong(scene: Scene) -> Iterator[Unexplained]:
    for dump in scene.dumps:
        for finding in dump.findings:
            yield from _of_finding(finding, dump.index)
            came_damaged = finding.verdict is Verdict.RIG and finding.clause in _OF_FORM
            if came_damaged and dump.talk.direction is Direction.FROM_UNIT:
                yield _told(finding, dump.index)
    for finding in scene.verdicts.findings:
        yield from _of_finding(finding, None)
    answered = any(each.talk.replies for each in scene.sent)
    for dump in scene.sent if scene.both and answered else ():
        if _got_no_answer(dump):
            yield Unexplained(
                text="This dump got no answer at all, and another one did.",
                clause=_NO_ANSWER,
                sign="",
                is_broken=True,
                dump=dump.index,
                at=dump.place(dump.talk.sent[0][1], dump.talk.exchanges[0]),
            )


def _of_finding(finding: Finding, dump: int | None) -> Iterator[Unexplained]:
    if finding.verdict in (Verdict.BROKEN, Verdict.BENT):
        yield _told(finding, dump)


def _told(finding: Finding, dump: int | None) -> Unexplained:
    return Unexplained(
        text=finding.message,
        clause=finding.clause,
        sign="",
        is_broken=finding.verdict is Verdict.BROKEN,
        dump=dump,
        at=finding.at,
    )


def _got_no_answer(dump: DumpScene) -> bool:
    """Whether nobody said anything to a dump, though there was time, and no other header helped."""
    open_ended = dump.ended in (Ended.FELL_BACK, Ended.CUT)
    return not dump.talk.replies and bool(dump.packets) and not open_ended
