"""What was asked beside dumps and what came of it: requests, loops, names, identity."""

from collections.abc import Sequence
from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.constants import ALL_CALL, PACKET_NUMBERS
from dryload.emulator.wire.messages import (
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    IdentityReply,
    IdentityRequest,
    SampleName,
    SampleNameRequest,
)
from dryload.emulator.wire.prose import duration
from dryload.harness.judge.dialogue.exchanges import OTHER, Ended, side_of
from dryload.harness.judge.dialogue.follow import Course, QuestionExchange
from dryload.harness.judge.dialogue.heard import TimePrecision
from dryload.harness.judge.dialogue.ledger import Ledger
from dryload.harness.judge.dialogue.loops import (
    judge_loop_handshakes,
    judge_loop_request,
    judge_loops,
)
from dryload.harness.judge.finding import Answerable, Verdict

_SLOW_NS: Final = 200_000_000  # TIM-11, M1 p. 45 (File Dump)
_SILENT_NS: Final = 1_000_000_000
"""How long a capture has to go on for a question to count as not answered (our choice)."""


def judge_questions(course: Course, endings: Sequence[Ended], ledger: Ledger, both: bool) -> None:
    """Add findings on questions and their answers; silence is judged if `both` were heard."""
    for asked in course.asked:
        who = side_of(OTHER[asked.heard.direction])
        missed = both and not asked.answers and _went_on(asked, ledger.sight)
        match asked.message:
            case DumpRequest(sample_number=wanted):
                _judge_request(asked, wanted, who, ledger, missed)
            case SampleNameRequest(sample_number=wanted):
                _judge_name(asked, wanted, who, ledger, missed)
            case IdentityRequest():
                pass
            case _:
                judge_loop_request(asked, who, ledger)
    if both:
        _judge_identity(course, ledger)
    judge_loops(course, endings, ledger)
    judge_loop_handshakes(course, ledger)


def _went_on(asked: QuestionExchange, sight: TimePrecision) -> bool:
    """Whether the capture goes on long enough for an answer to be missed."""
    return sight.is_timed and sight.last_ns - asked.heard.end_ns > _SILENT_NS


def _swapped(number: int) -> int:
    """Return the sample number that the same two bytes are in the other order."""
    return number % PACKET_NUMBERS * PACKET_NUMBERS + number // PACKET_NUMBERS


def _judge_request(
    asked: QuestionExchange,
    wanted: int,
    who: Answerable,
    ledger: Ledger,
    missed: bool,
) -> None:
    if asked.during is not None and asked.during.last_ns > asked.heard.end_ns:
        followed = "a header followed" if asked.answers else "no header followed"
        ledger.see("asked in the middle of a dump", asked.heard, who=who, followed=followed)
    elif asked.cancelled is not None:
        ledger.see("request cancelled", asked.cancelled, who=who)
    elif missed:
        ledger.see("request unanswered", asked.heard, who=who, wanted=wanted)
    elif asked.answers:
        _judge_header(asked, wanted, who, ledger)


def _judge_header(asked: QuestionExchange, wanted: int, who: Answerable, ledger: Ledger) -> None:
    answer, sight = asked.answers[0], ledger.sight
    taken_ns = answer.start_ns - asked.heard.end_ns
    if sight.is_timed and taken_ns - sight.tolerance_ns > _SLOW_NS:
        ledger.see("request answered late", answer, who=who, taken=duration(taken_ns))
    header = answer.message
    if not isinstance(header, DumpHeader | ExtendedHeader) or header.sample_number == wanted:
        return
    got = header.sample_number
    hint = "The bytes of the number are swapped." if got == _swapped(wanted) else ""
    if abs(got - wanted) == 1:
        hint = "The unit's panel may count from 1: ask for the number that the panel shows less 1."
    ledger.see("another sample than asked for", answer, who=who, wanted=wanted, got=got, hint=hint)


def _judge_name(
    asked: QuestionExchange, wanted: int, who: Answerable, ledger: Ledger, missed: bool
) -> None:
    if missed:
        ledger.see("name unanswered", asked.heard, who=who)
    names = [(each, each.message) for each in asked.answers if isinstance(each.message, SampleName)]
    for heard, name in names[:1]:
        got = name.sample_number
        if got != wanted:
            is_swapped = got == _swapped(wanted)
            kind = "name with its number swapped" if is_swapped else "name of another sample"
            ledger.see(kind, heard, who=who, wanted=wanted, got=got)


# Identity.


def _judge_identity(course: Course, ledger: Ledger) -> None:
    asked = [  # of units: a host may have no identity
        each
        for each in course.asked
        if isinstance(each.message, IdentityRequest) and each.heard.direction is Direction.TO_UNIT
    ]
    back = Direction.FROM_UNIT
    if not any(talk.direction is back or talk.replies for talk in course.talks) and not any(
        each.direction is back for each in course.told
    ):
        return  # nothing ever came back, so nothing is known of it
    silent = [
        each
        for each in asked
        if each.message.device_id == ALL_CALL and not each.answers and _went_on(each, ledger.sight)
    ]
    answered = any(each.answers for each in asked)
    verdict = Verdict.BENT if answered or len(silent) == 1 else None
    for each in silent:
        ledger.see("identity unanswered", each.heard, who=side_of(back), verdict=verdict)


def judge_addresses(course: Course, ledger: Ledger) -> None:
    """Judge who answers to which device ID, where the capture says who is who."""
    own = {
        (each.direction, each.message.device_id)
        for each in course.told
        if isinstance(each.message, IdentityReply)
    }
    answering = {
        talk.direction for talk in course.talks if talk.replies and talk.device_id != ALL_CALL
    }
    for talk in course.talks:
        back = OTHER[talk.direction]
        ids = {number for direction, number in own if direction is back}
        answered = [each for each in talk.replies if each.kind.name == "ACK"]
        strange = talk.device_id is not None and talk.device_id not in (*ids, ALL_CALL)
        if ids and answered and strange:
            ledger.see(
                "dump for another device answered",
                answered[0].heard,
                who=talk.receiver,
                devices=", ".join(str(each) for each in sorted(ids)),
                device=talk.device_id,
            )
        if talk.device_id == ALL_CALL and not talk.replies and talk.direction in answering:
            ledger.see("dump for all devices unanswered", talk.sent[0][1], who=talk.receiver)
