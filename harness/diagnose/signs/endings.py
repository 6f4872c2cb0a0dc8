"""How the unit holds a dump up: a WAIT that nothing follows, and what disturbs a WAIT."""

from collections.abc import Iterator
from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.codec import Malformed
from dryload.emulator.wire.prose import counted, duration
from dryload.harness.diagnose.scene import DumpScene, Scene, are_plain, named, waits_first
from dryload.harness.diagnose.sign import Sign, sign
from dryload.harness.judge.dialogue.exchanges import WAIT, Ended, Reply

_LONG_NS: Final = 1_500_000_000
"""Silence after WAIT that is more than a pause (our choice; the standard has no limit)."""


def waits(scene: Scene) -> Iterator[Sign]:
    """Tell of WAIT and nothing after it."""
    for dump in scene.sent if scene.both else ():
        last = dump.talk.exchanges[-1]
        reply = last.last_reply
        if reply is None or reply.kind is not WAIT or not reply.binds:
            continue
        quiet_ns = _quiet_ns(dump, reply)
        if last.jump or not are_plain(last) or quiet_ns is None:
            continue
        usual = sum(waits_first(each) for each in dump.talk.exchanges)
        then = f" for {duration(quiet_ns)}" if quiet_ns > _LONG_NS else ""
        if dump.ended is Ended.STOPPED and not then:  # it may have been about to answer
            then = " before the dump was stopped"
        yield sign(
            "wait without end",
            dump,
            f"The unit asked for patience (WAIT) at {named(last)} and then gave no answer{then}.",
            f"Before, WAIT was followed by an answer {counted(usual, 'time')}." if usual else "",
            heard=last.sendings[-1],
            exchange=last,
            shown=reply.heard.body.hex(" "),
            seconds=quiet_ns // 1_000_000_000,
            usual=usual > 0,
        )


def _quiet_ns(dump: DumpScene, reply: Reply) -> int | None:
    """Return how long nobody spoke of the dump after a WAIT; None where it need not be over."""
    spoke = dump.scene.spoke(Direction.TO_UNIT)
    after = next((each for each in spoke if each.end_ns > reply.end_ns), None)
    is_stopped = dump.ended is Ended.STOPPED
    if not dump.scene.is_timed:
        return 0 if after is not None or is_stopped else None
    end_ns = dump.scene.sight.last_ns if after is None else after.start_ns
    quiet_ns = end_ns - reply.end_ns
    return quiet_ns if quiet_ns > _LONG_NS or is_stopped else None


def disturbed(scene: Scene) -> Iterator[Sign]:
    """Tell of a message in the middle of a WAIT after which no packet came (HSK-22)."""
    answers = {id(each) for one in scene.followed.course.asked for each in one.answers}
    spoke = [each.place for each in scene.spoke(Direction.TO_UNIT)]
    for dump in scene.sent if scene.both else ():
        if dump.ended in (Ended.WHOLE, Ended.REFUSED):
            continue
        last = dump.talk.exchanges[-1]
        for other in (*dump.talk.others, *scene.followed.course.loose):
            before = [each for each in last.replies if each.heard.place < other.place][-1:]
            is_said = other.direction is Direction.FROM_UNIT and id(other) not in answers
            if not is_said or not before or before[0].kind is not WAIT:
                continue
            if any(before[0].heard.place < each < other.place for each in spoke):
                continue
            yield sign(
                "message during WAIT",
                dump,
                f"After the unit had asked for patience (WAIT) at {named(last)}, it sent something "
                "else, and no packet followed.",
                heard=other,
                exchange=last,
                shown=other.piece.raw[:8].hex(" "),
                readable=not isinstance(other.message, Malformed),
                over=dump.ended is not Ended.CUT
                and not dump.talk.is_full
                and last.last_reply is before[0],
            )
            break


ENDINGS: Final = (waits, disturbed)
