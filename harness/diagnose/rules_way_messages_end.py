"""A header or a last packet that did not arrive, by what the unit knows of the dump later."""

from collections.abc import Callable, Iterator
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.messages import DumpRequest
from harness.diagnose.cause import Strength, Suspicion
from harness.diagnose.rules_answers_seen import finals, named, suspect
from harness.diagnose.rules_file_common import is_file
from harness.diagnose.rules_way_messages_lost import LOST, arrived
from harness.diagnose.scene import DumpScene, Scene
from harness.judge.dialogue.follow import QuestionExchange
from harness.judge.plain import counted
from harness.judge.timed_messages import TimedMessage


def headless(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way where a dump arrives from its first packet on, without a header."""
    for dump in arrived(scene):
        first = dump.packets[0] if dump.packets and not dump.headers else None
        if first is None or dump.header is not None or not first.best.is_sound:
            continue
        if first.best.packet_number or not scene.both or dump.talk.replies:
            continue
        if _has_remains(scene, first.sendings[0]):
            continue
        yield suspect(
            LOST,
            Strength.WEAK,
            dump,
            f"{counted(len(dump.packets), 'packet')} arrived without a header before them, and the "
            "unit said nothing.",
            heard=first.best,
        )


def _has_remains(scene: Scene, packet: TimedMessage) -> bool:
    """Whether something came before a packet that may have been its header."""
    before = (each for each in scene.spoke(Direction.TO_UNIT) if each.place < packet.place)
    return any(not each.is_sound for each in before)


def never_taken(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way where the unit knows nothing of a dump, or not of its end.

    Only what left is known: the header or the last packet had no answer, and when the sample is
    asked for there is none.
    """
    if not scene.both or scene.shows_damage(Direction.TO_UNIT) or is_file(scene):
        return
    for dump in scene.sent:
        asked = next((each for each in scene.followed.course.asked if _asks_for(dump, each)), None)
        if asked is None or asked.answers or dump.header is None or not dump.talk.is_full:
            continue
        last = dump.talk.exchanges[-1]
        all_silent = not dump.talk.replies
        if all_silent and not asked.cancelled:
            continue
        if not all_silent and (last.replies or not all(map(finals, dump.packets[:-1]))):
            continue
        exchange = dump.talk.exchanges[0] if all_silent else last
        yield suspect(
            LOST,
            Strength.FAIR if asked.cancelled else Strength.WEAK,
            dump,
            f"There was no answer to {named(exchange)}, and when the sample was asked for the unit "
            + ("said that it has none (CANCEL)." if asked.cancelled else "did not give it."),
            heard=exchange.sendings[0],
            exchange=exchange,
        )


def _asks_for(dump: DumpScene, asked: QuestionExchange) -> bool:
    if not isinstance(asked.message, DumpRequest) or dump.header is None:
        return False
    later = asked.heard.end_ns > dump.talk.last_ns
    mine = asked.message.sample_number == dump.header.sample_number
    return later and mine and asked.heard.direction is Direction.TO_UNIT


def last_missing(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way where the last packet got no answer, and the unit gives back less."""
    if scene.shows_damage(Direction.TO_UNIT):
        return
    for dump in scene.sent if scene.both and not is_file(scene) else ():
        back, last = dump.returned, dump.talk.exchanges[-1]
        if back is None or back.header is None or dump.header is None or not dump.talk.is_full:
            continue
        if finals(last) or len(dump.packets) < 2 or back.header.bits != dump.header.bits:
            continue
        lacking = dump.header.length - back.header.length
        if lacking <= 0 or not all(finals(each) for each in dump.packets[:-1]):
            continue
        yield suspect(
            LOST,
            Strength.FAIR,
            dump,
            f"There was no answer to {named(last)}, the last one, and the unit gave back "
            f"{counted(lacking, 'word')} less than were sent.",
            heard=last.sendings[0],
            exchange=last,
        )


END_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    headless,
    last_missing,
    never_taken,
)
