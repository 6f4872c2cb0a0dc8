"""The pace of the line: pauses, packets that come too fast, slowness, what a filter lets by."""

from bisect import bisect_right
from collections.abc import Iterator
from itertools import pairwise
from statistics import median
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.constants import BYTE_NS
from emulator.wire.prose import capitalised, counted, duration
from emulator.wire.splitter import PieceKind
from harness.diagnose.scene import ACK, PACKET_NS, DumpScene, Scene, finals, named
from harness.diagnose.sign import Sign, sign
from harness.judge.dialogue.exchanges import Ended, Exchange
from harness.judge.timed_messages import TimedMessage, most_together

_LONG_NS: Final = 1_000_000_000
"""A pause inside a message that a receiver need not outlast (our choice)."""
_LEISURE_NS: Final = 100_000_000  # TIM-07
_PIECE_NS: Final = 1_000_000
_FEW: Final = 2
_HABIT: Final = 3
_PER_CENT: Final = 100
_MOST: Final = 0.9  # of the packets of a line that is slow as a whole
_BADLY: Final = (Ended.SHORT, Ended.STOPPED, Ended.GIVEN_UP, Ended.REPLACED)


def pauses(scene: Scene) -> Iterator[Sign]:
    """Tell of pauses inside messages that were then not taken, and of packets held back (T16)."""
    if not scene.is_timed or scene.is_file:
        return
    for dump in scene.sent:
        for exchange, at, heard, _ in dump.steps:
            is_held = heard.gaps_ns >= _LONG_NS and heard.is_sound
            if is_held and _suffered(dump, exchange, at):
                yield sign(
                    "long pause",
                    dump,
                    f"In the middle of {named(exchange)} nothing came for "
                    f"{duration(heard.gaps_ns)}, and the unit did not take it in time.",
                    heard=heard,
                    exchange=exchange,
                )
                break
        if scene.both and not scene.at_host:
            yield from _held_back(dump)


def _suffered(dump: DumpScene, exchange: Exchange, at: int) -> bool:
    if not dump.scene.both:
        return len(exchange.sendings) > 1
    mine = dump.answers(exchange, at)
    if not mine or mine[-1].kind is not ACK or len(exchange.sendings) > 1:
        return True
    held = exchange.sendings[at]
    after = next((e for _, e in dump.talk.sent if e.place > held.place), None)
    return after is not None and after.start_ns < mine[0].heard.start_ns


def _held_back(dump: DumpScene) -> Iterator[Sign]:
    """Tell of a packet that was held back until the next, so that the answers got behind."""
    if all(finals(each) for each in dump.packets):
        return
    for one, two in pairwise(dump.packets):
        first, second = one.sendings[0], two.sendings[0]
        together = second.start_ns - first.end_ns < BYTE_NS
        if not together or not first.is_sound or not second.is_sound:
            continue
        answered = bisect_right(dump.reply_ends, first.start_ns)
        if not answered or first.start_ns - dump.reply_ends[answered - 1] < PACKET_NS:
            continue
        before = dump.before(first)
        if before is not None and first.start_ns - before.end_ns >= 2 * PACKET_NS:
            yield sign(
                "held back",
                dump,
                f"Packet {one.place:,} came late, and packet {two.place:,} right behind it, while "
                "the sender waits for an answer otherwise.",
                heard=first,
                exchange=one,
            )
        return


def too_fast(scene: Scene) -> Iterator[Sign]:
    """Tell of packets that come faster than a line, and of which only some are answered (T52)."""
    fast = scene.sight.too_fast
    for dump in scene.sent if fast and scene.both and scene.is_timed else ():
        hasty = [each for each in dump.packets if each.sendings[0].place in fast]
        missed = [each for each in hasty if not each.replies and each.best.is_sound]
        if len(hasty) >= _FEW and dump.talk.replies and missed[:-1]:
            yield sign(
                "too fast",
                dump,
                f"{counted(len(hasty), 'packet')} came faster than a MIDI cable carries them, and "
                "the unit answered only some.",
                heard=missed[0].sendings[0],
                exchange=missed[0],
            )


def only_short(scene: Scene) -> Iterator[Sign]:
    """Tell of a unit from which short messages come and no exclusive one (T02, T05)."""
    said = scene.spoke(Direction.FROM_UNIT)
    short = [each for each in said if each.piece.kind is PieceKind.SHORT]
    if not scene.both or not scene.sent or not short:
        return
    if any(each.piece.kind is PieceKind.EXCLUSIVE for each in said):
        return
    if not any(each.packets or each.ended in _BADLY for each in scene.sent):
        return
    if all(each.header is not None for each in scene.sent):
        yield sign(
            "only short messages",
            None,
            "Notes or other short messages came from the unit, and not one System Exclusive "
            "message.",
            at=scene.place(short[0]),
            shown=short[0].body.hex(" "),
        )


def slow(scene: Scene) -> Iterator[Sign]:
    """Tell of a line that is slow, and of messages that come in pieces."""
    if not scene.is_timed or scene.recorded.is_from_port or scene.is_file:
        return
    for dump in scene.sent:
        mine = [heard for exchange, heard in dump.talk.sent if exchange.place is not None]
        late = [each for each in mine if _stretch(each) > 1 / _PER_CENT]
        if not late:
            continue
        middle = median(_stretch(each) for each in mine)
        even = [each for each in mine if abs(_stretch(each) - middle) < 1 / (2 * _PER_CENT)]
        if len(mine) >= _FEW and middle > 1 / _PER_CENT and len(even) >= _MOST * len(mine):
            text = f"Each packet takes {middle:.1%} longer than its bytes need."
            where, heard = dump.damaged[0] if dump.damaged else (None, mine[0])
            if where is not None:
                text += f" {capitalised(named(where))} came damaged."
            hurt = where is not None
            yield sign("slow line", dump, text, heard=heard, exchange=where, damaged=hurt)
        elif any(each.gaps_ns >= _PIECE_NS and each.is_sound for each in late):
            paused = next(each for each in late if each.gaps_ns >= _PIECE_NS)
            text = f"There are pauses inside {counted(len(late), 'packet')}."
            yield sign("pauses inside", dump, text, heard=paused)


def _stretch(heard: TimedMessage) -> float:
    """Return by which part of its time a message took longer than a line needs."""
    return heard.gaps_ns / (len(heard.piece.raw) * BYTE_NS)


def joined(scene: Scene) -> Iterator[Sign]:
    """Tell of messages that stand together in the recording (T17)."""
    if scene.is_timed and scene.recorded.is_from_port:
        most = most_together(scene.recorded.capture)
        if most > 1:
            yield sign("joined", None, f"{most} messages were handed over at once.")


def leisure(scene: Scene) -> Iterator[Sign]:
    """Tell of a sender that takes its time after most answers (T59)."""
    for dump in scene.sent if scene.both and scene.is_timed else ():
        limit_ns = _LEISURE_NS + dump.scene.sight.tolerance_ns
        late = [two for one, two in pairwise(dump.packets) if _idle_ns(one, two) > limit_ns]
        if len(late) >= _HABIT and 2 * len(late) >= len(dump.packets):
            text = f"After {counted(len(late), 'answer')} more than 100 ms passed before the next "
            yield sign(
                "slow sender",
                dump,
                f"{text}packet began.",
                heard=late[0].sendings[0],
                exchange=late[0],
            )


def _idle_ns(one: Exchange, two: Exchange) -> int:
    start_ns = two.sendings[0].start_ns
    acks = [each.end_ns for each in one.replies if each.kind is ACK and each.end_ns <= start_ns]
    return start_ns - acks[-1] if acks else 0


PACE: Final = (pauses, too_fast, only_short, slow, joined, leisure)
