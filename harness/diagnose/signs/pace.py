"""The pace of the line: pauses, packets that come too fast, what a filter lets by."""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final, NamedTuple

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.constants import BYTE_NS, FIRST_REALTIME, SYSTEM_RESET
from dryload.emulator.wire.messages import Handshake
from dryload.emulator.wire.prose import capitalised, counted, duration
from dryload.emulator.wire.splitter import PieceKind
from dryload.harness.diagnose.scene import DumpScene, Scene, named
from dryload.harness.diagnose.sign import Sign, sign
from dryload.harness.judge.dialogue.exchanges import ACK, WAIT, Ended, Exchange
from dryload.harness.judge.timed_messages import TimedMessage

_LONG_NS: Final = 1_000_000_000
"""A pause inside a message that a receiver need not outlast (our choice)."""
_PIECE_NS: Final = 1_000_000
_FEW: Final = 2
_PER_CENT: Final = 100
_REALTIME: Final = {FIRST_REALTIME: "clock", SYSTEM_RESET: "reset"}
_BADLY: Final = (Ended.SHORT, Ended.STOPPED, Ended.GIVEN_UP, Ended.REPLACED)
_STEADY: Final = 3
_LITTLE_NS: Final = 4_100_000  # a tenth of a packet
_STEADY_NS: Final = 500_000
_BACK_TO_BACK_NS: Final = 100_000
_SURELY_NS: Final = 18_000_000
"""The 20 ms of an open loop (M1 p. 39), less what drift may take (our choice)."""


def pauses(scene: Scene) -> Iterator[Sign]:
    """Tell of pauses inside messages: one that was then not taken, and harmless ones."""
    for dump in scene.sent if scene.is_timed and not scene.is_file else ():
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
        slow = [each for exchange, each in dump.talk.sent if exchange.place is not None]
        slow = [each for each in slow if _is_stretched(each)]
        if slow and not scene.recorded.is_from_port:
            text = f"There are pauses inside {counted(len(slow), 'packet')}."
            yield sign("pauses inside", dump, text, heard=slow[0])


def _suffered(dump: DumpScene, exchange: Exchange, at: int) -> bool:
    if not dump.scene.both:
        return len(exchange.sendings) > 1
    mine = dump.answers(exchange, at)
    if not mine or mine[-1].kind is not ACK or len(exchange.sendings) > 1:
        return True
    held = exchange.sendings[at]
    after = next((e for _, e in dump.talk.sent if e.place > held.place), None)
    return after is not None and after.start_ns < mine[0].heard.start_ns


def _is_stretched(heard: TimedMessage) -> bool:
    """Whether a message took longer than a line that is slow by one per cent needs for it."""
    least_ns = len(heard.piece.raw) * BYTE_NS // _PER_CENT
    return heard.is_sound and heard.gaps_ns > min(least_ns, _PIECE_NS)


def too_fast(scene: Scene) -> Iterator[Sign]:
    """Tell of packets that come faster than a line, and of which only some are answered."""
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


class _Early(NamedTuple):
    """A message that began before the answer to the one before it was there."""

    exchange: Exchange
    heard: TimedMessage
    pause_ns: int
    """How long after the message before."""
    overlap_ns: int
    """How long before the end of the answer."""


def a_little_too_fast(scene: Scene) -> Iterator[Sign]:
    """Tell of messages that all seem to begin a little before the answer that each waits for.

    Who does not wait keeps to a pause instead, and to no answer.
    """
    for dump in scene.sent if scene.both and scene.is_timed else ():
        early = _steady(list(_early(dump)))
        if len(early) < _STEADY:
            continue
        pauses_ns, overlaps_ns = [e.pause_ns for e in early], [e.overlap_ns for e in early]
        spread_ns = max(overlaps_ns) - min(overlaps_ns)
        is_pause = spread_ns >= max(pauses_ns) - min(pauses_ns)
        if not (is_pause and min(pauses_ns) < _BACK_TO_BACK_NS):
            yield sign(
                "line too fast by a little",
                dump,
                f"Each packet is there {duration(max(overlaps_ns))} sooner than a MIDI line "
                "carries one after the answer before it.",
                heard=early[0].heard,
                exchange=early[0].exchange,
            )


def _steady(early: Sequence[_Early]) -> list[_Early]:
    """Return those that begin as long before their answers as most do; none where few do."""
    groups = (
        [other for other in early if 0 <= other.overlap_ns - one.overlap_ns < _STEADY_NS]
        for one in early
        if one.overlap_ns < _LITTLE_NS
    )
    most = max(groups, default=[], key=len)
    return most if 2 * len(most) > len(early) else []


def _early(dump: DumpScene) -> Iterator[_Early]:
    """Yield messages that began before the answer to the one before them."""
    sight = dump.scene.sight
    for (exchange, at, sent, _), (later, _, heard, _) in pairwise(dump.steps):
        start_ns = sight.latest_start_ns(heard) + sight.tolerance_ns
        pause_ns = max(sight.pause_ns(sent, heard), 0) + sent.gaps_ns
        ends = [each.end_ns for each in dump.answers(exchange, at) if each.kind is not WAIT]
        is_answered = any(sent.end_ns <= end_ns <= start_ns for end_ns in ends)
        after = [end_ns - heard.start_ns for end_ns in ends if end_ns > heard.start_ns]
        if after and pause_ns < _SURELY_NS and not is_answered:
            yield _Early(later, heard, pause_ns, min(after))


def only_short(scene: Scene) -> Iterator[Sign]:
    """Tell of a unit from which short messages come and no exclusive one."""
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


def realtime(scene: Scene) -> Iterator[Sign]:
    """Tell of clock bytes and resets inside messages."""
    for dump in scene.sent:
        for byte, name in _REALTIME.items():
            inside = [
                (exchange, heard, dump.answers(exchange, at))
                for exchange, at, heard, _ in dump.steps
                if any(value == byte for _, value in heard.piece.realtime)
            ]
            if inside:
                exchange, heard, _ = inside[0]
                taken = any(each.kind is ACK for _, _, answers in inside for each in answers)
                text = f"A {name} ({byte:02X}) passed inside {named(exchange)}."
                yield sign(
                    "real-time byte inside",
                    dump,
                    text,
                    heard=heard,
                    exchange=exchange,
                    byte=name,
                    taken=taken,
                )


def echoes(scene: Scene) -> Iterator[Sign]:
    """Tell of messages that came back; handshakes both sides may say of their own accord."""
    back = [each for each in scene.echoes if not isinstance(each[0].message, Handshake)]
    if back and scene.both:
        heard, source = back[0]
        whose = {id(one): (dump, each) for dump in scene.sent for each, one in dump.talk.sent}
        dump, exchange = whose.get(id(source), (None, None))
        what = "A message" if exchange is None else capitalised(named(exchange))
        text = f"{what} came back as it was; so did {counted(len(back), 'message')} in all."
        body = heard.body[:6].hex(" ")
        yield sign("came back", dump, text, at=scene.place(source, exchange), shown=body)


PACE: Final = (echoes, pauses, too_fast, a_little_too_fast, only_short, realtime)
