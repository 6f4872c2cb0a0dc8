"""What is wrong in a capture and follows from none of the causes that are named.

Theory of operation.  Nothing that the judge calls broken or bent is passed over: a cause explains
the findings whose clauses it says that it violates (`Cause.explains`), in the dump that it was seen
in and in those after it.  What is left is told as it was seen, so that "nothing is wrong" never
stands beside it.  A dump that got no answer while another one did is told like a finding.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from harness.diagnose.ranking import Ranked
from harness.diagnose.scene import DumpScene, Scene
from harness.judge.dialogue.judge import Ended
from harness.judge.finding import Finding, Place, Verdict

_NO_ANSWER = "TIM-02"


@dataclass(frozen=True, slots=True, kw_only=True)
class Unexplained:
    """Something wrong that no cause accounts for."""

    text: str
    """A whole sentence."""
    clause: str
    """The clause that it is about."""
    is_broken: bool
    """Whether it is a must of the standard."""
    dump: int | None
    """Which dump of the capture, from 0 on; None: beside them."""
    at: Place


def unexplained_in(scene: Scene, named: Sequence[Ranked]) -> tuple[Unexplained, ...]:
    """Return what is broken or bent, or came to nothing, and follows from no named cause."""
    wrong = list(_wrong(scene))
    left = [each for each in wrong if not any(_explains(one, each) for one in named)]
    return tuple(sorted(left, key=lambda each: not each.is_broken))


def _explains(cause: Ranked, wrong: Unexplained) -> bool:
    if wrong.clause not in cause.cause.explains:
        return False
    since = cause.suspicion.dump
    return since is None or wrong.dump is None or wrong.dump >= since


def _wrong(scene: Scene) -> Iterator[Unexplained]:
    for dump in scene.dumps:
        for finding in dump.findings:
            yield from _of_finding(finding, dump.index)
    for finding in scene.verdicts.findings:
        yield from _of_finding(finding, None)
    answered = any(each.talk.replies for each in scene.sent)
    for dump in scene.sent if scene.both and answered else ():
        if _got_no_answer(dump):
            yield Unexplained(
                text="This dump got no answer at all, and another one did.",
                clause=_NO_ANSWER,
                is_broken=True,
                dump=dump.index,
                at=dump.place(dump.talk.sent[0][1], dump.talk.exchanges[0]),
            )


def _of_finding(finding: Finding, dump: int | None) -> Iterator[Unexplained]:
    if finding.verdict in (Verdict.BROKEN, Verdict.BENT):
        yield Unexplained(
            text=finding.message,
            clause=finding.clause,
            is_broken=finding.verdict is Verdict.BROKEN,
            dump=dump,
            at=finding.at,
        )


def _got_no_answer(dump: DumpScene) -> bool:
    """Whether nobody said anything to a dump, though there was time, and no other header helped."""
    open_ended = dump.ended in (Ended.FELL_BACK, Ended.CUT)
    return not dump.talk.replies and bool(dump.packets) and not open_ended
