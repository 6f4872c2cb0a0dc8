"""The unit ends a dump, or holds it up: CANCEL and WAIT."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final

from emulator.dump.capture import Direction
from harness.diagnose.cause import Evidence, Strength, Suspicion
from harness.diagnose.rules_answers_seen import (
    ACK,
    CANCEL,
    NAK,
    WAIT,
    is_plain,
    named,
    suspect,
    waits_first,
)
from harness.diagnose.scene import DumpScene, Scene
from harness.judge.dialogue.exchanges import Ended, Exchange, Reply
from harness.judge.dialogue.ledger import in_words
from harness.judge.plain import counted
from harness.judge.timed_messages import TimedMessage

_WIDTHS: Final = range(8, 29)  # bits, M1 p. 37
_LONG_NS: Final = 1_500_000_000
"""Silence after WAIT that is more than a pause (our choice; the standard has no limit)."""
_VERY_LONG_NS: Final = 20_000_000_000


def refusals(scene: Scene) -> Iterator[Suspicion]:
    """Suspect that the unit cannot or will not take the sample: CANCEL to the header (T06)."""
    for dump in scene.sent if scene.both else ():
        told = [each for each in dump.header_replies if each.kind is CANCEL and each.binds]
        if not told or not all(each.is_sound for each in dump.headers):
            continue  # a damaged header has every right to be refused
        strength = Strength.STRONG if _can_be(dump) else Strength.FAIR
        if any(each.clause == "HDR-12" for each in dump.findings):
            strength = Strength.WEAK  # its values look reversed, which is what was refused
        first = dump.talk.exchanges[0]
        yield suspect(
            "unit refuses the sample",
            strength,
            dump,
            "The unit answered the header with CANCEL"
            + (", before any packet." if not dump.packets else "."),
            heard=dump.headers[-1],
            exchange=first,
            shown=told[0].heard.body.hex(" "),
        )


def _can_be(dump: DumpScene) -> bool:
    """Whether a header has nothing in it that no unit could take, or that the source has not."""
    header, source = dump.header, dump.source
    if header is None or header.bits not in _WIDTHS or not header.length:
        return False
    arrived = dump.scene.shows_damage(Direction.TO_UNIT)
    return not (arrived and source is not None and dump.headers[-1].body != source.header_bytes)


def cancels(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the memory, or somebody at the unit: CANCEL while packets are right (T07, T08)."""
    for dump in scene.sent if scene.both else ():
        found = _cancelled(dump)
        if found is None or _has_reason(dump, found[0]):
            continue
        exchange, reply = found
        full, stopped, more = _told_by_others(scene, dump, exchange)
        for cause, strength in (("memory full", full), ("stopped at the unit", stopped)):
            if strength is None:
                continue
            one = suspect(
                cause,
                strength,
                dump,
                f"The unit answered {named(exchange)} with CANCEL, and that packet and all before "
                "it are right.",
                heard=exchange.sendings[-1],
                exchange=exchange,
                shown=reply.heard.body.hex(" "),
            )
            also = (Evidence(text=more),) if more else ()
            yield replace(one, evidence=(*one.evidence, *also))


def _cancelled(dump: DumpScene) -> tuple[Exchange, Reply] | None:
    for exchange in dump.packets:
        for reply in exchange.replies:
            if reply.kind is CANCEL and reply.binds:
                return exchange, reply
    return None


def _has_reason(dump: DumpScene, exchange: Exchange) -> bool:
    """Whether something else that was seen explains why the unit ended the dump."""
    place = exchange.place or 0
    if dump.planned is not None and place >= dump.planned:
        return True  # a packet too many
    until = [each for each in dump.packets if (each.place or 0) <= place]
    if any(each.jump for each in until):
        return True
    if any(_was_rejected(each) for each in (*until[-2:], exchange)):
        return True  # rejected again and again, it is given up in the end
    if any(_was_rejected(each) and not _was_taken(each) for each in until):
        return True
    # A packet that came damaged and was taken when it came again is done with.
    return any(not is_plain(each) for one in until[-2:] for each in one.sendings)


def _was_rejected(exchange: Exchange) -> bool:
    return any(each.kind is NAK for each in exchange.replies)


def _was_taken(exchange: Exchange) -> bool:
    return any(each.kind is ACK for each in exchange.replies)


def _told_by_others(
    scene: Scene, dump: DumpScene, exchange: Exchange
) -> tuple[Strength | None, Strength | None, str]:
    """Return how likely memory and a hand are, by what became of the same dump other times."""
    others = [each for each in scene.sent if each is not dump and _is_same(each, dump)]
    if _has_gap(dump, exchange):
        return Strength.WEAK, Strength.WEAK, "A packet before it had got no answer."
    ends = [_cancelled(each) for each in others]
    places = [end[0].place for end in ends if end is not None]
    if places and all(each == exchange.place for each in places):
        times = counted(len(places) + 1, "time")
        return Strength.STRONG, None, f"It was sent {times}, and each time ended at this packet."
    got_further = [each for each in others if each.talk.packets > (exchange.place or 0) + 1]
    if got_further or places:
        return Strength.WEAK, Strength.STRONG, "The same dump went further another time."
    if any(_had_room(each, dump, exchange) for each in scene.sent):
        return Strength.WEAK, Strength.FAIR, "Another dump, later, had room for more packets."
    return Strength.FAIR, Strength.FAIR, ""


def _has_gap(dump: DumpScene, exchange: Exchange) -> bool:
    """Whether a packet before got no answer though another did: the unit may not have had it."""
    before = [each for each in dump.packets if (each.place or 0) < (exchange.place or 0)]
    answered = [bool(each.replies) for each in before]
    return any(answered) and not all(answered)


def _had_room(later: DumpScene, dump: DumpScene, exchange: Exchange) -> bool:
    """Whether a later dump that was taken whole is longer than what was taken of this one.

    An earlier one says nothing: it may be what filled the memory.
    """
    if later.index <= dump.index or later.header is None or dump.header is None:
        return False
    taken = later.ended is Ended.WHOLE and all(_was_taken(each) for each in later.packets[:-1])
    longer = later.talk.packets > (exchange.place or 0) + 1
    return taken and longer and later.header.bits == dump.header.bits


def _is_same(one: DumpScene, other: DumpScene) -> bool:
    return one.header is not None and one.header == other.header


def waits(scene: Scene) -> Iterator[Suspicion]:
    """Suspect that the unit waits for a key or a disk: WAIT, and nothing after it (T09)."""
    for dump in scene.sent if scene.both else ():
        last = dump.talk.exchanges[-1]
        reply = last.last_reply
        if reply is None or reply.kind is not WAIT or not reply.binds:
            continue
        if last.jump or not all(is_plain(each) for each in last.sendings):
            continue
        quiet_ns = _quiet_ns(dump, reply)
        if quiet_ns is None:
            continue
        usual = sum(waits_first(each) for each in dump.talk.exchanges)
        yield from _missing_answer(dump, last, usual)
        how_long = f" for {in_words(quiet_ns)}" if quiet_ns > _LONG_NS else ""
        if dump.ended is Ended.STOPPED and not how_long:  # it may have been about to answer
            how_long = " before the dump was stopped"
        yield suspect(
            "unit waits for somebody",
            _how_long(quiet_ns, usual),
            dump,
            f"The unit asked for patience (WAIT) at {named(last)} and then gave no answer"
            f"{how_long}.",
            heard=last.sendings[-1],
            exchange=last,
            shown=reply.heard.body.hex(" "),
        )


def _missing_answer(dump: DumpScene, last: Exchange, usual: int) -> Iterator[Suspicion]:
    """Suspect the way back: a unit that says WAIT before each yes has said no more than WAIT."""
    before = f"as before {counted(usual, 'other message')} " if usual else ""
    yield suspect(
        "answers lost on the way back",
        Strength.FAIR if usual else Strength.WEAK,
        dump,
        f"WAIT came {before}and the answer behind it did not.",
        heard=last.sendings[-1],
        exchange=last,
    )


def _how_long(quiet_ns: int, usual: int) -> Strength:
    if usual:
        return Strength.WEAK
    return Strength.STRONG if quiet_ns > _VERY_LONG_NS else Strength.FAIR


def _quiet_ns(dump: DumpScene, reply: Reply) -> int | None:
    """Return how long nobody spoke of the dump after a WAIT; None where it need not be over."""
    after = _next_of_sender(dump, reply)
    if not dump.scene.is_timed:
        return 0 if after is not None or dump.ended is Ended.STOPPED else None
    end_ns = dump.scene.sight.last_ns if after is None else after.start_ns
    quiet_ns = end_ns - reply.end_ns
    return quiet_ns if quiet_ns > _LONG_NS or dump.ended is Ended.STOPPED else None


def _next_of_sender(dump: DumpScene, reply: Reply) -> TimedMessage | None:
    spoke = dump.scene.spoke(Direction.TO_UNIT)
    return next((each for each in spoke if each.end_ns > reply.end_ns), None)


END_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (refusals, cancels, waits)
