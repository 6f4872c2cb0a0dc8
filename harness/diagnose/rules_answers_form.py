"""Answers that are changed, doubled, misnumbered, or from somebody else."""

from collections.abc import Callable, Iterator
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.codec import Malformed
from emulator.wire.messages import Handshake
from emulator.wire.splitter import PieceKind
from harness.diagnose.cause import Strength, Suspicion
from harness.diagnose.rules_answers_numbers import fits_custom
from harness.diagnose.rules_answers_seen import (
    ACK,
    EOF,
    NAK,
    WAIT,
    answers,
    exchange_of,
    finals,
    has_waits,
    is_plain,
    named,
    steps,
    suspect,
    waits_first,
)
from harness.diagnose.scene import DumpScene, Scene
from harness.judge.dialogue.exchanges import Ended, Exchange, Reply
from harness.judge.plain import counted
from harness.judge.timed_messages import TimedMessage

_HANDSHAKE: Final = 6  # bytes, M1 p. 36
_LONGEST: Final = 8  # a handshake to which something was added
_SOON_NS: Final = 20_000_000  # an answer is due within this, M1 p. 36
_COPY_NS: Final = 60_000_000  # two answers of two units come close together (our choice)
_GOES_ON_NS: Final = 100_000_000  # what shows that a capture does not end here (our choice)
_ALTERED: Final = "answers altered on the way back"


# Answers that are no answers any more.


def damaged_answers(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way back where something else came in place of an answer."""
    for dump in scene.sent if scene.both else ():
        spoken = list(_not_answers(scene))
        for exchange, at, sending, after in steps(dump) if spoken else ():
            told = finals_of(exchange, at)
            wreck = _in_place_of(spoken, sending, told[0].heard if told else after)
            if wreck is None or (told and (waits_first(exchange) or not has_waits(dump))):
                continue
            yield suspect(
                _ALTERED,
                Strength.SURE if _is_wreck(wreck) else Strength.STRONG,
                dump,
                f"In place of an answer to {named(exchange)} something came that is none.",
                heard=wreck,
                exchange=exchange,
                shown=wreck.piece.raw[:16].hex(" "),
            )


def _not_answers(scene: Scene) -> Iterator[TimedMessage]:
    """Yield what the unit said that may have been a handshake, what came back aside."""
    echoed = {id(heard) for heard, _ in scene.followed.course.echoes}
    asked = {each.heard.body for each in scene.followed.course.asked}
    for each in scene.spoke(Direction.FROM_UNIT):
        if id(each) not in echoed and each.body not in asked and _may_be_answer(scene, each):
            yield each


def finals_of(exchange: Exchange, at: int) -> list[Reply]:
    """Return the answers other than WAIT and EOF to one sending."""
    return [each for each in answers(exchange, at) if each.kind not in (WAIT, EOF)]


def _may_be_answer(scene: Scene, heard: TimedMessage) -> bool:
    """Whether something can have been a handshake before it was changed."""
    piece = heard.piece
    if isinstance(heard.message, Handshake):
        return False
    goes_on_ns = scene.sight.last_ns - heard.end_ns if scene.is_timed else 0
    if heard.is_torn_off and goes_on_ns < _GOES_ON_NS:
        return False  # rather the capture ends there
    if piece.kind is PieceKind.EXCLUSIVE:
        return _HANDSHAKE - 2 <= len(piece.body) <= _LONGEST
    if piece.kind is PieceKind.SHORT:
        return len(piece.body) == 1  # not a note of somebody's
    return piece.kind in (PieceKind.CUT, PieceKind.STRAY) and len(piece.body) <= _LONGEST


def _is_wreck(heard: TimedMessage) -> bool:
    return heard.piece.kind in (PieceKind.CUT, PieceKind.STRAY) or isinstance(
        heard.message, Malformed
    )


def _in_place_of(
    spoken: list[TimedMessage], sending: TimedMessage, after: TimedMessage | None
) -> TimedMessage | None:
    end_ns = sending.end_ns
    for each in spoken:
        if each.end_ns < end_ns or each.end_ns - end_ns > 2 * _SOON_NS:
            continue
        if after is None or each.end_ns <= after.end_ns:
            return each
    return None


def end_of_file_as_answer(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way back where a packet is answered with what only a sender says (EOF)."""
    for dump in scene.sent if scene.both else ():
        for reply in dump.replies(EOF):
            exchange = exchange_of(dump, reply)
            yield suspect(
                _ALTERED,
                Strength.FAIR,
                dump,
                f"{named(exchange).capitalize()} was answered with EOF, which only a sender says.",
                heard=reply.heard,
                exchange=exchange,
                shown=reply.heard.body.hex(" "),
            )


def one_no_to_a_sound_packet(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way back where one packet of all was rejected once, and is right as recorded.

    That the unit erred once looks the same.  Where the capture does not show what arrived at the
    unit, damage on the way there is far likelier, so nothing is said of the answer.
    """
    arrived = scene.both and scene.shows_damage(Direction.TO_UNIT)
    for dump in scene.sent if arrived else ():
        rejected = [
            (exchange, reply)
            for exchange in dump.packets
            for reply in exchange.replies
            if reply.kind is NAK and (reply.fits or fits_custom(dump, exchange, reply))
        ]
        if len(rejected) != 1 or rejected[0][0].jump:
            continue
        exchange, reply = rejected[0]
        accepted = any(each.kind is ACK for each in exchange.replies) or _is_last(dump, exchange)
        if not accepted or not is_plain(exchange.sendings[reply.sending]):
            continue
        yield suspect(
            _ALTERED,
            Strength.FAIR,
            dump,
            f"{named(exchange).capitalize()} was rejected once (NAK) although it is right as "
            "recorded, and taken when the same came again.",
            heard=reply.heard,
            exchange=exchange,
            shown=reply.heard.body.hex(" "),
        )


def _is_last(dump: DumpScene, exchange: Exchange) -> bool:
    """Whether it is the last packet, sent again: a unit that has all says nothing more."""
    again = len(exchange.sendings) > 1 and exchange.replies[-1].sending == 0
    return again and dump.ended is Ended.WHOLE and exchange is dump.talk.exchanges[-1]


# Two answers.


def two_answers(scene: Scene) -> Iterator[Suspicion]:
    """Suspect a second unit, or doubling, where one message has more than one answer (T50)."""
    for dump in scene.sent if scene.both else ():
        if has_waits(dump):
            continue  # there a WAIT that was changed looks like a second answer
        doubled = [each for each in dump.talk.exchanges if _is_doubled(scene, each)]
        if not doubled:
            continue
        first = doubled[0]
        devices = {each.message.device_id for each in finals(first)}
        seen = scene.shows_damage(Direction.TO_UNIT)  # elsewhere it may have been doubled there
        yield suspect(
            "two answers to one message",
            Strength.STRONG if seen or len(devices) > 1 else Strength.FAIR,
            dump,
            f"{named(first).capitalize()} was sent once and answered "
            f"{counted(len(finals(first)), 'time')}; so were {counted(len(doubled), 'message')} "
            "in all.",
            heard=finals(first)[1].heard,
            exchange=first,
            shown=finals(first)[1].heard.body.hex(" "),
        )


def _is_doubled(scene: Scene, exchange: Exchange) -> bool:
    mine = [each for each in finals(exchange) if each.kind in (ACK, NAK)]
    if len(exchange.sendings) != 1 or len(mine) < 2 or not is_plain(exchange.sendings[0]):
        return False
    one, other = mine[0], mine[1]
    close = not scene.is_timed or other.end_ns - one.end_ns < _COPY_NS
    return close and (one.kind is other.kind or one.message.device_id != other.message.device_id)


FORM_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    damaged_answers,
    end_of_file_as_answer,
    one_no_to_a_sound_packet,
    two_answers,
)
