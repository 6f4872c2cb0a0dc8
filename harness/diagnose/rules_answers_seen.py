"""What the rules on answers share: which sending of what got which answer."""

from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.constants import HEADER_LIMIT_NS, PACKET_LIMIT_NS
from emulator.wire.messages import (
    DataPacket,
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    HandshakeKind,
)
from harness.diagnose.cause import Evidence, Strength, Suspicion
from harness.diagnose.scene import DumpScene, Scene
from harness.judge.dialogue.exchanges import Exchange, Reply
from harness.judge.timed_messages import TimedMessage

ACK, NAK, WAIT, CANCEL, EOF = (
    HandshakeKind.ACK,
    HandshakeKind.NAK,
    HandshakeKind.WAIT,
    HandshakeKind.CANCEL,
    HandshakeKind.EOF,
)
_DUMPED: Final = (DataPacket, DumpHeader, ExtendedHeader)
GAP_NS: Final = 20_000_000
"""Pauses inside a message that may have made a receiver drop it (our choice)."""

TIME_NS: Final = 15_000_000
"""A sender that leaves less than this has not waited for an answer (our choice)."""
HABIT: Final = 2  # messages answered in one manner that make it the unit's custom (our choice)


def is_plain(heard: TimedMessage) -> bool:
    """Whether a message is right and has nothing inside that could upset a receiver."""
    piece = heard.piece
    return heard.is_sound and not piece.realtime and heard.gaps_ns < GAP_NS


def named(exchange: Exchange) -> str:
    """Return what to call a header or a packet within a sentence."""
    return "the header" if exchange.place is None else f"packet {exchange.place:,}"


def answers(exchange: Exchange, at: int) -> list[Reply]:
    """Return what was said to the `at`th sending of a message."""
    return [each for each in exchange.replies if each.sending == at]


def finals(exchange: Exchange) -> list[Reply]:
    """Return the answers other than WAIT."""
    return [each for each in exchange.replies if each.kind is not WAIT]


def waits_first(exchange: Exchange) -> bool:
    """Whether a message was answered with WAIT and then with ACK."""
    return [each.kind for each in exchange.replies[:2]] == [WAIT, ACK]


def has_waits(dump: DumpScene) -> bool:
    """Whether it is the unit's custom to say WAIT before each ACK."""
    answered = [each.replies[0].kind for each in dump.talk.exchanges if each.replies]
    waits = answered.count(WAIT)
    return waits >= HABIT and 2 * waits >= len(answered)


def echoes_in(scene: Scene) -> list[tuple[TimedMessage, TimedMessage]]:
    """Return what came back from the unit, and what it is an echo of.

    Without times the judge knows none: there it is what came back before anything was asked for.
    """
    if scene.is_timed:
        unit = Direction.FROM_UNIT
        return [each for each in scene.followed.course.echoes if each[0].direction is unit]
    found: list[tuple[TimedMessage, TimedMessage]] = []
    said: dict[bytes, TimedMessage] = {}
    for heard in scene.followed.heard:
        if heard.direction is Direction.TO_UNIT:
            if isinstance(heard.message, DumpRequest):
                break
            said.setdefault(heard.body, heard)
        elif isinstance(heard.message, _DUMPED) and heard.body in said:
            found.append((heard, said[heard.body]))
    return found


def is_doubled_there(dump: DumpScene) -> bool:
    """Whether something sends a message a second time without waiting, which is not a sender."""
    return any(
        one.body == other.body and other.start_ns - one.end_ns < TIME_NS
        for exchange in dump.talk.exchanges
        for one, other in pairwise(exchange.sendings)
    )


def way_strength(dump: DumpScene) -> Strength:
    """Return how much a missing or late answer says of the way back.

    Where the capture shows what arrived at the unit, the message was there; elsewhere it may have
    been lost or late on its way, which looks the same.
    """
    seen = dump.scene.shows_damage(Direction.TO_UNIT)
    return Strength.STRONG if seen else Strength.FAIR


def limit_ns(exchange: Exchange) -> int:
    """Return within what time an answer is due (TIM-02, TIM-04)."""
    return HEADER_LIMIT_NS if exchange.place is None else PACKET_LIMIT_NS


def steps(dump: DumpScene) -> Iterator[tuple[Exchange, int, TimedMessage, TimedMessage | None]]:
    """Yield each sending with its exchange, which sending it is, and what was sent after it."""
    sent = dump.talk.sent
    for at, (exchange, heard) in enumerate(sent):
        after = sent[at + 1][1] if at + 1 < len(sent) else None
        which = next(i for i, each in enumerate(exchange.sendings) if each is heard)
        yield exchange, which, heard, after


def exchange_of(dump: DumpScene, reply: Reply) -> Exchange:
    """Return what a reply answers."""
    return next(each for each in dump.talk.exchanges if any(one is reply for one in each.replies))


def suspect(
    cause: str,
    strength: Strength,
    dump: DumpScene,
    text: str,
    *,
    heard: TimedMessage | None = None,
    exchange: Exchange | None = None,
    shown: str = "",
) -> Suspicion:
    """Return a suspicion with one piece of evidence at its place."""
    place = dump.place(heard, exchange)
    return Suspicion(
        cause=cause,
        strength=strength,
        evidence=(Evidence(text=text, at=place, shown=shown),),
        at=place,
        dump=dump.index,
    )
