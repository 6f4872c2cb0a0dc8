"""How a recording ends: in the middle of a dump, at a request, at a message during WAIT.

Theory of operation.  No recording says how long it went on listening, so an end in the middle is
weak: whoever recorded may just have stopped.  It is told all the same, because nothing else is.
"""

from collections.abc import Iterator
from typing import Final

from harness.diagnose.cause import Evidence, Strength, Suspicion
from harness.diagnose.rules_answers_seen import ACK, WAIT, suspect
from harness.diagnose.rules_file_common import is_file
from harness.diagnose.scene import DumpScene, Scene, unit_spoke_exclusive
from harness.judge.dialogue.exchanges import Ended
from harness.judge.plain import counted
from harness.judge.timed_messages import TimedMessage


def stops(scene: Scene) -> Iterator[Suspicion]:
    """Tell of a dump in the middle of which the recording ends."""
    dump = scene.sent[-1] if scene.sent else None
    if dump is None or not dump.is_last or is_file(scene):
        return
    one_way = not scene.both and dump.ended is Ended.SHORT
    if dump.ended is not Ended.CUT and not one_way:
        return
    if dump.talk.is_torn_off or dump.planned is None or dump.planned <= dump.seen.packets:
        return
    exchange, heard = dump.talk.sent[-1]
    reply = exchange.last_reply
    if reply is not None and reply.kind is not ACK:
        return
    yield Suspicion(
        cause="sender gave up",
        strength=Strength.WEAK,
        evidence=(
            Evidence(
                text=f"The header announces {counted(dump.planned, 'packet', 'packets')}, and "
                f"after {dump.seen.packets:,} of them nothing more was recorded"
                + (", though the last one was accepted (ACK)." if reply is not None else "."),
                at=dump.place(heard, exchange),
            ),
        ),
        at=dump.place(heard, exchange),
        dump=dump.index,
        because="The recording ends in the middle of the dump: the sender stopped, packets are "
        "missing in the dump, or the recording was ended too early.",
    )


def asks(scene: Scene) -> Iterator[Suspicion]:
    """Tell of a request with which the recording ends."""
    if not scene.both or not scene.asked or not unit_spoke_exclusive(scene):
        return
    last = scene.asked[-1]
    later = [each for each in scene.followed.heard if each.place > last.place]
    if later or any(each.ended is not Ended.WHOLE for each in scene.sent):
        return
    yield Suspicion(
        cause="request unanswered",
        strength=Strength.WEAK,
        evidence=(
            Evidence(
                text="The recording ends with a request for a sample that nothing answered.",
                at=scene.place(last),
                shown=last.body.hex(" ").upper(),
            ),
        ),
        at=scene.place(last),
    )


def disturbed(scene: Scene) -> Iterator[Suspicion]:
    """Suspect a message during WAIT after which the sender sent nothing more (T60, HSK-22)."""
    asked = {id(answer) for each in scene.followed.course.asked for answer in each.answers}
    for dump in scene.sent:
        other = _during_wait(dump, asked)
        if other is None or dump.ended in (Ended.WHOLE, Ended.REFUSED):
            continue
        yield suspect(
            "disturbed while waiting",
            Strength.FAIR,
            dump,
            "While the unit had asked for patience (WAIT) something else came from it, and no "
            "packet followed.",
            heard=other,
            exchange=dump.talk.exchanges[-1],
            shown=other.body[:12].hex(" ").upper(),
        )


def _during_wait(dump: DumpScene, asked: set[int]) -> TimedMessage | None:
    talk = dump.talk
    for other in talk.others:
        if id(other) in asked:
            continue
        before = [each for each in talk.replies if each.heard.place < other.place]
        if not before or before[-1].kind is not WAIT:
            continue
        if not any(each.place > other.place for _, each in talk.sent):
            return other
    return None


END_RULES: Final = (stops, asks, disturbed)
