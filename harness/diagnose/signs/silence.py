"""Messages without an answer: one, from some packet on, the last one, all of them.

Theory of operation.  An answer is missing where the message was lost on its way, where the answer
was, where the unit was not ready or is gone, and where it never answers.  Which of these can be is
for the table; a sign says what came before and after the silence.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.constants import HEADER_LIMIT_NS, PACKET_LIMIT_NS
from emulator.wire.messages import ExtendedHeader
from emulator.wire.prose import counted
from harness.diagnose.scene import (
    ACK,
    CANCEL,
    HABIT,
    NAK,
    TIME_NS,
    WAIT,
    DumpScene,
    Scene,
    are_plain,
    finals,
    is_clear,
    is_plain,
    is_sent_twice,
    named,
    waits_first,
    was_told,
)
from harness.diagnose.sign import Sign, sign
from harness.diagnose.signs.requests import is_unanswered
from harness.judge.dialogue.exchanges import Ended, Exchange
from harness.judge.finding import Verdict
from harness.judge.kept import is_alike
from harness.judge.timed_messages import TimedMessage

_QUIET_NS: Final = 2_500_000_000
"""A capture that goes on so long shows that no answer came (our choice)."""
_JUST_BEFORE_NS: Final = 3_000_000_000
_ENDED_BADLY: Final = (Ended.GIVEN_UP, Ended.SHORT, Ended.STOPPED, Ended.REPLACED)
_CUSTOMS: Final = {"HSK-02": "numbers by a custom", "EXT-08": "extended header without need"}
_OPEN_NS: Final = 25_000_000
"""A pause that a sender leaves where it heard no answer: 20 ms (M1 p. 39), and a little more."""


def nothing(scene: Scene) -> Iterator[Sign]:
    """Tell of a unit that never says a word (T01, T02); that some never do is told with it."""
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
    for dump in scene.sent if scene.both else ():
        if not any(each.replies for each in dump.packets):
            yield from _none_of_packets(dump)
        if dump.talk.replies:
            yield from _one(dump)
            yield from _from_there_on(dump)
            yield from _half(dump)
        yield from _extended(dump)


def _none_of_packets(dump: DumpScene) -> Iterator[Sign]:
    """Tell of a unit that speaks, and not to packets (T01, T59)."""
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
        spoke=spoke,
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
        arrived=dump.scene.shows_arrived,
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
    if was_told(exchange, NAK):
        return False
    later = exchange.replies and exchange.replies[-1].sending > at
    return bool(later) and len(finals(exchange)) < len(exchange.sendings)


def has_left_time(dump: DumpScene, one: TimedMessage, other: TimedMessage) -> bool:
    """Whether a sender left time for an answer between two messages."""
    return not dump.scene.is_timed or dump.scene.sight.pause_ns(one, other) >= TIME_NS


def _is_apart(dump: DumpScene, ends: list[int], one: TimedMessage, other: TimedMessage) -> bool:
    """Whether there was an answer or a pause between two messages."""
    if not dump.scene.is_timed:
        return True
    spoke = bisect_left(ends, one.end_ns) < bisect_right(ends, other.start_ns)
    return spoke or dump.scene.sight.pause_ns(one, other) >= TIME_NS


# From some packet on.


def _from_there_on(dump: DumpScene) -> Iterator[Sign]:
    packets = dump.packets
    silent: list[Exchange] = []
    for each in reversed(packets):
        if each.replies:
            break
        silent.append(each)
    if not silent:
        return
    silent.reverse()
    first, last = silent[0], silent[-1]
    sendings = sum(len(each.sendings) for each in silent)
    quiet_ns = dump.scene.sight.last_ns - dump.talk.last_ns
    broke_off = any(message.kind is CANCEL for _, message in dump.talk.handshakes)
    whole = dump.came_back_whole
    if dump.talk.is_full and len(silent) == 1:
        others = [each for each in packets[:-1] if each.replies]
        if others and len(others) + 1 >= len(packets) and is_plain(last.best):
            yield sign(
                "last packet unanswered",
                dump,
                f"{named(last).capitalize()}, the last one, got no answer, and all others did"
                + ("; the sender broke the dump off." if broke_off else "."),
                heard=last.sendings[0],
                exchange=last,
                sendings=len(last.sendings),
                stopped=broke_off,
                whole=dump.ended is Ended.WHOLE,
                quiet=dump.scene.is_timed and quiet_ns >= _OPEN_NS,
            )
        return
    then = "."
    if dump.ended is Ended.STOPPED:
        then = ", and the sender broke the dump off."
    elif whole:
        then = ", and the unit sent the whole sample back later."
    elif dump.spoke_later:
        then = ". It answered other things later."
    yield sign(
        "answers cease",
        dump,
        f"From {named(first)} on the unit said nothing to {counted(sendings, 'message')}{then}",
        heard=first.sendings[0],
        exchange=first,
        packets=len(silent),
        sendings=sendings,
        every=len(silent) == len(packets),
        whole=dump.ended is Ended.WHOLE,
        stopped=dump.ended is Ended.STOPPED,
        back=whole,
        spoke=dump.spoke_later,
        quiet=dump.scene.is_timed and quiet_ns > _QUIET_NS,
        clear=not any(each.jump for each in silent)
        and all(is_clear(one) for each in silent for one in each.sendings),
        plain=not any(each.jump for each in silent) and all(map(are_plain, silent)),
        last_plain=not last.jump and are_plain(last),
        doubled=dump.is_doubled_there,
        twice=any(map(is_sent_twice, silent)),
        arrived=dump.scene.shows_arrived,
        last_sendings=len(last.sendings),
        full=dump.talk.is_full,
    )


def _half(dump: DumpScene) -> Iterator[Sign]:
    """Tell of a unit that says WAIT before each ACK and once said only one of them."""
    usual = sum(waits_first(each) for each in dump.talk.exchanges)
    for exchange in dump.packets if dump.has_waits else ():
        if waits_first(exchange) or not exchange.replies:
            continue
        kinds = [each.kind for each in exchange.replies]
        what = ""
        if kinds[0] is ACK and is_late(dump, exchange, 0):
            what = "WAIT"
        elif kinds == [WAIT] and dump.talk.exchanges[-1] is exchange and usual >= HABIT:
            what = "ACK"
        if what:
            yield sign(
                "half an answer",
                dump,
                f"The unit says WAIT and then yes (ACK) to every packet, and to {named(exchange)} "
                f"there is no {what}.",
                heard=exchange.sendings[0],
                exchange=exchange,
                lacks=what,
            )


def is_late(dump: DumpScene, exchange: Exchange, at: int) -> bool:
    """Whether the first answer to a sending came behind its time (TIM-02, TIM-04)."""
    limit_ns = HEADER_LIMIT_NS if exchange.place is None else PACKET_LIMIT_NS
    taken_ns = dump.answers(exchange, at)[0].end_ns - exchange.sendings[at].end_ns
    return taken_ns - dump.scene.sight.tolerance_ns > limit_ns


def _extended(dump: DumpScene) -> Iterator[Sign]:
    """Tell of an extended header and packets without an answer, where the unit is there (T54)."""
    header = dump.header
    if not isinstance(header, ExtendedHeader) or dump.talk.replies or not dump.packets:
        return
    others = [
        each.header
        for each in dump.scene.sent
        if each.header is not None
        and not isinstance(each.header, ExtendedHeader)
        and any(reply.kind is ACK for reply in each.talk.replies)
    ]
    same = any(each.sample_number == header.sample_number for each in others)
    if others or dump.spoke_later:
        yield sign(
            "extended header unanswered",
            dump,
            f"The extended header and {counted(len(dump.packets), 'packet')} got no answer"
            + (", and the same with the standard header did." if same else ", and the unit lives."),
            heard=dump.headers[0] if dump.headers else None,
            exchange=dump.talk.exchanges[0],
            same=same,
        )


def sensing(scene: Scene) -> Iterator[Sign]:
    """Tell of active sensing that ceased where the dump was lost right after it (T20, TIM-09)."""
    ceased = [each for each in scene.verdicts.findings if each.clause == "TIM-09"]
    for dump in scene.sent if scene.both and scene.is_timed and ceased else ():
        packets = dump.packets
        unheard = dump.header_replies and len(packets) > 1 and not any(e.replies for e in packets)
        if dump.ended not in _ENDED_BADLY and not unheard:
            continue
        since_ns = dump.talk.sent[0][1].start_ns - _JUST_BEFORE_NS
        for each in ceased:
            at_ns = each.at.time_ns
            is_senders = each.answerable is dump.talk.sender
            if is_senders and at_ns is not None and since_ns <= at_ns < dump.talk.last_ns:
                text = (
                    "The sender's active sensing fell silent for more than 300 ms, and the unit "
                    "took nothing of the dump after that."
                )
                yield sign("sensing ceased", dump, text, at=each.at)
                break


def customs(scene: Scene) -> Iterator[Sign]:
    """Tell of customs that the judge calls bent and that do no harm."""
    for dump in scene.sent:
        for each in dump.findings:
            if each.verdict is Verdict.BENT and each.clause in _CUSTOMS:
                yield sign(_CUSTOMS[each.clause], dump, each.message, at=each.at)


SILENCE: Final = (nothing, silence, sensing, customs)
