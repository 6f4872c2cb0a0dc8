"""Messages that vanish, come twice or change places on the way."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.constants import BYTE_NS, PACKET_NUMBERS
from harness.diagnose.cause import Strength, Suspicion
from harness.diagnose.rules_answers_seen import (
    NAK,
    TIME_NS,
    answers,
    finals,
    is_plain,
    named,
    suspect,
)
from harness.diagnose.rules_file_common import is_closed, is_file, no_time_before
from harness.diagnose.scene import DumpScene, Scene
from harness.files.recorded import TakenAt
from harness.judge.dialogue.exchanges import Ended, Exchange
from harness.judge.timed_messages import TimedMessage

_ANSWER_NS: Final = 6 * BYTE_NS
"""No answer takes less: a sender that was told no cannot begin again earlier."""
LOST: Final = "messages lost on the way"
_ENDED_EARLY: Final = (Ended.SHORT, Ended.GIVEN_UP, Ended.STOPPED, Ended.CUT)


def arrived(scene: Scene) -> list[DumpScene]:
    """Return the dumps of which the capture shows what arrived at the unit."""
    if scene.recorded.taken_at is TakenAt.HOST:
        return []
    return [each for each in scene.sent if not is_file(scene)]


def jumps(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way where a packet never arrives and the next one does (T08, T25)."""
    for dump in arrived(scene):
        if _swapped(dump) is not None or _begins_at_1(dump):
            continue
        for exchange in dump.packets:
            if not _is_jump(dump, exchange):
                continue
            missing = (exchange.place or 0) - exchange.jump
            many = "is" if exchange.jump == 1 else f"and {exchange.jump - 1} more are"
            found = suspect(
                LOST,
                Strength.STRONG,
                dump,
                f"Packet {exchange.place:,} arrived, and packet {missing:,} {many} missing before "
                "it.",
                heard=exchange.sendings[0],
                exchange=exchange,
            )
            yield _at(found, missing)
            break


def _at(found: Suspicion, packet: int) -> Suspicion:
    assert found.at is not None
    at = replace(found.at, packet=packet, packet_number=packet % PACKET_NUMBERS)
    return replace(found, at=at)


def _is_jump(dump: DumpScene, exchange: Exchange) -> bool:
    if not exchange.jump or exchange.place is None or not exchange.best.is_sound:
        return False
    if dump.planned is not None and exchange.place >= dump.planned:
        return False
    missing = exchange.place - exchange.jump
    if dump.source is not None:
        return _in_source(dump, missing)
    return not no_time_before(dump, exchange, exchange.jump)


def _in_source(dump: DumpScene, packet: int) -> bool:
    assert dump.source is not None
    packets = dump.source.packets
    return packet < len(packets) and packets[packet][4:5] == bytes([packet % PACKET_NUMBERS])


def _begins_at_1(dump: DumpScene) -> bool:
    """Whether it is rather the dump that counts from 1 on: none is missing by the count."""
    if not dump.packets or dump.packets[0].jump != 1 or dump.source is not None:
        return False
    return dump.planned is not None and len(dump.packets) >= dump.planned


def unanswered(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way where only what left is known, and a packet had to be sent again."""
    if not scene.both or scene.shows_damage(Direction.TO_UNIT):
        return
    for dump in scene.sent if not is_file(scene) else ():
        if not dump.talk.replies:
            continue
        for exchange in dump.talk.exchanges:
            if not _went_again(dump, exchange):
                continue
            yield suspect(
                LOST,
                Strength.FAIR,
                dump,
                f"There was no answer to {named(exchange)}, and it was answered when it was sent "
                "again.",
                heard=exchange.sendings[0],
                exchange=exchange,
            )
            break


def _went_again(dump: DumpScene, exchange: Exchange) -> bool:
    """Whether a message was repeated for want of an answer, and then answered."""
    if len(exchange.sendings) < 2 or answers(exchange, 0) or not finals(exchange):
        return False
    one, two = exchange.sendings[:2]
    if not is_plain(one) or any(each.kind is NAK for each in exchange.replies):
        return False
    if len(finals(exchange)) >= len(exchange.sendings):
        return False  # each was answered, only late
    return not dump.scene.is_timed or two.start_ns - one.end_ns >= TIME_NS


def ends_early(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way where the last packets do not arrive, and the sender says other things."""
    for dump in arrived(scene):
        planned, last = dump.planned, dump.talk.exchanges[-1]
        if planned is None or dump.talk.is_full or dump.ended not in _ENDED_EARLY[:2]:
            continue
        reached = 0 if last.place is None else last.place + 1
        if dump.source is not None and not _in_source(dump, reached):
            continue
        if not last.best.is_sound or (not last.replies and is_closed(dump)):
            continue
        found = suspect(
            LOST,
            Strength.FAIR if dump.source is not None else Strength.WEAK,
            dump,
            f"The header calls for {planned:,} packets; {reached:,} arrived, and then the sender "
            "went on to something else.",
            heard=last.sendings[-1],
            exchange=last,
        )
        yield _at(found, reached)


def doubled(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way where a packet follows its own copy before anybody could ask for it."""
    for dump in arrived(scene):
        for exchange in dump.packets:
            copy = next(
                (
                    two
                    for one, two in pairwise(exchange.sendings)
                    if _is_copy(dump, exchange, one, two)
                ),
                None,
            )
            if copy is None or _twice_in_source(dump, exchange):
                continue
            yield suspect(
                "messages doubled on the way",
                Strength.STRONG if scene.is_timed else Strength.FAIR,
                dump,
                f"Packet {exchange.place:,} arrived twice, byte for byte the same, and nobody had "
                "asked for it again.",
                heard=copy,
                exchange=exchange,
            )
            break


def _is_copy(dump: DumpScene, exchange: Exchange, one: TimedMessage, two: TimedMessage) -> bool:
    if one.body != two.body or not all(each.is_sound for each in exchange.sendings):
        return False
    if any(each.kind is NAK for each in exchange.replies):
        return False
    replies = answers(exchange, exchange.sendings.index(one))
    if not dump.scene.is_timed:
        enough = len(finals(exchange)) >= len(exchange.sendings) or bool(replies)
        return dump.scene.both and enough
    pause_ns = two.start_ns - one.end_ns
    return pause_ns < (TIME_NS if dump.scene.both else _ANSWER_NS)


def _twice_in_source(dump: DumpScene, exchange: Exchange) -> bool:
    if dump.source is None:
        return False
    body = exchange.best.body[4:]
    return sum(each[4:] == body for each in dump.source.packets) > 1


def out_of_order(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way where packets changed places that the sender had in order."""
    for dump in arrived(scene):
        place = _swapped(dump)
        if place is None:
            continue
        in_order = dump.source is not None and _in_source(dump, place)
        if not in_order and (dump.source is not None or is_closed(dump)):
            continue
        first = next(each for each in dump.packets if each.number == (place + 1) % PACKET_NUMBERS)
        found = suspect(
            "messages out of order",
            Strength.SURE if in_order else Strength.STRONG,
            dump,
            f"Packet {place + 1:,} arrived before packet {place:,}.",
            heard=first.sendings[0],
            exchange=first,
        )
        yield _at(found, place)


def _swapped(dump: DumpScene) -> int | None:
    """Return the packet that came behind its successor."""
    for one, two in pairwise(dump.packets):
        if one.place is None or one.jump != 1 or not (one.best.is_sound and two.best.is_sound):
            continue
        if (one.number - two.number) % PACKET_NUMBERS == 1 and one.best.body != two.best.body:
            return one.place - 1
    return None


LOST_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    out_of_order,
    doubled,
    jumps,
    unanswered,
    ends_early,
)
