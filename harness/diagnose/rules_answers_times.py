"""Answers that are missing or late, and messages that come back."""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final

from emulator.wire.messages import Handshake
from harness.diagnose.cause import Evidence, Strength, Suspicion
from harness.diagnose.rules_answers_seen import (
    ACK,
    CANCEL,
    HABIT,
    NAK,
    TIME_NS,
    WAIT,
    answers,
    echoes_in,
    finals,
    has_waits,
    is_doubled_there,
    is_plain,
    limit_ns,
    named,
    steps,
    suspect,
    waits_first,
    way_strength,
)
from harness.diagnose.scene import DumpScene, Scene
from harness.judge.dialogue.exchanges import Ended, Exchange, Reply
from harness.judge.dialogue.ledger import in_words
from harness.judge.plain import counted
from harness.judge.timed_messages import TimedMessage


def lost_answers(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way back where a message that arrived got no answer, and later ones did."""
    for dump in scene.sent if scene.both else ():
        silent = list(_silent(dump)) if dump.talk.replies else []
        if not silent:
            continue
        exchange, sending = silent[0]
        again = " It was answered when it was sent again." if finals(exchange) else ""
        found = suspect(
            "answers lost on the way back",
            way_strength(dump),
            dump,
            f"There is no answer to {named(exchange)}, and there is one to what came later.{again}",
            heard=sending,
            exchange=exchange,
        )
        yield _with_count(found, len(silent), "got no answer")


def _silent(dump: DumpScene) -> Iterator[tuple[Exchange, TimedMessage]]:
    """Yield what was not answered although the receiver spoke again later."""
    ends = sorted(each.end_ns for each in dump.talk.replies)
    last_ns = ends[-1]
    before: TimedMessage | None = None
    for exchange, at, heard, after in steps(dump):
        previous, before = before, heard
        if answers(exchange, at) or exchange.jump or not is_plain(heard):
            continue
        if after is None or last_ns < after.end_ns or not _has_left_time(dump, heard, after):
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
    if any(each.kind is NAK for each in exchange.replies):
        return False
    later = any(each.sending > at for each in exchange.replies)
    return later and len(finals(exchange)) < len(exchange.sendings)


def _has_left_time(dump: DumpScene, one: TimedMessage, other: TimedMessage) -> bool:
    return not dump.scene.is_timed or dump.scene.sight.pause_ns(one, other) >= TIME_NS


def _is_apart(dump: DumpScene, ends: list[int], one: TimedMessage, other: TimedMessage) -> bool:
    """Whether there was an answer or a pause between two messages."""
    if not dump.scene.is_timed:
        return True
    pause_ns = dump.scene.sight.pause_ns(one, other)
    spoke = bisect_left(ends, one.end_ns) < bisect_right(ends, other.start_ns)
    return spoke or pause_ns >= TIME_NS


def lost_at_the_end(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way back where answers cease and the dump goes on to its end.

    That the unit fell silent looks the same, unless it proves later to have taken everything.
    """
    for dump in scene.sent if scene.both else ():
        packets, silent = dump.packets, _ceased(dump.packets)
        if not dump.talk.replies or dump.ended is not Ended.WHOLE or is_doubled_there(dump):
            continue
        if len(silent) < HABIT or len(silent) == len(packets):
            continue  # the last one alone is left unanswered by some
        if not all(is_plain(one) and not each.jump for each in silent for one in each.sendings):
            continue
        back = dump.returned
        whole = back is not None and back.ended is Ended.WHOLE
        later = ", and the unit sent the whole sample back later" if whole else ""
        yield suspect(
            "answers lost on the way back",
            Strength.FAIR,
            dump,
            f"From {named(silent[0])} on there is no answer{later}.",
            heard=silent[0].sendings[0],
            exchange=silent[0],
        )


def lost_and_given_up(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way back where a sender broke off at the first message without an answer."""
    for dump in scene.sent if scene.both else ():
        last = dump.talk.exchanges[-1]
        if dump.ended is not Ended.STOPPED or last.replies or not dump.talk.replies:
            continue
        if last.jump or dump.talk.is_full or is_doubled_there(dump):
            continue
        if not all(is_plain(each) for each in last.sendings):
            continue
        # Sent again and again in vain, it is rather the unit that is gone.
        strong = way_strength(dump) is Strength.STRONG and len(last.sendings) == 1
        yield suspect(
            "answers lost on the way back",
            Strength.FAIR if strong else Strength.WEAK,
            dump,
            f"There is no answer to {named(last)}, and the sender broke the dump off.",
            heard=last.sendings[0],
            exchange=last,
        )


def _ceased(packets: tuple[Exchange, ...]) -> list[Exchange]:
    silent: list[Exchange] = []
    for each in reversed(packets):
        if each.replies:
            break
        silent.insert(0, each)
    return silent


def lost_beside_waits(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way back where a unit that says WAIT before each ACK once said one of them."""
    for dump in scene.sent if scene.both else ():
        for exchange in dump.packets if has_waits(dump) else ():
            if waits_first(exchange) or not exchange.replies:
                continue
            what = _half_of_it(dump, exchange)
            if what is None:
                continue
            yield suspect(
                "answers lost on the way back",
                Strength.STRONG if what == "WAIT" else Strength.FAIR,
                dump,
                f"The unit says WAIT and then yes (ACK) to every packet, and to {named(exchange)} "
                f"there is no {what}.",
                heard=exchange.sendings[0],
                exchange=exchange,
            )


def _half_of_it(dump: DumpScene, exchange: Exchange) -> str | None:
    kinds = [each.kind for each in exchange.replies]
    if kinds[0] is ACK and _is_late(dump, exchange, 0, exchange.replies[0]):
        return "WAIT"
    usual = sum(waits_first(each) for each in dump.talk.exchanges)
    held = kinds == [WAIT] and dump.talk.exchanges[-1] is exchange
    return "ACK" if held and usual >= HABIT else None


def late_answers(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the way back, or a slow unit, where answers come behind their time (T23)."""
    for dump in scene.sent if scene.both and scene.is_timed else ():
        waits = has_waits(dump)
        late = [each for each in _late(dump) if not waits or each[2].kind is WAIT]
        if not late:
            continue
        exchange, sending, reply = late[0]
        # Where the sender waited for each of them, nothing came of it.
        waited = all(_was_waited_for(dump, one, answer) for one, _, answer in late)
        found = suspect(
            "answers late",
            Strength.WEAK if waited else way_strength(dump),
            dump,
            f"The answer to {named(exchange)} came "
            f"{in_words(reply.end_ns - sending.end_ns)} after its end; due are "
            f"{in_words(limit_ns(exchange))}.",
            heard=sending,
            exchange=exchange,
        )
        yield _with_count(found, len(late), "were answered too late")


def _late(dump: DumpScene) -> Iterator[tuple[Exchange, TimedMessage, Reply]]:
    for exchange in dump.talk.exchanges:
        if not all(is_plain(each) for each in exchange.sendings):
            continue
        for at, sending in enumerate(exchange.sendings):
            mine = answers(exchange, at)
            if not mine or mine[0].kind in (NAK, CANCEL):
                continue  # a late no is about what the unit has not understood
            if _is_late(dump, exchange, at, mine[0]):
                yield exchange, sending, mine[0]
                break
        else:
            yield from _late_behind_a_copy(dump, exchange)


def _was_waited_for(dump: DumpScene, exchange: Exchange, reply: Reply) -> bool:
    """Whether the sender said nothing between a message and its answer."""
    since_ns = exchange.sendings[0].end_ns
    return not any(since_ns < heard.start_ns < reply.end_ns for _, heard in dump.talk.sent)


def _late_behind_a_copy(
    dump: DumpScene, exchange: Exchange
) -> Iterator[tuple[Exchange, TimedMessage, Reply]]:
    """Yield a message that was sent again before it was answered, and then answered twice."""
    sendings = exchange.sendings
    if len(sendings) < HABIT or answers(exchange, 0) or not exchange.replies:
        return
    enough = len(finals(exchange)) >= len(sendings)
    if enough and _has_left_time(dump, sendings[0], sendings[1]):
        yield exchange, sendings[0], exchange.replies[0]


def _is_late(dump: DumpScene, exchange: Exchange, at: int, reply: Reply) -> bool:
    taken_ns = reply.end_ns - exchange.sendings[at].end_ns
    return taken_ns - dump.scene.sight.tolerance_ns > limit_ns(exchange)


def echoes(scene: Scene) -> Iterator[Suspicion]:
    """Tell of messages that came back (T48)."""
    back = echoes_in(scene) if scene.both else []
    # Both sides may say the same handshake of their own accord.
    found = [each for each in back if not isinstance(each[0].message, Handshake)]
    if not found:
        return
    heard, source = found[0]
    whose = {
        id(sending): (dump, exchange) for dump in scene.sent for exchange, sending in dump.talk.sent
    }
    dump, exchange = whose.get(id(source), (None, None))
    place = scene.place(source, exchange)
    what = "a message" if exchange is None else named(exchange)
    text = f"{what[0].upper()}{what[1:]} came back as it was"
    more = f"; so did {counted(len(found), 'message')} in all" if len(found) > 1 else ""
    yield Suspicion(
        cause="messages come back",
        strength=Strength.SURE if len(found) > 1 else Strength.STRONG,
        evidence=(Evidence(text=f"{text}{more}.", at=place, shown=heard.body[:6].hex(" ")),),
        at=place,
        dump=None if dump is None else dump.index,
    )


def _with_count(found: Suspicion, count: int, what: str) -> Suspicion:
    if count == 1:
        return found
    more = Evidence(text=f"In all {counted(count, 'message')} {what}.")
    return replace(found, evidence=(*found.evidence, more))


TIMES_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    lost_answers,
    lost_at_the_end,
    lost_and_given_up,
    lost_beside_waits,
    late_answers,
    echoes,
)
