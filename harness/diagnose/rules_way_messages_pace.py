"""The pace of the line: pauses that are too long, bytes that come too fast, filters."""

from collections.abc import Callable, Iterator
from itertools import pairwise
from statistics import median
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.constants import BYTE_NS, PACKET_BYTES
from emulator.wire.splitter import PieceKind
from harness.diagnose.cause import Evidence, Strength, Suspicion
from harness.diagnose.rules_answers_seen import ACK, answers, finals, named, suspect
from harness.diagnose.rules_file_common import is_file
from harness.diagnose.scene import DumpScene, Scene
from harness.judge.dialogue.exchanges import Ended, Exchange
from harness.judge.dialogue.ledger import in_words
from harness.judge.plain import counted
from harness.judge.timed_messages import TimedMessage

_LONG_NS: Final = 1_000_000_000
"""A pause inside a message that a receiver need not outlast (our choice)."""
_PACKET_NS: Final = PACKET_BYTES * BYTE_NS
_PIECE_NS: Final = 1_000_000
_FEW: Final = 2
_PER_CENT: Final = 100
_MOST: Final = 0.9  # of the packets of a line that is slow as a whole
_BADLY: Final = (Ended.SHORT, Ended.STOPPED, Ended.GIVEN_UP, Ended.REPLACED)


def long_pauses(scene: Scene) -> Iterator[Suspicion]:
    """Suspect a pause inside a message that was then not taken (T16)."""
    if not scene.is_timed or is_file(scene):
        return
    for dump in scene.sent:
        for exchange in dump.talk.exchanges:
            held = next((each for each in exchange.sendings if _is_held(each)), None)
            if held is None or not _suffered(dump, exchange, held):
                continue
            yield suspect(
                "faulty pauses",
                Strength.SURE,
                dump,
                f"In the middle of {named(exchange)} nothing came for "
                f"{in_words(held.gaps_ns)}, and the unit did not take it in time.",
                heard=held,
                exchange=exchange,
            )
            break


def _is_held(heard: TimedMessage) -> bool:
    return heard.is_sound and heard.gaps_ns >= _LONG_NS


def _suffered(dump: DumpScene, exchange: Exchange, held: TimedMessage) -> bool:
    if not dump.scene.both:
        return len(exchange.sendings) > 1
    at = next(i for i, each in enumerate(exchange.sendings) if each is held)
    mine = answers(exchange, at)
    if not mine or mine[-1].kind is not ACK or len(exchange.sendings) > 1:
        return True
    after = [each for _, each in dump.talk.sent if each.place > held.place]
    return bool(after) and after[0].start_ns < mine[0].heard.start_ns


def held_back(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the pace where a packet was held back until the next, and the answers got behind."""
    if not scene.both or not scene.is_timed or scene.shows_damage(Direction.TO_UNIT) is False:
        return
    for dump in scene.sent if not is_file(scene) else ():
        pairs = [pair for pair in pairwise(dump.packets) if _stand_together(dump, *pair)]
        if not pairs or all(finals(each) for each in dump.packets):
            continue
        one, two = pairs[0]
        earlier = [heard for _, heard in dump.talk.sent if heard.place < _place(one)]
        if not earlier or one.sendings[0].start_ns - earlier[-1].end_ns < 2 * _PACKET_NS:
            continue
        yield suspect(
            "faulty pauses",
            Strength.FAIR,
            dump,
            f"Packet {one.place:,} came late, and packet {two.place:,} right behind it, while the "
            "sender waits for an answer otherwise.",
            heard=one.sendings[0],
            exchange=one,
        )


def _place(exchange: Exchange) -> int:
    return exchange.sendings[0].place


def _stand_together(dump: DumpScene, one: Exchange, two: Exchange) -> bool:
    first, second = one.sendings[0], two.sendings[0]
    if not first.is_sound or not second.is_sound:
        return False
    if second.start_ns - first.end_ns >= BYTE_NS:
        return False
    before = [each.end_ns for each in dump.talk.replies if each.end_ns <= first.start_ns]
    return bool(before) and first.start_ns - before[-1] >= _PACKET_NS


def too_fast(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the pace where packets come faster than a line and the unit misses some (T52)."""
    if not scene.both or not scene.is_timed:
        return
    fast = {id(each.heard) for each in scene.followed.fast[Direction.TO_UNIT]}
    for dump in scene.sent if fast else ():
        hasty = [each for each in dump.packets if id(each.sendings[0]) in fast]
        missed = [each for each in hasty if not each.replies and each.best.is_sound]
        if len(hasty) < _FEW or not dump.talk.replies or not missed[:-1]:
            continue
        yield suspect(
            "line too fast",
            Strength.STRONG,
            dump,
            f"{counted(len(hasty), 'packet')} came faster than a MIDI cable carries them, and the "
            f"unit answered only some.",
            heard=missed[0].sendings[0],
            exchange=missed[0],
        )


def filtered(scene: Scene) -> Iterator[Suspicion]:
    """Suspect a filter where short messages come from the unit and no exclusive one (T02, T05)."""
    if not scene.both or not scene.sent:
        return
    said = list(scene.spoke(Direction.FROM_UNIT))
    short = [each for each in said if each.piece.kind is PieceKind.SHORT]
    if not short or any(each.piece.kind is PieceKind.EXCLUSIVE for each in said):
        return
    if not any(each.packets or each.ended in _BADLY for each in scene.sent):
        return
    if any(each.header is None for each in scene.sent):
        return
    place = scene.place(short[0])
    text = "Notes or other short messages came from the unit, and not one System Exclusive message."
    yield Suspicion(
        cause="exclusive messages filtered out",
        strength=Strength.FAIR,
        evidence=(Evidence(text=text, at=place, shown=short[0].body.hex(" ")),),
        at=place,
    )


def _stretch(heard: TimedMessage) -> float:
    """Return by which part of its time a message took longer than a line needs."""
    return heard.gaps_ns / (len(heard.piece.raw) * BYTE_NS)


def slow(scene: Scene) -> Iterator[Suspicion]:
    """Tell of a line that is slow, and of messages that come in pieces."""
    if not scene.is_timed or scene.recorded.is_from_port:
        return
    for dump in scene.sent if not is_file(scene) else ():
        mine = [heard for exchange, heard in dump.talk.sent if exchange.place is not None]
        late = [each for each in mine if _stretch(each) > 1 / _PER_CENT]
        if not late:
            continue
        middle = median(_stretch(each) for each in mine)
        even = [each for each in mine if abs(_stretch(each) - middle) < 1 / (2 * _PER_CENT)]
        if len(mine) >= _FEW and middle > 1 / _PER_CENT and len(even) >= _MOST * len(mine):
            yield from _slow_line(dump, mine[0], middle)
        elif any(each.gaps_ns >= _PIECE_NS and each.is_sound for each in late):
            paused = next(each for each in late if each.gaps_ns >= _PIECE_NS)
            yield suspect(
                "pieces with pauses",
                Strength.SURE,
                dump,
                f"There are pauses inside {counted(len(late), 'packet')}.",
                heard=paused,
            )


def _slow_line(dump: DumpScene, first: TimedMessage, middle: float) -> Iterator[Suspicion]:
    text = f"Each packet takes {middle:.1%} longer than its bytes need."
    yield suspect("slow line", Strength.STRONG, dump, text, heard=first)
    if dump.damaged:
        exchange, heard = dump.damaged[0]
        text += f" {named(exchange)[0].upper()}{named(exchange)[1:]} came damaged."
        yield suspect("line speed off", Strength.WEAK, dump, text, heard=heard, exchange=exchange)


def joined(scene: Scene) -> Iterator[Suspicion]:
    """Tell of messages that stand together in the recording (T17)."""
    if not scene.is_timed or not scene.recorded.is_from_port:
        return
    for passage in scene.recorded.capture.passages:
        if passage.data.count(0xF0) > 1:
            text = f"{passage.data.count(0xF0)} messages were handed over at once."
            yield Suspicion(
                cause="messages joined",
                strength=Strength.SURE,
                evidence=(Evidence(text=text),),
            )
            return


PACE_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    long_pauses,
    held_back,
    too_fast,
    filtered,
    slow,
    joined,
)
