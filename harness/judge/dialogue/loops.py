"""Loop points that were set, asked for and told (LOP-02 to LOP-05, LOP-07)."""

from bisect import bisect_right
from collections.abc import Sequence
from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.constants import ALL_LOOPS
from dryload.emulator.wire.messages import (
    DumpHeader,
    ExtendedHeader,
    ExtendedLoopPoints,
    ExtendedLoopPointsRequest,
    LoopPoints,
    LoopPointsRequest,
)
from dryload.harness.judge.dialogue.exchanges import OTHER, DumpExchange, Ended, side_of
from dryload.harness.judge.dialogue.follow import Course, QuestionExchange
from dryload.harness.judge.dialogue.ledger import Ledger
from dryload.harness.judge.finding import Answerable, Verdict
from dryload.harness.judge.timed_messages import TimedMessage

_HANDSHAKE_NS: Final = 50_000_000  # so soon after a loop message, a handshake belongs to it

_Loop = tuple[int, int, int]
_LOOPS: Final = (LoopPoints, ExtendedLoopPoints)


def judge_loop_request(asked: QuestionExchange, who: Answerable, ledger: Ledger) -> None:
    """Judge the answers to a request for all loops of a sample."""
    assert isinstance(asked.message, LoopPointsRequest | ExtendedLoopPointsRequest)
    if asked.message.loop_number != ALL_LOOPS:
        return
    numbers: set[int] = set()
    for answer in asked.answers:
        message = answer.message
        if not isinstance(message, _LOOPS):
            continue
        if message.sample_number != asked.message.sample_number:
            continue
        if message.loop_number in numbers:
            ledger.see("loop told twice", answer, who=who, loop=message.loop_number)
        if message.loop_number == ALL_LOOPS:
            ledger.see("request answered by deleting", answer, who=who)
        numbers.add(message.loop_number)


class _LoopsSet:
    """What one side set in the other's samples, by sample and loop number."""

    def __init__(self) -> None:
        self.now: dict[int, dict[int, _Loop]] = {}
        self.before: dict[int, dict[int, set[_Loop]]] = {}
        self.deleted: set[int] = set()

    def set(self, message: LoopPoints | ExtendedLoopPoints) -> None:
        """Take a loop point transmission."""
        sample, number = message.sample_number, message.loop_number
        self.deleted.discard(sample)
        if number == ALL_LOOPS:
            self.forget(sample)
            self.deleted.add(sample)
            return
        now = self.now.setdefault(sample, {})
        if number in now:
            before = self.before.setdefault(sample, {})
            before.setdefault(number, set()).add(now[number])
        now[number] = _loop(message)

    def forget(self, sample: int) -> None:
        """Take a new dump, or the deletion of all loops."""
        self.now.pop(sample, None)
        self.before.pop(sample, None)
        self.deleted.discard(sample)


def _loop(message: LoopPoints | ExtendedLoopPoints | DumpHeader | ExtendedHeader) -> _Loop:
    return message.loop_type, message.loop_start, message.loop_end


def judge_loops(course: Course, endings: Sequence[Ended], ledger: Ledger) -> None:
    """Compare the loops that come back with those that were set."""
    kept = {way: _LoopsSet() for way in Direction}
    events: list[tuple[int, TimedMessage | DumpExchange]] = [
        (each.place, each) for each in course.told
    ]
    for talk, how in zip(course.talks, endings, strict=True):
        if how is Ended.WHOLE:
            events.append((talk.sent[-1][1].place, talk))
    events.sort(key=lambda each: each[0])
    asked = {id(answer) for each in course.asked for answer in each.answers}
    knows = {
        way: any(
            isinstance(each.message, _LOOPS) and each.direction is way and id(each) in asked
            for each in course.told
        )
        for way in Direction
    }
    for _, event in events:
        if isinstance(event, DumpExchange):
            _judge_sustain(event, kept, knows, ledger)
        elif isinstance(event.message, _LOOPS):
            if id(event) in asked:
                _judge_told(event, event.message, kept[OTHER[event.direction]], ledger)
            else:
                kept[event.direction].set(event.message)


def _judge_sustain(
    talk: DumpExchange,
    kept: dict[Direction, _LoopsSet],
    knows: dict[Direction, bool],
    ledger: Ledger,
) -> None:
    """Compare the loop in a header that comes back with the loop 0 that was set (LOP-02)."""
    header = talk.header
    if header is None:
        return
    kept[talk.direction].forget(header.sample_number)
    wanted = kept[OTHER[talk.direction]].now.get(header.sample_number, {}).get(0)
    if wanted is None or wanted == _loop(header):
        return
    ledger.see(
        "header without the loop set",
        talk.sent[0][1],
        who=talk.sender,
        # One that never tells of its loops may not know the messages at all.
        verdict=None if knows[talk.direction] else Verdict.NOTED,
        wanted=wanted,
        start=header.loop_start,
        end=header.loop_end,
    )


def _judge_told(
    event: TimedMessage, message: LoopPoints | ExtendedLoopPoints, kept: _LoopsSet, ledger: Ledger
) -> None:
    sample, number = message.sample_number, message.loop_number
    who, (_, start, end) = side_of(event.direction), _loop(message)
    if sample in kept.deleted and number:
        ledger.see("deleted loop came back", event, who=who, start=start, end=end)
    wanted = kept.now.get(sample, {}).get(number)
    if wanted is not None and wanted != _loop(message):
        is_old = _loop(message) in kept.before.get(sample, {}).get(number, set())
        kind = "replaced loop came back" if is_old else "loop came back otherwise"
        ledger.see(kind, event, who=who, wanted=wanted, start=start, end=end)


def judge_loop_handshakes(course: Course, ledger: Ledger) -> None:
    """Record handshakes that follow loop messages (LOP-07)."""
    ends: dict[Direction, list[int]] = {way: [] for way in Direction}
    for each in (*course.told, *(asked.heard for asked in course.asked)):
        if isinstance(each.message, (*_LOOPS, LoopPointsRequest, ExtendedLoopPointsRequest)):
            ends[each.direction].append(each.end_ns)
    for mine in ends.values():
        mine.sort()
    for heard, message in course.unasked:
        before = ends[OTHER[heard.direction]]
        at = bisect_right(before, heard.start_ns)
        answered = at > 0 and heard.start_ns - before[at - 1] <= _HANDSHAKE_NS
        kind = "handshake after a loop message" if answered else "handshake out of nothing"
        ledger.see(kind, heard, who=side_of(heard.direction), reply=message.kind.name)
