"""How the unit ends a dump or holds it up: CANCEL and WAIT."""

from collections.abc import Iterator
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.codec import Malformed
from emulator.wire.constants import MAX_BITS, MIN_BITS
from emulator.wire.prose import counted, duration
from harness.diagnose.scene import (
    ACK,
    CANCEL,
    NAK,
    WAIT,
    DumpScene,
    Scene,
    are_plain,
    named,
    waits_first,
    was_told,
)
from harness.diagnose.sign import Sign, sign
from harness.judge.dialogue.exchanges import (
    Ended,
    Exchange,
    Reply,
)

_LONG_NS: Final = 1_500_000_000
"""Silence after WAIT that is more than a pause (our choice; the standard has no limit)."""


def ends(scene: Scene) -> Iterator[Sign]:
    """Tell where the unit refused or ended a dump (T06, T07, T08), or holds it up (T09, T60)."""
    for dump in scene.sent if scene.both else ():
        yield from _refused(dump)
        yield from _cancelled(scene, dump)
        yield from _waits(dump)
        yield from _disturbed(scene, dump)


def _refused(dump: DumpScene) -> Iterator[Sign]:
    told = [each for each in dump.header_replies if each.kind is CANCEL and each.binds]
    if not told or not all(each.is_sound for each in dump.headers):
        return  # a damaged header has every right to be refused
    header, source = dump.header, dump.source
    possible = header is not None and MIN_BITS <= header.bits <= MAX_BITS and header.length > 0
    if source is not None and dump.scene.shows_arrived:
        possible = possible and dump.headers[-1].body == source.header_bytes
    yield sign(
        "header refused",
        dump,
        "The unit answered the header with CANCEL"
        + (", before any packet." if not dump.packets else "."),
        heard=dump.headers[-1],
        exchange=dump.talk.exchanges[0],
        shown=told[0].heard.body.hex(" "),
        possible=possible,
        reversed=bool(dump.found("HDR-12")),
    )


def _cancel_in(dump: DumpScene) -> tuple[Exchange, Reply] | None:
    for reply in dump.replies(CANCEL):
        exchange = dump.exchange_of(reply)
        if exchange.place is not None and reply.binds:
            return exchange, reply
    return None


def _cancelled(scene: Scene, dump: DumpScene) -> Iterator[Sign]:
    """Tell of a dump that the unit ended although all was right."""
    found = _cancel_in(dump)
    if found is None or _has_reason(dump, found[0]):
        return
    exchange, reply = found
    history, more = _other_times(scene, dump, exchange)
    yield sign(
        "cancelled",
        dump,
        f"The unit answered {named(exchange)} with CANCEL, and that packet and all before it are "
        "right.",
        more,
        heard=exchange.sendings[-1],
        exchange=exchange,
        shown=reply.heard.body.hex(" "),
        history=history,
    )


def _has_reason(dump: DumpScene, exchange: Exchange) -> bool:
    """Whether something else that was seen explains why the unit ended the dump."""
    place = exchange.place or 0
    if dump.planned is not None and place >= dump.planned:
        return True  # a packet too many
    until = [each for each in dump.packets if (each.place or 0) <= place]
    if any(each.jump for each in until) or any(was_told(each, NAK) for each in until[-2:]):
        return True  # rejected again and again, it is given up in the end
    if any(was_told(each, NAK) and not was_told(each, ACK) for each in until):
        return True
    # A packet that came damaged and was taken when it came again is done with.
    return not all(map(are_plain, until[-2:]))


def _other_times(scene: Scene, dump: DumpScene, exchange: Exchange) -> tuple[str, str]:
    """Say what became of the same dump other times: a word, and a sentence."""
    place = exchange.place or 0
    before = [bool(each.replies) for each in dump.packets if (each.place or 0) < place]
    if any(before) and not all(before):
        return "gap", "A packet before it had got no answer."
    others = [e for e in scene.sent if e is not dump and e.header == dump.header is not None]
    ended = [end[0].place for end in map(_cancel_in, others) if end is not None]
    if ended and all(each == place for each in ended):
        times = counted(len(ended) + 1, "time")
        return "same place", f"It was sent {times}, and each time ended at this packet."
    if ended or any(each.talk.packets > place + 1 for each in others):
        return "other place", "The same dump went further another time."
    if any(_had_room(each, dump, place) for each in scene.sent):
        return "room later", "Another dump, later, had room for more packets."
    return "", ""


def _had_room(later: DumpScene, dump: DumpScene, place: int) -> bool:
    """Whether a later dump that was taken whole is longer than what was taken of this one.

    An earlier one says nothing: it may be what filled the memory.
    """
    if later.index <= dump.index or later.header is None or dump.header is None:
        return False
    taken = later.ended is Ended.WHOLE and all(was_told(e, ACK) for e in later.packets[:-1])
    return taken and later.talk.packets > place + 1 and later.header.bits == dump.header.bits


def _waits(dump: DumpScene) -> Iterator[Sign]:
    """Tell of WAIT and nothing after it."""
    last = dump.talk.exchanges[-1]
    reply = last.last_reply
    if reply is None or reply.kind is not WAIT or not reply.binds:
        return
    if last.jump or not are_plain(last):
        return
    quiet_ns = _quiet_ns(dump, reply)
    if quiet_ns is None:
        return
    usual = sum(waits_first(each) for each in dump.talk.exchanges)
    then = f" for {duration(quiet_ns)}" if quiet_ns > _LONG_NS else ""
    if dump.ended is Ended.STOPPED and not then:  # it may have been about to answer
        then = " before the dump was stopped"
    yield sign(
        "wait without end",
        dump,
        f"The unit asked for patience (WAIT) at {named(last)} and then gave no answer{then}.",
        f"Before, WAIT was followed by an answer {counted(usual, 'time')}." if usual else "",
        heard=last.sendings[-1],
        exchange=last,
        shown=reply.heard.body.hex(" "),
        seconds=quiet_ns // 1_000_000_000,
        usual=usual > 0,
    )


def _quiet_ns(dump: DumpScene, reply: Reply) -> int | None:
    """Return how long nobody spoke of the dump after a WAIT; None where it need not be over."""
    spoke = dump.scene.spoke(Direction.TO_UNIT)
    after = next((each for each in spoke if each.end_ns > reply.end_ns), None)
    is_stopped = dump.ended is Ended.STOPPED
    if not dump.scene.is_timed:
        return 0 if after is not None or is_stopped else None
    end_ns = dump.scene.sight.last_ns if after is None else after.start_ns
    quiet_ns = end_ns - reply.end_ns
    return quiet_ns if quiet_ns > _LONG_NS or is_stopped else None


def _disturbed(scene: Scene, dump: DumpScene) -> Iterator[Sign]:
    """Tell of a message in the middle of a WAIT after which no packet came (T60, HSK-22)."""
    if dump.ended in (Ended.WHOLE, Ended.REFUSED) or not dump.replies(WAIT):
        return
    last, until = dump.talk.exchanges[-1], dump.talk.sent[-1][1].place
    spoke = [each.place for each in scene.spoke(Direction.TO_UNIT)]
    answers = {id(each) for one in scene.followed.course.asked for each in one.answers}
    for other in (*dump.talk.others, *scene.followed.course.loose):
        place = other.place
        if other.direction is not Direction.FROM_UNIT or place < until or id(other) in answers:
            continue
        before = [each for each in dump.talk.replies if each.heard.place < place]
        if not before or before[-1].kind is not WAIT or before[-1] not in last.replies:
            continue
        if any(before[-1].heard.place < each < place for each in spoke):
            continue
        yield sign(
            "message during WAIT",
            dump,
            f"After the unit had asked for patience (WAIT) at {named(last)}, it sent something "
            "else, and no packet followed.",
            heard=other,
            exchange=last,
            shown=other.piece.raw[:8].hex(" "),
            readable=not isinstance(other.message, Malformed),
            over=dump.ended is not Ended.CUT and not dump.talk.is_full,
            still=last.last_reply is before[-1],
            loose=other not in dump.talk.others,
        )
        return


ENDINGS: Final = (ends,)
