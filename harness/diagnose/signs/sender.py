"""What the sender did against the standard: not waiting, and going on."""

from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from emulator.wire.prose import counted, duration
from harness.diagnose.scene import (
    CANCEL,
    HABIT,
    NAK,
    WAIT,
    DumpScene,
    Scene,
    are_plain,
    finals,
    named,
    was_told,
)
from harness.diagnose.sign import Sign, sign
from harness.judge.dialogue.exchanges import Exchange
from harness.judge.finding import Answerable, Verdict
from harness.judge.timed_messages import TimedMessage

_NOTHING_NS: Final = 2_000_000  # back to back, give or take
_SURELY_NS: Final = 18_000_000
"""The 20 ms of an open loop (M1 p. 39), less what drift may take (our choice)."""
_ALIKE_NS: Final = 2_000_000  # pauses that one timer makes
_PROMPT_NS: Final = 30_000_000
_HEADER_NS: Final = 2_060_000_000
"""How long an unanswered header holds a sender up (TIM-01), and a little more."""
_CLOSE_NS: Final = 25_000_000
"""A pause that a sender leaves where it heard no answer: 20 ms, and a little more."""
_FEW: Final = 3
_LITTLE_NS: Final = 4_100_000  # a tenth of a packet
_STEADY_NS: Final = 500_000
_BACK_TO_BACK_NS: Final = 100_000
_PASSED: Final = (
    ("HSK-11", CANCEL, "CANCEL", "it came after the unit had said CANCEL"),
    ("HSK-09", WAIT, "WAIT", "it came while the unit asked for patience (WAIT)"),
    ("HSK-07", NAK, "NAK", "it came although the packet before it had been rejected (NAK)"),
    ("HSK-10", NAK, "NAK", "it came although the packet before it had been rejected (NAK)"),
    ("PKT-13", NAK, "NAK", "it came although the header had been rejected"),
)
"""Clauses on what a sender does after an answer, the answer, its name, and what was done."""


def passing_over(scene: Scene) -> Iterator[Sign]:
    """Tell of a sender that does not do what CANCEL, WAIT and NAK ask for, or takes one wrongly."""
    for dump in scene.sent if scene.both else ():
        own = [each for each in dump.findings if each.answerable is Answerable.SENDER]
        broken = [each for each in own if each.verdict in (Verdict.BROKEN, Verdict.BENT)]
        if not dump.is_doubled_there:
            for clause, kind, name, what in _PASSED:
                for found in broken:
                    if found.clause == clause and dump.replies(kind):
                        text = f"{_packet(found.at.packet)} was sent too soon: {what}."
                        yield sign("answer passed over", dump, text, at=found.at, answer=name)
        late = [each for each in dump.findings if each.clause == "TIM-10"] if scene.is_timed else []
        if late and len(_early(list(_unanswered(dump)))) + 1 < len(dump.packets):
            for found in late:  # one that never waits takes nothing for anything
                yield sign(
                    "late answer taken",
                    dump,
                    f"{_packet(found.at.packet)} was sent too soon: the packet before it was not "
                    "answered, and it began right after an answer to an earlier one.",
                    at=found.at,
                )


def _packet(packet: int | None) -> str:
    return "A packet" if packet is None else f"Packet {packet:,}"


# Not waiting.

_Pause = tuple[Exchange, TimedMessage, int]
"""A packet that began before the one before it was answered, and how long after its end."""


def impatience(scene: Scene) -> Iterator[Sign]:
    """Tell of packets that begin before an answer can have come (T22, T52)."""
    for dump in scene.sent if scene.both and scene.is_timed else ():
        pauses = list(_unanswered(dump))
        early = _early(pauses)
        is_first = bool(early) and early[0][0] is dump.packets[1]
        fast_ns = _is_line_fast(dump, early) if len(early) >= _FEW else None
        if fast_ns is not None:
            exchange, heard, _ = early[0]
            yield sign(
                "line too fast by a little",
                dump,
                f"Each packet is there {duration(fast_ns)} sooner than a MIDI line carries one "
                "after the answer before it.",
                heard=heard,
                exchange=exchange,
            )
        elif not dump.is_doubled_there and is_first and _is_custom(scene, dump, early):
            exchange, heard, pause_ns = early[0]
            yield sign(
                "does not wait",
                dump,
                f"{named(exchange).capitalize()} began {duration(pause_ns)} after the one before "
                f"it, which was not answered yet; so did {counted(len(early), 'packet')} of "
                f"{len(pauses):,}. Due are an answer or 20 ms.",
                heard=heard,
                exchange=exchange,
                count=len(early),
            )
        yield from _overrun(dump)


def _early(pauses: list[_Pause]) -> list[_Pause]:
    return [each for each in pauses if each[2] < _SURELY_NS]


def _unanswered(dump: DumpScene) -> Iterator[_Pause]:
    sight = dump.scene.sight
    for one, other in pairwise(dump.packets):
        sent, heard = one.sendings[-1], other.sendings[0]
        # What was sent again is no measure of its custom.
        if sent.end_ns > heard.end_ns or len(one.sendings) > 1 or not sent.is_sound:
            continue
        start_ns = sight.latest_start_ns(heard) + sight.tolerance_ns
        if not any(sent.end_ns <= each.end_ns <= start_ns for each in finals(one)):
            yield other, heard, max(sight.pause_ns(sent, heard), 0) + sent.gaps_ns


def _is_line_fast(dump: DumpScene, early: list[_Pause]) -> int | None:
    """Return by how much packets seem to begin before the answer that each waits for.

    None where it is not the same for all: who does not wait keeps to a pause and to no answer.
    """
    before = {id(two): one for one, two in pairwise(dump.packets)}
    overlaps = []
    for exchange, heard, _ in early:
        ends = [e.end_ns for e in finals(before[id(exchange)]) if e.end_ns > heard.start_ns]
        if not ends:
            return None
        overlaps.append(ends[0] - heard.start_ns)
    pauses = [pause_ns for _, _, pause_ns in early]
    spread_ns = max(overlaps) - min(overlaps)
    is_pause = spread_ns >= max(pauses) - min(pauses) and min(pauses) < _BACK_TO_BACK_NS
    is_steady = spread_ns < _STEADY_NS and not is_pause
    return max(overlaps) if is_steady and max(overlaps) < _LITTLE_NS else None


def _is_custom(scene: Scene, dump: DumpScene, early: list[_Pause]) -> bool:
    """Whether pauses come from the sender rather than from something on the way."""
    if 4 * len(early) < 3 * (len(dump.packets) - 1):
        return False
    if scene.recorded.is_from_port or scene.at_host:
        return len(early) > 1
    if _were_answered(dump):
        return True  # a sender that waits does not begin before that answer, whatever moves it
    times = [pause_ns for _, _, pause_ns in early]
    if max(times) > _NOTHING_NS and max(times) - min(times) > _ALIKE_NS:
        return False  # they scatter: something on the way moves the messages
    return len(early) >= _FEW or _begins_in_time(dump)


def _were_answered(dump: DumpScene) -> bool:
    """Whether most packets were answered, and only after the next one had begun."""
    over = [
        one
        for one, two in pairwise(dump.packets)
        if any(each.end_ns > two.sendings[0].start_ns for each in finals(one))
    ]
    return len(over) >= _FEW and 4 * len(over) >= 3 * (len(dump.packets) - 1)


def _begins_in_time(dump: DumpScene) -> bool:
    """Whether the first packet came when it should, so that it was not held up on its way."""
    if not dump.headers or not dump.packets:
        return False
    start_ns = dump.packets[0].sendings[0].start_ns
    replies = [each.end_ns for each in dump.header_replies if each.end_ns <= start_ns]
    if replies:
        return start_ns - replies[-1] < _PROMPT_NS
    return start_ns - dump.headers[-1].end_ns < _HEADER_NS


def _overrun(dump: DumpScene) -> Iterator[Sign]:
    """Tell of packets that come without waiting and of which the unit takes some (T14, T52)."""
    close = list(_close(dump)) if dump.talk.replies else []
    slow = sum(
        any(e.end_ns > start_ns and e.kind.name == "ACK" for e in one.replies)
        for one, start_ns, _ in close
    )
    hasty = [pause_ns for *_, pause_ns in close if pause_ns < _SURELY_NS]
    if len(close) < HABIT or (slow < HABIT and 4 * len(hasty) < 3 * (len(dump.packets) - 1)):
        return  # it is rather a sender of the open loop, and answers are missing
    lost = [each for each in dump.packets[1:-1] if not each.replies]
    lost += [each for each in dump.packets[1:] if was_told(each, NAK)]
    if not lost or not all(map(are_plain, dump.packets)) or any(e.jump for e in dump.packets):
        return
    least_ns = max(min(pause_ns for *_, pause_ns in close), 0)
    yield sign(
        "some taken, some not",
        dump,
        f"{counted(len(close), 'packet')} came before the one before was answered, "
        f"{duration(least_ns)} after it; the unit took some and not others.",
        heard=lost[0].sendings[0],
        exchange=lost[0],
        slow=dump.scene.shows_arrived and slow >= HABIT and not hasty,
    )


def _close(dump: DumpScene) -> Iterator[tuple[Exchange, int, int]]:
    """Yield each packet that the next one did not wait for, when that began, and the pause."""
    for one, other in pairwise(dump.packets):
        sent, heard = one.sendings[-1], other.sendings[0]
        start_ns = heard.start_ns
        if not any(sent.end_ns <= each.end_ns <= start_ns for each in one.replies):
            pause_ns = dump.scene.sight.pause_ns(sent, heard)
            if pause_ns <= _CLOSE_NS:
                yield one, start_ns, pause_ns


SENDER: Final = (passing_over, impatience)
