"""Answers that are none any more, and answers that come late."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from typing import Final

from dryload.emulator.wire.codec import Malformed
from dryload.emulator.wire.messages import Handshake
from dryload.emulator.wire.prose import counted, duration
from dryload.emulator.wire.splitter import PieceKind
from dryload.harness.diagnose.scene import (
    HABIT,
    DumpScene,
    Scene,
    are_plain,
    finals,
    is_plain,
    named,
    waits_first,
)
from dryload.harness.diagnose.sign import Sign, sign
from dryload.harness.diagnose.signs.silence import has_left_time, is_late
from dryload.harness.judge.dialogue.exchanges import CANCEL, EOF, NAK, WAIT, Exchange, Reply
from dryload.harness.judge.timed_messages import TimedMessage

_SHORTEST, _LONGEST = 4, 8  # bytes of a handshake that lost or gained two (M1 p. 36)
_SOON_NS: Final = 40_000_000  # twice what an answer to a packet may take, M1 p. 36
_GOES_ON_NS: Final = 100_000_000  # what shows that a capture does not end here (our choice)


def wrecks(scene: Scene) -> Iterator[Sign]:
    """Tell where something else came in place of an answer."""
    spoken = [e for e in scene.own_words if _may_be_answer(scene, e)] if scene.both else []
    for dump in scene.sent if spoken else ():
        for exchange, at, sending, after in dump.steps:
            told = [each for each in dump.answers(exchange, at) if each.kind not in (WAIT, EOF)]
            wreck = _in_place_of(spoken, sending, told[0].heard if told else after)
            if wreck is None or (told and (waits_first(exchange) or not dump.has_waits)):
                continue
            yield sign(
                "no answer any more",
                dump,
                f"In place of an answer to {named(exchange)} something came that is none.",
                heard=wreck,
                exchange=exchange,
                shown=wreck.piece.raw[:16].hex(" "),
                torn=wreck.piece.kind in (PieceKind.CUT, PieceKind.STRAY)
                or isinstance(wreck.message, Malformed),
            )
            break


def _may_be_answer(scene: Scene, heard: TimedMessage) -> bool:
    piece = heard.piece
    if isinstance(heard.message, Handshake):
        return False
    goes_on_ns = scene.sight.last_ns - heard.end_ns if scene.is_timed else 0
    if heard.is_torn_off and goes_on_ns < _GOES_ON_NS:
        return False  # rather the capture ends there
    if piece.kind is PieceKind.EXCLUSIVE:
        is_echo = any(heard.body == each.heard.body for each in scene.questions)
        return _SHORTEST <= len(piece.body) <= _LONGEST and not is_echo
    if piece.kind is PieceKind.SHORT:
        return len(piece.body) == 1  # not a note of somebody's
    return piece.kind in (PieceKind.CUT, PieceKind.STRAY) and len(piece.body) <= _LONGEST


def _in_place_of(
    spoken: Sequence[TimedMessage], sending: TimedMessage, after: TimedMessage | None
) -> TimedMessage | None:
    since_ns = sending.end_ns
    until_ns = since_ns + _SOON_NS
    if after is not None:
        until_ns = min(until_ns, after.end_ns)
    at = bisect_left(spoken, since_ns, key=lambda each: each.end_ns)
    return spoken[at] if at < len(spoken) and spoken[at].end_ns <= until_ns else None


def late(scene: Scene) -> Iterator[Sign]:
    """Tell of answers that come behind their time."""
    for dump in scene.sent if scene.both and scene.is_timed else ():
        found = list(_late(dump))
        if not found:
            continue
        exchange, at, reply = found[0]
        took_ns = reply.end_ns - exchange.sendings[at].end_ns
        due = "2 s" if exchange.place is None else "20 ms"
        more = f"In all {counted(len(found), 'message')} were answered too late."
        yield sign(
            "answers late",
            dump,
            f"The answer to {named(exchange)} came {duration(took_ns)} after its end; due are "
            f"{due}.",
            more if len(found) > 1 else "",
            heard=exchange.sendings[at],
            exchange=exchange,
            # Where the sender waited for each of them, nothing came of it.
            waited=all(_was_waited_for(dump, one, answer) for one, _, answer in found),
        )


def _late(dump: DumpScene) -> Iterator[tuple[Exchange, int, Reply]]:
    for exchange in dump.talk.exchanges:
        if not exchange.replies:
            continue
        for at, heard in enumerate(exchange.sendings):
            mine = dump.answers(exchange, at)
            # A late no is about what the unit has not understood.
            is_heard = mine and is_plain(heard) and mine[0].kind not in (NAK, CANCEL)
            if is_heard and is_late(dump, exchange, at):
                yield exchange, at, mine[0]
                break
        else:
            # It was sent again before it was answered, and then answered twice.
            sendings = exchange.sendings
            again = len(sendings) >= HABIT and not dump.answers(exchange, 0)
            enough = again and are_plain(exchange) and len(finals(exchange)) >= len(sendings)
            if enough and has_left_time(dump, sendings[0], sendings[1]):
                yield exchange, 0, exchange.replies[0]


def _was_waited_for(dump: DumpScene, exchange: Exchange, reply: Reply) -> bool:
    """Whether the sender said nothing between a message and its answer."""
    starts = sorted(heard.start_ns for _, heard in dump.talk.sent)
    since_ns = exchange.sendings[0].end_ns
    return bisect_right(starts, since_ns) == bisect_left(starts, reply.end_ns)


REPLIES: Final = (wrecks, late)
