"""What the sender did wrong: not waiting, going on, giving up."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.constants import PACKET_LIMIT_NS
from emulator.wire.messages import HandshakeKind
from harness.diagnose.cause import Evidence, Strength, Suspicion
from harness.diagnose.rules_answers_seen import (
    ACK,
    CANCEL,
    NAK,
    WAIT,
    finals,
    is_doubled_there,
    is_plain,
    named,
    suspect,
)
from harness.diagnose.scene import DumpScene, Scene
from harness.judge.dialogue.exchanges import Ended, Exchange
from harness.judge.dialogue.ledger import in_words
from harness.judge.finding import Answerable, Finding, Verdict
from harness.judge.plain import counted
from harness.judge.timed_messages import TimedMessage

_NOTHING_NS: Final = 2_000_000  # back to back, give or take
_SURELY_NS: Final = 18_000_000
"""The 20 ms of an open loop (M1 p. 39), less what drift may take (our choice)."""
_ALIKE_NS: Final = 2_000_000  # pauses that one timer makes
_PROMPT_NS: Final = 30_000_000
_OPEN_NS: Final = 2_060_000_000
"""How long an unanswered header holds a sender up (TIM-01), and a little more."""
_LONG_NS: Final = 3_000_000_000
"""A capture that goes on so long after the last word shows that nothing followed (our choice)."""
_FEW: Final = 3


# Not waiting.


_Pause = tuple[Exchange, TimedMessage, int]
"""A packet that began before the one before it was answered, and how long after its end."""


def impatience(scene: Scene) -> Iterator[Suspicion]:
    """Suspect a sender whose packets all begin before an answer can have come (T22, T52)."""
    for dump in scene.sent if scene.both and scene.is_timed else ():
        if is_doubled_there(dump):
            continue
        pauses = list(_pauses(dump))
        early = _early(pauses)
        if (
            not early
            or early[0][0] is not dump.packets[1]
            or not _is_custom(scene, dump, [each[2] for each in pauses])
        ):
            continue
        exchange, heard, pause_ns = early[0]
        yield suspect(
            "sender does not wait",
            Strength.STRONG if len(early) >= _FEW else Strength.FAIR,
            dump,
            f"{named(exchange).capitalize()} began {in_words(pause_ns)} after the one before it, "
            f"which was not answered yet; so did {counted(len(early), 'packet')} of "
            f"{len(pauses):,}. Due are an answer or 20 ms.",
            heard=heard,
            exchange=exchange,
        )


def _early(pauses: list[_Pause]) -> list[_Pause]:
    return [each for each in pauses if each[2] < _SURELY_NS]


def _pauses(dump: DumpScene) -> Iterator[_Pause]:
    """Yield each packet that began before the one before it was answered, and the pause."""
    sight = dump.scene.sight
    packets = dump.packets
    for one, other in pairwise(packets):
        sent, heard = one.sendings[-1], other.sendings[0]
        if sent.end_ns > heard.end_ns:
            continue
        if len(one.sendings) > 1:
            continue  # what was sent again is no measure of its custom
        start_ns = sight.latest_start_ns(heard) + sight.tolerance_ns
        if any(sent.end_ns <= each.end_ns <= start_ns for each in finals(one)):
            continue
        if not sent.is_sound:
            continue
        yield other, heard, max(sight.pause_ns(sent, heard), 0) + sent.gaps_ns


def _is_custom(scene: Scene, dump: DumpScene, pauses: list[int]) -> bool:
    """Whether pauses come from the sender rather than from something on the way."""
    early = [each for each in pauses if each < _SURELY_NS]
    steps = sum(1 for _ in dump.packets) - 1
    if 4 * len(early) < 3 * steps:
        return False
    if scene.recorded.is_from_port or scene.shows_damage(Direction.TO_UNIT) is False:
        return len(early) > 1
    if _were_answered(dump):
        return True  # a sender that waits does not begin before that answer, whatever moves it
    if max(early) > _NOTHING_NS and max(early) - min(early) > _ALIKE_NS:
        return False  # they scatter: something on the way moves the messages
    return len(early) >= _FEW or _begins_in_time(dump)


def _were_answered(dump: DumpScene) -> bool:
    """Whether most packets were answered, and only after the next one had begun."""
    pairs = list(pairwise(dump.packets))
    over = [
        one
        for one, other in pairs
        if any(each.end_ns > other.sendings[0].start_ns for each in finals(one))
    ]
    return 4 * len(over) >= 3 * len(pairs) and len(over) >= _FEW


def _begins_in_time(dump: DumpScene) -> bool:
    """Whether the first packet came when it should, so that it was not held up on its way."""
    if not dump.headers or not dump.packets:
        return False
    first = dump.packets[0].sendings[0]
    replies = [each.end_ns for each in dump.header_replies if each.end_ns <= first.start_ns]
    if replies:
        return first.start_ns - replies[-1] < _PROMPT_NS
    return first.start_ns - dump.headers[-1].end_ns < _OPEN_NS


def taken_for_the_next(scene: Scene) -> Iterator[Suspicion]:
    """Suspect a sender that goes on after an answer to an earlier packet (T23)."""
    for dump in scene.sent if scene.both and scene.is_timed else ():
        found_all = _of(dump, "TIM-10")
        if not found_all or len(_early(list(_pauses(dump)))) + 1 >= len(dump.packets):
            continue  # one that never waits takes nothing for anything
        for found in found_all:
            yield _told(
                "sender takes a late answer for the next",
                Strength.STRONG,
                dump,
                found,
                "the packet before it was not answered, and it began right after an answer to an "
                "earlier one",
            )


# Going on.


def passing_over(scene: Scene) -> Iterator[Suspicion]:
    """Suspect a sender that does not do what CANCEL, WAIT and NAK ask for."""
    for dump in scene.sent if scene.both else ():
        if is_doubled_there(dump):
            continue
        for clause, kind, cause, text in _PASSED:
            for found in _of(dump, clause):
                if found.answerable is not Answerable.SENDER or found.verdict in (
                    Verdict.NOTED,
                    Verdict.RIG,
                ):
                    continue
                if not dump.replies(kind):
                    continue
                yield _told(cause, Strength.STRONG, dump, found, text)


_PASSED: Final = (
    ("HSK-11", CANCEL, "sender passes over CANCEL", "it came after the unit had said CANCEL"),
    ("HSK-09", WAIT, "sender passes over WAIT", "it came while the unit asked for patience (WAIT)"),
    (
        "HSK-07",
        NAK,
        "sender passes over NAK",
        "it came although the packet before it had been rejected (NAK)",
    ),
    (
        "HSK-10",
        NAK,
        "sender passes over NAK",
        "it came although the packet before it had been rejected (NAK)",
    ),
    ("PKT-13", NAK, "sender passes over NAK", "it came although the header had been rejected"),
)


def _of(dump: DumpScene, clause: str) -> list[Finding]:
    return [each for each in dump.findings if each.clause == clause]


def _told(cause: str, strength: Strength, dump: DumpScene, found: Finding, text: str) -> Suspicion:
    packet = found.at.packet
    what = "A packet" if packet is None else f"Packet {packet:,}"
    evidence = Evidence(text=f"{what} was sent too soon: {text}.", at=found.at)
    return Suspicion(
        cause=cause, strength=strength, evidence=(evidence,), at=found.at, dump=dump.index
    )


# Giving up.


def giving_up(scene: Scene) -> Iterator[Suspicion]:
    """Suspect the sender where a dump ends after a yes (ACK), with packets to go (T29)."""
    for dump in scene.sent if scene.both else ():
        last = dump.talk.exchanges[-1]
        reply = last.last_reply
        if reply is None or reply.kind is not ACK or dump.talk.is_full or not _has_ended(dump):
            continue
        if last.place is None:
            yield _at_the_header(dump, last, reply.message.packet_number)
        yield suspect(
            "sender gave up",
            Strength.FAIR if dump.ended is Ended.STOPPED else Strength.WEAK,
            dump,
            f"{named(last).capitalize()} was accepted (ACK), and "
            + (
                "then the sender broke the dump off (CANCEL)."
                if dump.ended is Ended.STOPPED
                else "no further packet came."
            ),
            heard=last.sendings[-1],
            exchange=last,
        )


def _at_the_header(dump: DumpScene, header: Exchange, number: int) -> Suspicion:
    found = suspect(
        "sender insists on a number",
        Strength.STRONG if number else Strength.WEAK,
        dump,
        f"The header was accepted (ACK) with number {number}, and no packet followed.",
        exchange=header,
        heard=header.sendings[-1],
    )
    return replace(found, because="") if number else found


def _has_ended(dump: DumpScene) -> bool:
    """Whether a dump is surely over, and not only the capture."""
    if dump.ended is Ended.STOPPED:
        return True
    quiet_ns = dump.scene.sight.last_ns - dump.talk.active_ns
    goes_on = dump.talk.goes_on_ns is not None
    return dump.ended in (Ended.GIVEN_UP, Ended.SHORT, Ended.REPLACED) and (
        goes_on or (dump.scene.is_timed and quiet_ns > _LONG_NS)
    )


def waiting_at_the_end(scene: Scene) -> Iterator[Suspicion]:
    """Suspect a sender that cannot do without an answer to the last packet (T31)."""
    for dump in scene.sent if scene.both else ():
        last = dump.talk.exchanges[-1]
        if last.place is None or last.replies or not dump.talk.is_full:
            continue
        answered = [each for each in dump.packets if each.replies]
        if len(answered) + 1 < len(dump.packets) or not answered:
            continue
        broke_off = any(message.kind is HandshakeKind.CANCEL for _, message in dump.talk.handshakes)
        if not broke_off and len(last.sendings) < _FEW:
            continue
        if not is_plain(last.best):
            continue
        yield suspect(
            "sender waits at the end",
            Strength.FAIR,
            dump,
            "The last packet got no answer, as with some units, and the sender "
            + ("broke the dump off." if broke_off else "sent it again and again."),
            heard=last.sendings[0],
            exchange=last,
        )


# Remarks.


def leisure(scene: Scene) -> Iterator[Suspicion]:
    """Tell of a sender that takes its time after most answers (T59)."""
    for dump in scene.sent if scene.both and scene.is_timed else ():
        slow = [
            (one, other)
            for one, other in pairwise(dump.packets)
            if _idle_ns(one, other) > 5 * PACKET_LIMIT_NS + dump.scene.sight.tolerance_ns
        ]
        if len(slow) < _FEW or 2 * len(slow) < len(dump.packets):
            continue
        yield suspect(
            "slow sender",
            Strength.SURE,
            dump,
            f"After {counted(len(slow), 'answer')} more than 100 ms passed before the next packet "
            "began.",
            heard=slow[0][1].sendings[0],
            exchange=slow[0][1],
        )


def _idle_ns(one: Exchange, other: Exchange) -> int:
    start_ns = other.sendings[0].start_ns
    acks = [each.end_ns for each in one.replies if each.kind is ACK and each.end_ns <= start_ns]
    return start_ns - acks[-1] if acks else 0


SENDER_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    impatience,
    taken_for_the_next,
    passing_over,
    giving_up,
    waiting_at_the_end,
    leisure,
)
