"""The judge of both directions: every dump that a capture holds, how it went, what was wrong."""

from collections import Counter
from collections.abc import Iterator
from typing import Final

from msgspec import Struct

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.constants import PACKET_NUMBERS
from dryload.emulator.wire.messages import Header
from dryload.emulator.wire.prose import counted, duration
from dryload.harness.files.recorded import Recorded
from dryload.harness.judge.dialogue.answering import judge_answering
from dryload.harness.judge.dialogue.content import judge_contents, judge_loose
from dryload.harness.judge.dialogue.ending import tell_ending, tell_loop_mode
from dryload.harness.judge.dialogue.exchanges import OTHER, DumpExchange, Ended, LoopMode, side_of
from dryload.harness.judge.dialogue.follow import Course, Follower
from dryload.harness.judge.dialogue.heard import MOST_SCRAPS, TimePrecision, find_pauses, hear
from dryload.harness.judge.dialogue.ledger import Ledger
from dryload.harness.judge.dialogue.questions import judge_addresses, judge_questions
from dryload.harness.judge.dialogue.sending import judge_sending
from dryload.harness.judge.finding import GRAVITY, Finding, Verdict, worst_of
from dryload.harness.judge.timed_messages import TimedMessage

_SENSING_NS: Final = 330_000_000  # TIM-09 is judged at 330 ms, M1 p. 32
_NOT_STRAY: Final = 3  # packets of one dump too fast for a clock that scatters


class DumpSeen(Struct, frozen=True, kw_only=True, eq=False):
    """One dump of a capture; times count from the first message, and are None where unknown."""

    direction: Direction
    header: Header | None
    """None where it is damaged or missing."""
    planned: int | None
    """Packets that the header calls for."""
    packets: int
    """Different packets that were sent."""
    resent: int
    """Messages of the sender that came more than once."""
    replies: dict[str, int]
    """How often the receiver said what."""
    loop: LoopMode
    ended: Ended
    start_ns: int | None
    end_ns: int | None
    findings: tuple[Finding, ...]

    @property
    def worst(self) -> Verdict | None:
        """The gravest verdict among the findings."""
        return worst_of(self.findings)


class Verdicts(Struct, frozen=True, kw_only=True, eq=False):
    """What a capture shows."""

    dumps: tuple[DumpSeen, ...]
    findings: tuple[Finding, ...]
    """What was found beside dumps: requests, loops, names, active sensing."""
    unknown: tuple[str, ...]
    """What this capture cannot show, in plain words."""

    @property
    def all_findings(self) -> tuple[Finding, ...]:
        """Everything that was found, dump by dump."""
        return (*(each for dump in self.dumps for each in dump.findings), *self.findings)

    @property
    def worst(self) -> Verdict | None:
        """The gravest verdict of all."""
        return worst_of(self.all_findings)

    @property
    def is_broken(self) -> bool:
        """Whether a must of the standard is violated."""
        return self.worst is Verdict.BROKEN

    @property
    def unfinished(self) -> tuple[DumpSeen, ...]:
        """The dumps that were not seen to come to their end.

        A dump from the unit that was cancelled is none of them: whoever asked had enough of it.
        """
        return tuple(
            each
            for each in self.dumps
            if each.ended not in (Ended.WHOLE, Ended.FELL_BACK)
            and (each.direction is Direction.TO_UNIT or each.ended is Ended.CUT)
        )

    @property
    def is_right(self) -> bool:
        """Whether nothing is broken and every dump came to its end."""
        return not (self.is_broken or self.unfinished)


class Followed(Struct, frozen=True, kw_only=True, eq=False):
    """A capture, its messages in order, and where each belongs."""

    recorded: Recorded
    heard: list[TimedMessage]
    sight: TimePrecision
    course: Course

    @property
    def both(self) -> bool:
        """Whether both directions were listened to."""
        return len(self.recorded.directions) > 1


def follow_capture(recorded: Recorded) -> Followed:
    """Return the messages of a capture, each put where it belongs."""
    heard, sight = hear(recorded)
    exact = sight.is_timed and not recorded.is_from_port and all(sight.is_paced.values())
    both = len(recorded.directions) > 1
    course = Follower(sight, exact=exact, both=both).follow(heard)
    return Followed(recorded=recorded, heard=heard, sight=sight, course=course)


def judge_capture(recorded: Recorded) -> Verdicts:
    """Return what a capture shows of both sides; what only one direction shows is judged alone.

    Nothing is held against anybody by less than the times of the capture can tell.
    """
    return judge_followed(follow_capture(recorded))


def judge_followed(followed: Followed) -> Verdicts:
    """Return what a capture shows that has been followed."""
    heard, sight, course = followed.heard, followed.sight, followed.course
    last_ns = {each.direction: each.end_ns for each in heard}  # they are in the order of their ends
    messages = Counter(each.direction for each in heard)
    unknown: list[str] = []
    told = []
    for talk in course.talks:
        ledger = Ledger(sight, talk)
        if followed.both:
            judge_sending(talk, ledger)
            unknown += judge_answering(talk, ledger, last_ns.get(OTHER[talk.direction], 0))
        how = tell_ending(talk, sight)
        _judge_replaced(talk, how, ledger)
        _judge_jumps(talk, how, ledger)
        _judge_pace(talk, ledger)
        if talk.is_torn_off:
            unknown.append("The capture ends in the middle of a message, which was not judged.")
        if how is Ended.CUT:
            unknown.append(
                "The capture ends in the middle of a dump: what became of it is not known."
            )
        told.append((how, ledger.told()))
    endings = [how for how, _ in told]
    talks = list(zip(course.talks, endings, strict=True))
    contents = judge_contents(talks, sight, messages, both=followed.both)
    dumps = [
        _seen(talk, how, [*of_content, *of_conduct], followed)
        for (talk, how), of_content, (_, of_conduct) in zip(talks, contents, told, strict=True)
    ]
    return Verdicts(
        dumps=tuple(dumps),
        findings=_judge_beside(followed, endings, messages),
        unknown=tuple(dict.fromkeys((*_unknown(followed.recorded, sight), *unknown))),
    )


def _seen(talk: DumpExchange, how: Ended, findings: list[Finding], followed: Followed) -> DumpSeen:
    is_timed = followed.sight.is_timed
    findings.sort(key=lambda each: GRAVITY[each.verdict])
    return DumpSeen(
        direction=talk.direction,
        header=talk.header,
        planned=talk.planned,
        packets=talk.packets,
        resent=len(talk.sent) - len(talk.exchanges),
        replies=dict(Counter(each.kind.name for each in talk.replies)),
        loop=tell_loop_mode(talk, both_known=followed.both),
        ended=how,
        start_ns=talk.sent[0][1].start_ns if is_timed else None,
        end_ns=talk.active_ns if is_timed else None,
        findings=tuple(findings),
    )


def _judge_beside(
    followed: Followed, endings: list[Ended], messages: Counter[Direction]
) -> tuple[Finding, ...]:
    """Return what was found beside dumps, in the order of time."""
    course, sight = followed.course, followed.sight
    ledger = Ledger(sight)
    judge_questions(course, endings, ledger, followed.both)
    judge_addresses(course, ledger)
    _judge_echoes(course, ledger)
    if sight.is_timed:
        _judge_sensing(followed.recorded, sight, ledger)
    found = ledger.told()
    for way in Direction:
        loose = [each for each in course.loose if each.direction is way and not each.is_torn_off]
        found += judge_loose(loose, side_of(way), messages[way], sight)
    return tuple(sorted(found, key=lambda each: each.at.time_ns or 0))


def _judge_replaced(talk: DumpExchange, how: Ended, ledger: Ledger) -> None:
    if how is Ended.FELL_BACK:
        ledger.see("fell back to the standard header", talk.sent[0][1], talk.exchanges[0])
    if how is Ended.REPLACED and talk.followed is not None:
        reply = talk.followed.exchanges[0].last_reply
        answer = f"{talk.receiver_name} said {reply.kind.name}" if reply else "silence"
        first = talk.followed.sent[0][1]
        ledger.see("header in a running dump", first, talk.exchanges[-1], answer=answer)


def _judge_jumps(talk: DumpExchange, how: Ended, ledger: Ledger) -> None:
    """Tell of numbers passed over in a dump whose packets were not counted."""
    if how in (Ended.WHOLE, Ended.SHORT, Ended.UNKNOWN):
        return
    for exchange in talk.exchanges:
        if exchange.jump:
            ledger.see(
                "number jumps",
                exchange.sendings[0],
                exchange,
                due=(exchange.number - exchange.jump) % PACKET_NUMBERS,
                number=exchange.number,
                out_of=talk.packets,
            )


def _judge_pace(talk: DumpExchange, ledger: Ledger) -> None:
    """Judge whether packets came faster than a line carries them (TIM-06)."""
    sight = ledger.sight
    if not sight.is_timed or not sight.too_fast:
        return
    found = [
        (exchange, heard)
        for exchange, heard in talk.sent
        if exchange.place is not None and heard.place in sight.too_fast
    ]
    if sight.tolerance_ns and len(found) < _NOT_STRAY:
        return
    for exchange, heard in found:
        less = duration(sight.too_fast[heard.place])
        ledger.see("too fast for a line", heard, exchange, less=less)


def _judge_echoes(course: Course, ledger: Ledger) -> None:
    for heard, _ in course.echoes:
        unit = heard.direction is Direction.FROM_UNIT
        what = (
            "what went to the unit came back as it was"
            if unit
            else "what came from the unit went back to it as it was"
        )
        ledger.see("echo", heard, who=side_of(heard.direction), what=what)


def _judge_sensing(recorded: Recorded, sight: TimePrecision, ledger: Ledger) -> None:
    ends = [
        each.end_ns
        for each in recorded.capture.passages
        if each.data and each.direction in recorded.directions
    ]
    zero_ns = max(ends, default=0) - sight.last_ns
    for direction in recorded.directions:
        whose = "" if direction is Direction.TO_UNIT else "the unit's "
        for since_ns, lasts_ns, sensing in find_pauses(recorded.capture, direction):
            if sensing and lasts_ns - sight.tolerance_ns > _SENSING_NS:
                ledger.see(
                    "active sensing stopped",
                    time_ns=since_ns - zero_ns,
                    who=side_of(direction),
                    whose=whose,
                    silent=duration(lasts_ns),
                )


def _unknown(recorded: Recorded, sight: TimePrecision) -> Iterator[str]:
    if sight.scraps:
        yield (
            f"{counted(sight.scraps, 'scrap')} of messages and loose bytes, behind {MOST_SCRAPS:,} "
            "others, were not looked at one by one: most of this capture is no dump."
        )
    for direction in Direction:
        if direction not in recorded.directions:
            yield (
                f"Nothing is known of what went {direction.value}, so waiting, answers and who is "
                "to blame for silence could not be judged."
            )
    if not recorded.is_timed:
        yield "The capture has no times, so no limit of time could be judged."
    elif recorded.is_from_port:
        yield (
            f"Its times come from a port and are good to {duration(sight.tolerance_ns)}: what is "
            "late by less is not told."
        )
    for direction in recorded.directions:
        if recorded.is_timed and not sight.is_paced[direction]:
            yield (
                f"What went {direction.value} came faster than a line carries it, so when its "
                "messages began is not known."
            )
    yield "A capture does not show what the unit keeps: read the dump back and compare."
