"""Requests for samples, and for whom messages are: device IDs."""

from collections.abc import Iterator
from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.constants import ALL_CALL
from dryload.emulator.wire.messages import (
    DumpRequest,
    IdentityReply,
    IdentityRequest,
)
from dryload.harness.diagnose.scene import DumpScene, Scene, was_told
from dryload.harness.diagnose.sign import Sign, sign
from dryload.harness.judge.dialogue.exchanges import ACK, Ended
from dryload.harness.judge.dialogue.follow import QuestionExchange
from dryload.harness.judge.finding import Place
from dryload.harness.judge.kept import is_alike
from dryload.harness.judge.timed_messages import TimedMessage

_SILENT_NS: Final = 1_000_000_000
"""How long a capture has to go on for a question to count as not answered (our choice)."""
_NO_DUMP_NS: Final = 2_000_000_000  # time for a dump to begin after a request (our choice)


def is_unanswered(scene: Scene, asked: QuestionExchange) -> bool:
    """Whether there was time for an answer to a question to the unit, and none came."""
    if asked.answers or asked.cancelled:
        return False
    since_ns = scene.sight.last_ns - asked.heard.end_ns
    last = scene.spoke(Direction.TO_UNIT)[-1]
    return (scene.is_timed and since_ns > _SILENT_NS) or last is not asked.heard


# What became of a sample that was sent.


def gone(scene: Scene) -> Iterator[Sign]:
    """Tell of a dump that the unit does not know of later, or has elsewhere."""
    for dump in scene.sent if scene.both else ():
        if dump.header is None or dump.returned is not None or not dump.talk.is_full:
            continue
        asked = next(_asked_after(scene, dump), None)
        if asked is None:
            continue
        place = scene.place(asked.heard)
        other = _elsewhere(scene, dump, asked)
        if other is not None:
            yield _is_elsewhere(dump, other, place, bool(asked.answers))
        elif not asked.answers and _had_time(scene, asked):
            yield _is_gone(dump, asked, place)


def _is_gone(dump: DumpScene, asked: QuestionExchange, place: Place) -> Sign:
    scene, header = dump.scene, dump.header
    assert header is not None
    knows = any(
        each.answers and each is not asked and isinstance(each.message, DumpRequest)
        for each in scene.questions
    )
    answered = ""
    if asked.cancelled is not None:
        answered = ", but a refusal (CANCEL)"
    elif knows:
        answered = ", and another one was sent when it was asked for"
    last = dump.packets[-1] if dump.packets else dump.talk.exchanges[-1]
    took_last = was_told(last, ACK)
    if not dump.talk.replies:
        what = "The unit said nothing to"
    else:
        all_but = "all of" if took_last else f"all but packet {last.place:,}, the last one, of"
        what = f"The unit said yes (ACK) to {all_but}"
    at = place
    if not took_last:
        unsure = last if dump.talk.replies else dump.talk.exchanges[0]
        at = dump.place(unsure.sendings[0], unsure)
    return sign(
        "sample gone",
        dump,
        f"{what} sample {header.sample_number:,}, and when it was asked for it did not come"
        f"{answered}.",
        at=at,
        shown=asked.heard.body.hex(" "),
        taken=dump.is_taken,
        last=took_last,
        others=not dump.packets or all(each.is_answered for each in dump.packets[:-1]),
        silent=not dump.talk.replies,
        refused=asked.cancelled is not None,
        knows=knows,
        whole=dump.ended is Ended.WHOLE,
        arrived=scene.shows_arrived,
    )


def _asked_after(scene: Scene, dump: DumpScene) -> Iterator[QuestionExchange]:
    """Yield the requests for what a dump brought, before another one was sent there."""
    assert dump.header is not None
    number = dump.header.sample_number
    after = dump.talk.sent[-1][1].place
    then = scene.next_of_number.get(dump.index)
    until = None if then is None else then.talk.sent[0][1].place
    for each in scene.questions:
        is_mine = isinstance(each.message, DumpRequest) and each.message.sample_number == number
        is_later = each.heard.place > after
        if is_mine and is_later and (until is None or each.heard.place < until):
            yield each


def _had_time(scene: Scene, asked: QuestionExchange) -> bool:
    if asked.cancelled is not None:
        return asked.cancelled.direction is Direction.FROM_UNIT
    since_ns = scene.sight.last_ns - asked.heard.end_ns
    last = scene.spoke(Direction.TO_UNIT)[-1]
    return (scene.is_timed and since_ns > _NO_DUMP_NS) or last is not asked.heard


def _elsewhere(scene: Scene, dump: DumpScene, asked: QuestionExchange) -> DumpScene | None:
    """Return what came back under another number and is this dump, some words apart at most."""
    before = {
        each.header.sample_number
        for each in scene.dumps[: dump.index + 1]
        if each.header is not None
    }
    for other in scene.dumps[dump.index + 1 :]:
        if other.talk.direction is Direction.TO_UNIT:
            return None
        if other.header is None or other.header.sample_number in before:
            continue
        is_alone = not asked.answers and is_alike(dump.talk, other.talk)
        if is_alone or _is_all_of(dump, other):
            return other
    return None


def _is_all_of(dump: DumpScene, other: DumpScene) -> bool:
    found = dump.stored_as(other)
    return found is not None and found.is_all_there


def _is_elsewhere(dump: DumpScene, other: DumpScene, place: Place, answered: bool) -> Sign:
    assert dump.header is not None
    assert other.header is not None
    number, whole = dump.header.sample_number, _is_all_of(dump, other)
    text = f"Sample {number:,} was sent, and {'its' if whole else 'most of its'} words came back "
    text += f"as sample {other.header.sample_number:,}"
    text += "." if answered else f"; sample {number:,} itself did not come when it was asked for."
    return sign("sample elsewhere", dump, text, at=place, answered=answered, whole=whole)


# Device IDs.


def other_device(scene: Scene) -> Iterator[Sign]:
    """Tell of messages for one device where the unit is another, or answers only to all."""
    if not scene.both:
        return
    told = {
        each.message.device_id
        for each in scene.followed.course.told
        if isinstance(each.message, IdentityReply) and each.direction is Direction.FROM_UNIT
    }
    own = told | {one.message.device_id for dump in scene.sent for one in dump.talk.replies}
    to_all = ALL_CALL in _answered_devices(scene)
    for device, heard, dump in _unanswered_devices(scene):
        others = own - {device, ALL_CALL}
        if device == ALL_CALL or device in own or not (others or to_all):
            continue
        which = ", ".join(str(each) for each in sorted(others))
        yield sign(
            "other device answers",
            dump,
            f"What is for device {device} got no answer; "
            + (
                f"the unit's own answers show that it is device {which}."
                if others
                else "what is for all devices was answered."
            ),
            at=scene.place(heard),
            shown=heard.body[:6].hex(" "),
        )
        return


def _answered_devices(scene: Scene) -> set[int | None]:
    """Return the device IDs of messages to the unit that got an answer."""
    found = {dump.talk.device_id for dump in scene.sent if dump.talk.replies}
    return found | {
        asked.message.device_id
        for asked in scene.questions
        if asked.answers and not isinstance(asked.message, IdentityRequest)
    }


def _unanswered_devices(scene: Scene) -> Iterator[tuple[int, TimedMessage, DumpScene | None]]:
    for dump in scene.sent:
        if dump.talk.device_id is not None and not dump.talk.replies and dump.header is not None:
            yield dump.talk.device_id, dump.talk.sent[0][1], dump
    for asked in scene.questions:
        if isinstance(asked.message, DumpRequest) and is_unanswered(scene, asked):
            yield asked.message.device_id, asked.heard, None


REQUESTS: Final = (gone, other_device)
