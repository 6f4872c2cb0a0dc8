"""Answers that are odd in form, come twice, or come late."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.codec import Malformed
from emulator.wire.messages import Handshake
from emulator.wire.prose import counted, duration
from emulator.wire.splitter import PieceKind
from harness.diagnose.scene import (
    ACK,
    CANCEL,
    EOF,
    HABIT,
    NAK,
    WAIT,
    DumpScene,
    Scene,
    are_plain,
    finals,
    is_plain,
    named,
    waits_first,
)
from harness.diagnose.sign import Sign, sign
from harness.diagnose.signs.silence import has_left_time, is_late
from harness.judge.dialogue.exchanges import (
    Exchange,
    Reply,
)
from harness.judge.timed_messages import TimedMessage

_SHORTEST, _LONGEST = 4, 8  # bytes of a handshake that lost or gained two (M1 p. 36)
_SOON_NS: Final = 40_000_000  # twice what an answer to a packet may take, M1 p. 36
_COPY_NS: Final = 60_000_000  # two answers of two units come close together (our choice)
_GOES_ON_NS: Final = 100_000_000  # what shows that a capture does not end here (our choice)


# Answers that are odd in form.


def form(scene: Scene) -> Iterator[Sign]:
    """Tell of answers that are none any more, of EOF as an answer, and of two answers (T50)."""
    spoken = _not_answers(scene) if scene.both else []
    for dump in scene.sent if scene.both else ():
        yield from _wrecks(dump, spoken)
        for reply in dump.replies(EOF)[:1]:
            exchange = dump.exchange_of(reply)
            yield sign(
                "answered with EOF",
                dump,
                f"{named(exchange).capitalize()} was answered with EOF, which only a sender says.",
                heard=reply.heard,
                exchange=exchange,
                shown=reply.heard.body.hex(" "),
            )
        if not dump.has_waits:  # there a WAIT that was changed looks like a second answer
            yield from _two_answers(dump)


def _wrecks(dump: DumpScene, spoken: Sequence[TimedMessage]) -> Iterator[Sign]:
    """Tell where something else came in place of an answer."""
    for exchange, at, sending, after in dump.steps if spoken else ():
        told = [each for each in dump.answers(exchange, at) if each.kind not in (WAIT, EOF)]
        wreck = _in_place_of(spoken, sending, told[0].heard if told else after)
        if wreck is None or (told and (waits_first(exchange) or not dump.has_waits)):
            continue
        torn = wreck.piece.kind in (PieceKind.CUT, PieceKind.STRAY)
        yield sign(
            "no answer any more",
            dump,
            f"In place of an answer to {named(exchange)} something came that is none.",
            heard=wreck,
            exchange=exchange,
            shown=wreck.piece.raw[:16].hex(" "),
            torn=torn or isinstance(wreck.message, Malformed),
        )
        return


def _not_answers(scene: Scene) -> list[TimedMessage]:
    """Return what the unit said that may have been a handshake, what came back aside."""
    echoed = {id(heard) for heard, _ in scene.followed.course.echoes}
    asked = {each.heard.body for each in scene.followed.course.asked}
    return [
        each
        for each in scene.spoke(Direction.FROM_UNIT)
        if id(each) not in echoed and each.body not in asked and _may_be_answer(scene, each)
    ]


def _may_be_answer(scene: Scene, heard: TimedMessage) -> bool:
    piece = heard.piece
    if isinstance(heard.message, Handshake):
        return False
    goes_on_ns = scene.sight.last_ns - heard.end_ns if scene.is_timed else 0
    if heard.is_torn_off and goes_on_ns < _GOES_ON_NS:
        return False  # rather the capture ends there
    if piece.kind is PieceKind.EXCLUSIVE:
        return _SHORTEST <= len(piece.body) <= _LONGEST
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


def _two_answers(dump: DumpScene) -> Iterator[Sign]:
    doubled = [each for each in dump.talk.exchanges if _is_answered_twice(dump.scene, each)]
    if not doubled:
        return
    first, second = doubled[0], finals(doubled[0])[1]
    yield sign(
        "two answers",
        dump,
        f"{named(first).capitalize()} was sent once and answered "
        f"{counted(len(finals(first)), 'time')}; so were {counted(len(doubled), 'message')} in "
        "all.",
        heard=second.heard,
        exchange=first,
        shown=second.heard.body.hex(" "),
        devices=len({each.message.device_id for each in finals(first)}),
        arrived=dump.scene.shows_arrived,
    )


def _is_answered_twice(scene: Scene, exchange: Exchange) -> bool:
    mine = [each for each in finals(exchange) if each.kind in (ACK, NAK)]
    if len(exchange.sendings) != 1 or len(mine) < 2 or not is_plain(exchange.sendings[0]):
        return False
    one, other = mine[0], mine[1]
    close = not scene.is_timed or other.end_ns - one.end_ns < _COPY_NS
    return close and (one.kind is other.kind or one.message.device_id != other.message.device_id)


# Answers that are late.


def times(scene: Scene) -> Iterator[Sign]:
    """Tell of answers that come behind their time (T23)."""
    for dump in scene.sent if scene.both and scene.is_timed else ():
        late = [
            (exchange, at, reply)
            for exchange, at, reply in _late(dump)
            if not dump.has_waits or reply.kind is WAIT
        ]
        if not late:
            continue
        exchange, at, reply = late[0]
        took_ns = reply.end_ns - exchange.sendings[at].end_ns
        due = "2 s" if exchange.place is None else "20 ms"
        yield sign(
            "answers late",
            dump,
            f"The answer to {named(exchange)} came {duration(took_ns)} after its end; due are "
            f"{due}.",
            f"In all {counted(len(late), 'message')} were answered too late."
            if len(late) > 1
            else "",
            heard=exchange.sendings[at],
            exchange=exchange,
            # Where the sender waited for each of them, nothing came of it.
            waited=all(_was_waited_for(dump, one, answer) for one, _, answer in late),
            arrived=dump.scene.shows_arrived,
        )


def _late(dump: DumpScene) -> Iterator[tuple[Exchange, int, Reply]]:
    for exchange in dump.talk.exchanges:
        if not exchange.replies or not are_plain(exchange):
            continue
        for at in range(len(exchange.sendings)):
            mine = dump.answers(exchange, at)
            # A late no is about what the unit has not understood.
            if mine and mine[0].kind not in (NAK, CANCEL) and is_late(dump, exchange, at):
                yield exchange, at, mine[0]
                break
        else:
            # It was sent again before it was answered, and then answered twice.
            sendings = exchange.sendings
            again = len(sendings) >= HABIT and not dump.answers(exchange, 0)
            enough = again and len(finals(exchange)) >= len(sendings)
            if enough and has_left_time(dump, sendings[0], sendings[1]):
                yield exchange, 0, exchange.replies[0]


def _was_waited_for(dump: DumpScene, exchange: Exchange, reply: Reply) -> bool:
    """Whether the sender said nothing between a message and its answer."""
    since_ns = exchange.sendings[0].end_ns
    starts = dump.starts
    return bisect_right(starts, since_ns) == bisect_left(starts, reply.end_ns)


REPLIES: Final = (form, times)
