"""How a dump went and ended, as far as a capture shows it."""

from typing import Final

from dryload.emulator.wire.messages import DumpHeader, ExtendedHeader
from dryload.harness.judge.dialogue.exchanges import (
    CANCEL,
    NAK,
    WAIT,
    DumpExchange,
    Ended,
    Exchange,
    LoopMode,
)
from dryload.harness.judge.dialogue.heard import TimePrecision

_ENOUGH_NS: Final = 2_500_000_000
"""A capture that goes on for so long after a packet shows that no other followed (our choice)."""


def tell_ending(talk: DumpExchange, sight: TimePrecision) -> Ended:
    """Return how a dump ended."""
    # A CANCEL ends a dump only if it obeyed; one for another device means nothing to its sender.
    if any(each.kind is CANCEL and each.binds for each in talk.replies):
        return Ended.REFUSED
    if any(message.kind is CANCEL for _, message in talk.handshakes):
        return Ended.STOPPED
    if talk.is_torn_off:
        return Ended.CUT
    if talk.planned is None:
        return Ended.UNKNOWN
    if talk.is_full or talk.packets >= talk.planned:
        places = {each.place for each in talk.exchanges if each.place is not None}
        return Ended.WHOLE if places.issuperset(range(talk.planned)) else Ended.SHORT
    return _unfinished(talk, sight)


def _unfinished(talk: DumpExchange, sight: TimePrecision) -> Ended:
    last = talk.exchanges[-1]
    reply = last.last_reply
    if talk.followed is not None:
        return Ended.FELL_BACK if _fell_back(talk, talk.followed) else Ended.REPLACED
    if reply is not None and reply.binds and reply.kind is WAIT:
        return Ended.HELD
    if reply is not None and reply.kind is NAK:
        return Ended.GIVEN_UP
    goes_on = talk.goes_on_ns is not None and talk.goes_on_ns - talk.last_ns >= 0
    if not goes_on and (not sight.is_timed or sight.last_ns - talk.last_ns < _ENOUGH_NS):
        return Ended.CUT
    if last.place is None or (reply is None and talk.replies):
        return Ended.GIVEN_UP  # it waits for an answer that never comes
    return Ended.SHORT


def _fell_back(talk: DumpExchange, followed: DumpExchange) -> bool:
    return (
        isinstance(talk.header, ExtendedHeader)
        and isinstance(followed.header, DumpHeader)
        and not talk.packets
        and not talk.replies
        and talk.header.sample_number == followed.header.sample_number
    )


def tell_loop_mode(talk: DumpExchange, *, both_known: bool) -> LoopMode:
    """Return how both sides went along."""
    if not both_known:
        return LoopMode.UNKNOWN
    if not talk.replies:
        return LoopMode.OPEN
    answered = sum(1 for each in talk.exchanges if each.replies)
    unanswered = len(talk.exchanges) - answered
    if unanswered <= 1 and _is_last_at_most(talk.exchanges):
        return LoopMode.CLOSED
    return LoopMode.MIXED


def _is_last_at_most(exchanges: list[Exchange]) -> bool:
    return all(each.replies for each in exchanges[:-1])
