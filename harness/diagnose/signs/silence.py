"""Messages without an answer: one, from some packet on, the last one, all of them.

Theory of operation.  An answer is missing where the message was lost on its way, where the answer
was, where the unit was not ready or is gone, and where it never answers.  Which of these can be is
for the table; a sign says what came before and after the silence.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.constants import HEADER_LIMIT_NS, PACKET_LIMIT_NS
from dryload.emulator.wire.messages import ExtendedHeader
from dryload.emulator.wire.prose import counted
from dryload.harness.diagnose.scene import (
    TIME_NS,
    DumpScene,
    Scene,
    are_plain,
    finals,
    is_clear,
    is_plain,
    named,
    was_told,
)
from dryload.harness.diagnose.sign import Sign, sign
from dryload.harness.diagnose.signs.requests import is_unanswered
from dryload.harness.judge.dialogue.exchanges import ACK, CANCEL, NAK, Ended, Exchange
from dryload.harness.judge.kept import is_alike
from dryload.harness.judge.timed_messages import TimedMessage

_QUIET_NS: Final = 2_500_000_000
"""A capture that goes on so long shows that no answer came (our choice)."""
_AGAIN: Final = 2
_OPEN: Final = (Ended.FELL_BACK, Ended.CUT)
_STUBBORN: Final = 3  # sendings of a last packet that show that the sender wants an answer


def nothing(scene: Scene) -> Iterator[Sign]:
    """Tell of a unit that never says a word; that some never do is told with it."""
    said = scene.spoke(Direction.TO_UNIT)
    if not scene.both or not said or scene.own_words:
        return
    if any(each.header is None for each in scene.sent):
        return  # without its header a dump is passed over, and rightly
    asked = any(is_unanswered(scene, each) for each in scene.questions)
    stuck = (Ended.GIVEN_UP, Ended.STOPPED)
    if asked or any(each.packets or each.ended in stuck for each in scene.sent):
        text = "Nothing at all came back from the unit, from the first message to the end."
        yield sign("nothing comes back", None, text, at=scene.place(said[0]))


def silence(scene: Scene) -> Iterator[Sign]:
    """Tell where answers are missing in a dump."""
    answered = any(each.talk.replies for each in scene.sent)
    for dump in scene.sent if scene.both else ():
        if not any(each.replies for each in dump.packets):
            yield from _none_of_packets(dump)
        if dump.talk.replies:
            yield from _one(dump)
            yield from _from_there_on(dump)
        elif (answered or _is_old(dump)) and dump.packets and dump.ended not in _OPEN:
            yield _none(dump)


def _is_old(dump: DumpScene) -> bool:
    """Whether a unit that lives may not know the extended header."""
    return dump.spoke_later and isinstance(dump.header, ExtendedHeader)


def _none(dump: DumpScene) -> Sign:
    """Tell of a dump that nobody answered where another one was answered."""
    header = dump.header
    is_same = any(
        each.header is not None
        and header is not None
        and each.header.sample_number == header.sample_number
        and any(reply.kind is ACK for reply in each.talk.replies)
        for each in dump.scene.sent
    )
    return sign(
        "dump unanswered",
        dump,
        "This dump got no answer at all, and "
        + ("the same sample did another time." if is_same else "the unit answers other things."),
        heard=dump.talk.sent[0][1],
        exchange=dump.talk.exchanges[0],
        extended=isinstance(header, ExtendedHeader),
        same=is_same,
    )


def _none_of_packets(dump: DumpScene) -> Iterator[Sign]:
    """Tell of a unit that speaks, and not to packets."""
    packets = dump.packets
    if not dump.talk.is_full or dump.is_doubled_there or any(each.jump for each in packets):
        return
    if not all(map(are_plain, packets)) or (dump.header_replies and len(packets) == 1):
        return  # the last packet of a dump is left unanswered by some
    spoke = dump.spoke_later
    back = dump.returned
    heard = back is not None and spoke and is_alike(dump.talk, back.talk)
    if not dump.header_replies and not heard:
        return
    said = "answered the header" if dump.header_replies else "answered nothing of the dump"
    yield sign(
        "packets unanswered",
        dump,
        f"The unit {said}, and none of the {counted(len(packets), 'packet')}."
        + (" It spoke later." if spoke else ""),
        heard=packets[0].sendings[0],
        exchange=packets[0],
        header=bool(dump.header_replies),
        kept=dump.came_back_whole,
    )


# One message, while later ones are answered.


def _one(dump: DumpScene) -> Iterator[Sign]:
    silent = list(_silent(dump))
    if not silent:
        return
    exchange, heard = silent[0]
    again = bool(finals(exchange))
    yield sign(
        "no answer",
        dump,
        f"There is no answer to {named(exchange)}, and there is one to what came later."
        + (" It was answered when it was sent again." if again else ""),
        f"In all {counted(len(silent), 'message')} got no answer." if len(silent) > 1 else "",
        heard=heard,
        exchange=exchange,
        again=again,
    )


def _silent(dump: DumpScene) -> Iterator[tuple[Exchange, TimedMessage]]:
    """Yield what was not answered although the receiver spoke again later."""
    ends = dump.reply_ends
    before: TimedMessage | None = None
    for exchange, at, heard, after in dump.steps:
        previous, before = before, heard
        if dump.answers(exchange, at) or exchange.jump or not is_plain(heard):
            continue
        if after is None or ends[-1] < after.end_ns or not has_left_time(dump, heard, after):
            continue
        if previous is not None and not _is_apart(dump, ends, previous, heard):
            continue  # the unit may not have been ready for it
        if at + 1 < len(exchange.sendings) and not _is_lost(exchange, at):
            continue
        if at + 1 == len(exchange.sendings) and exchange.replies:
            continue
        yield exchange, heard


def _is_lost(exchange: Exchange, at: int) -> bool:
    """Whether the answer to a sending that was followed by another is missing, and not late."""
    later = [each for each in finals(exchange) if each.sending >= at]
    if any(each.kind is NAK for each in later):
        return False
    return 0 < len(later) < len(exchange.sendings) - at


def has_left_time(dump: DumpScene, one: TimedMessage, other: TimedMessage) -> bool:
    """Whether a sender left time for an answer between two messages."""
    return not dump.scene.is_timed or dump.scene.sight.pause_ns(one, other) >= TIME_NS


def _is_apart(dump: DumpScene, ends: list[int], one: TimedMessage, other: TimedMessage) -> bool:
    """Whether there was an answer or a pause between two messages."""
    spoke = bisect_left(ends, one.end_ns) < bisect_right(ends, other.start_ns)
    return spoke or has_left_time(dump, one, other)


# From some packet on.


def _from_there_on(dump: DumpScene) -> Iterator[Sign]:
    packets = dump.packets
    silent = list(_last_unanswered(dump))
    if not silent:
        return
    first, last = silent[0][0], silent[-1][0]
    sendings = len(silent)
    exchanges = list({id(each): each for each, _ in silent}.values())
    is_stopped = any(message.kind is CANCEL for _, message in dump.talk.handshakes)
    if dump.talk.is_full and len(exchanges) == 1:
        is_taken = was_told(last, ACK)  # the sender did not understand that
        if len(packets) > 1 and not is_taken and (is_stopped or sendings >= _STUBBORN):
            yield sign(
                "last packet unanswered",
                dump,
                f"{named(last).capitalize()}, the last one, got no answer, though it was sent "
                f"{counted(sendings, 'time')}"
                + (" before the sender broke the dump off." if is_stopped else "."),
                heard=silent[0][1],
                exchange=last,
            )
        return
    clear = all(is_clear(heard) for _, heard in silent)
    if not clear or any(each.jump for each in exchanges) or dump.is_sent_twice_in(exchanges):
        return  # the unit may have had nothing to answer
    then = "."
    if dump.ended is Ended.STOPPED:
        then = ", and the sender broke the dump off."
    elif dump.came_back_whole:
        then = ", and the unit sent the whole sample back later."
    elif dump.spoke_later:
        then = ". It answered other things later."
    quiet_ns = dump.scene.sight.last_ns - dump.talk.last_ns
    yield sign(
        "answers cease",
        dump,
        f"From {named(first)} on the unit said nothing to {counted(sendings, 'message')}{then}",
        heard=silent[0][1],
        exchange=first,
        every=not any(each.replies for each in packets),
        whole=dump.ended is Ended.WHOLE,
        stopped=dump.ended is Ended.STOPPED,
        back=dump.came_back_whole,
        spoke=dump.spoke_later,
        again=sendings >= _AGAIN,
        lasting=sendings >= _AGAIN
        or dump.ended is Ended.STOPPED
        or (dump.scene.is_timed and quiet_ns > _QUIET_NS),
        full=dump.talk.is_full,
    )


def _last_unanswered(dump: DumpScene) -> Iterator[tuple[Exchange, TimedMessage]]:
    """Yield the sendings of packets at the end to which nothing was said any more."""
    at = len(dump.packets)
    while at and not dump.packets[at - 1].replies:
        at -= 1
    if at and at == len(dump.packets):
        exchange = dump.packets[-1]
        answered = max(each.sending for each in exchange.replies) + 1
        if answered < len(exchange.sendings) and exchange.last_reply is not None:
            rejected = exchange.last_reply.kind is NAK
            if rejected or len(exchange.sendings) - answered >= _AGAIN:
                yield from ((exchange, heard) for heard in exchange.sendings[answered:])
    yield from ((each, heard) for each in dump.packets[at:] for heard in each.sendings)


def is_late(dump: DumpScene, exchange: Exchange, at: int) -> bool:
    """Whether the first answer to a sending came behind its time (TIM-02, TIM-04)."""
    limit_ns = HEADER_LIMIT_NS if exchange.place is None else PACKET_LIMIT_NS
    taken_ns = dump.answers(exchange, at)[0].end_ns - exchange.sendings[at].end_ns
    return taken_ns - dump.scene.sight.tolerance_ns > limit_ns


SILENCE: Final = (nothing, silence)
