"""The diagnosis of a capture: the answer, the causes, and what could not be known."""

from collections.abc import Sequence
from enum import StrEnum
from typing import Final

from msgspec import Struct

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.codec import Malformed
from dryload.emulator.wire.messages import (
    DataPacket,
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    Handshake,
)
from dryload.harness.diagnose.cause import Strength
from dryload.harness.diagnose.confidence import Confidence, how_sure
from dryload.harness.diagnose.no_return import NoReturn, point_of_no_return
from dryload.harness.diagnose.scene import DumpScene, Scene, Source, scene_of
from dryload.harness.diagnose.signs import signs_of
from dryload.harness.diagnose.table import TABLE, Table
from dryload.harness.diagnose.unknown import what_is_unknown
from dryload.harness.diagnose.weigh import Suspicion, Unexplained, suspicions_of, unexplained_in
from dryload.harness.files.recorded import Recorded
from dryload.harness.judge.dialogue.exchanges import Ended

_OF_DUMPS: Final = (
    DataPacket,
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    Handshake,
    Malformed,
)


class Answer(StrEnum):
    """What a diagnosis comes to."""

    CAUSE = "cause"
    """Something is named."""
    UNDECIDED = "undecided"
    """Something is wrong, and what was seen fits several causes, or none."""
    NOTHING_WRONG = "nothing wrong"
    """Nothing is wrong as far as this capture can show it."""
    NOT_ENOUGH = "not enough to tell"
    """The capture holds too little."""


class CaptureDiagnosis(Struct, frozen=True, kw_only=True, eq=False):
    """What is the matter with a transfer."""

    answer: Answer
    causes: tuple[Suspicion, ...]
    """The likeliest first; those that follow from another one last."""
    remarks: tuple[Suspicion, ...]
    """Odd and harmless."""
    confidence: Confidence | None
    """How sure the first cause is; None where none is named."""
    unexplained: tuple[Unexplained, ...]
    """What is wrong in the capture, and explained by none of the causes; the gravest first."""
    no_return: tuple[NoReturn, ...]
    """For each dump that did not end well, after which packet it no longer could."""
    unknown: tuple[str, ...]
    """What this capture cannot show, in plain words."""
    scene: Scene

    @property
    def first(self) -> Suspicion | None:
        """The likeliest cause."""
        return self.causes[0] if self.causes else None

    @property
    def is_something_wrong(self) -> bool:
        """Whether the capture shows that something went wrong, or leaves that open."""
        return self.answer is not Answer.NOTHING_WRONG

    @property
    def is_of_transfer(self) -> bool:
        """Whether anything in the capture belongs to a sample dump, or to what became of one."""
        scene = self.scene
        return bool(self.causes or scene.dumps) or any(
            isinstance(each.message, _OF_DUMPS) for each in scene.followed.heard
        )


def diagnose(
    recorded: Recorded, sources: Sequence[Source] = (), *, causes: Table = TABLE
) -> CaptureDiagnosis:
    """Return what caused whatever a capture shows; nothing raises.

    `causes` are those that it knows of: `TABLE.without("bytes lost on the way")` shows what it
    says of a fault that nobody wrote down.
    """
    scene = scene_of(recorded, sources)
    signs = signs_of(scene)
    found = suspicions_of(signs, causes)
    named = tuple(each for each in found if not each.cause.is_harmless)
    remarks = tuple(each for each in found if each.cause.is_harmless)
    unexplained = unexplained_in(signs, found)
    answer = _answer(scene, named, unexplained)
    sure = how_sure(named, unexplained) if named and answer is Answer.CAUSE else None
    return CaptureDiagnosis(
        answer=answer,
        causes=named,
        remarks=remarks,
        confidence=sure,
        unexplained=unexplained,
        no_return=point_of_no_return(scene, signs),
        unknown=tuple(what_is_unknown(scene, is_named=bool(named))),
        scene=scene,
    )


def _answer(
    scene: Scene, causes: tuple[Suspicion, ...], unexplained: Sequence[Unexplained]
) -> Answer:
    if causes:
        is_cut = any(each.ended is Ended.CUT for each in scene.dumps)
        if is_cut and causes[0].strength is Strength.WEAK:
            return Answer.NOT_ENOUGH  # what follows may decide it
        rivals = [each for each in causes if not each.follows]
        tied = len(rivals) > 1 and rivals[0].strength is rivals[1].strength is Strength.WEAK
        return Answer.UNDECIDED if tied else Answer.CAUSE
    if unexplained:
        return Answer.UNDECIDED
    if not scene.dumps or any(_is_open(each, scene.dumps) for each in scene.dumps):
        return Answer.NOT_ENOUGH
    if not any(each.talk.direction is Direction.TO_UNIT for each in scene.dumps):
        return Answer.NOT_ENOUGH if not scene.both else Answer.NOTHING_WRONG
    return Answer.NOTHING_WRONG


def _is_open(dump: DumpScene, dumps: Sequence[DumpScene]) -> bool:
    """Whether a dump did not come to its end, so that something was the matter or is not here.

    Who asks for a sample may stop the unit when that is enough, as to see whether it is still
    there; nothing was the matter where all of it passed another time.
    """
    if dump.ended in (Ended.WHOLE, Ended.FELL_BACK):
        return False
    is_enough = dump.talk.direction is Direction.FROM_UNIT and dump.ended is Ended.REFUSED
    return not (is_enough and any(_is_whole_one_of(each, dump) for each in dumps))


def _is_whole_one_of(dump: DumpScene, other: DumpScene) -> bool:
    """Whether a dump came to its end and is of the same sample as another one."""
    mine, its = dump.header, other.header
    return (
        dump.ended is Ended.WHOLE
        and mine is not None
        and its is not None
        and mine.sample_number == its.sample_number
    )
