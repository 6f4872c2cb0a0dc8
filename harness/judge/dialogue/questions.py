"""What was asked beside dumps and what came of it: requests, loops, names, identity."""

from collections.abc import Sequence
from typing import Final

from emulator.dump.capture import Direction
from emulator.wire.constants import ALL_CALL, PACKET_NUMBERS
from emulator.wire.messages import (
    DumpHeader,
    DumpRequest,
    ExtendedHeader,
    IdentityReply,
    IdentityRequest,
    SampleName,
    SampleNameRequest,
)
from harness.judge.dialogue.exchanges import OTHER, Ended, side_of
from harness.judge.dialogue.follow import Course, QuestionExchange
from harness.judge.dialogue.heard import TimePrecision
from harness.judge.dialogue.ledger import Ledger, in_words
from harness.judge.dialogue.loops import judge_loop_handshakes, judge_loop_request, judge_loops
from harness.judge.finding import Answerable, Verdict

_SLOW_NS: Final = 200_000_000  # TIM-11, M1 p. 45 (File Dump)
_SILENT_NS: Final = 1_000_000_000
"""How long a capture has to go on for a question to count as not answered (our choice)."""


def judge_questions(
    course: Course, endings: Sequence[Ended], sight: TimePrecision, ledger: Ledger, both: bool
) -> None:
    """Add findings on questions and their answers; silence is judged if `both` were heard."""
    for asked in course.asked:
        who = side_of(OTHER[asked.heard.direction])
        match asked.message:
            case DumpRequest():
                _judge_request(asked, who, sight, ledger, both)
            case SampleNameRequest():
                _judge_name(asked, who, sight, ledger, both)
            case IdentityRequest():
                pass
            case _:
                judge_loop_request(asked, who, ledger)
    _judge_identity(course, sight, ledger, both)
    judge_loops(course, endings, ledger)
    judge_loop_handshakes(course, ledger)


def _judge_request(
    asked: QuestionExchange, who: Answerable, sight: TimePrecision, ledger: Ledger, both: bool
) -> None:
    assert isinstance(asked.message, DumpRequest)
    wanted = asked.message.sample_number
    if asked.during is not None and asked.during.last_ns > asked.heard.end_ns:
        ledger.see(
            "REQ-04",
            "a sample was asked for in the middle of a dump",
            who=who,
            heard=asked.heard,
            found="a header followed" if asked.answers else "no header followed",
        )
        return
    if asked.cancelled is not None:
        ledger.see(
            "REQ-03",
            "a request was answered with CANCEL, as in File Dump",
            who=who,
            heard=asked.cancelled,
            expected="a header, or silence where there is no such sample",
            found="CANCEL",
            verdict=Verdict.NOTED,
        )
    elif not asked.answers:
        if both and _went_on(asked, sight):
            ledger.see(
                "REQ-03",
                "a request got no answer: there is no such sample, or it was not heard",
                who=who,
                heard=asked.heard,
                expected=f"a header for sample {wanted:,}",
                found="silence",
                verdict=Verdict.NOTED,
            )
    else:
        _judge_header(asked, who, sight, ledger)


def _judge_header(
    asked: QuestionExchange, who: Answerable, sight: TimePrecision, ledger: Ledger
) -> None:
    answer = asked.answers[0]
    header = answer.message
    assert isinstance(asked.message, DumpRequest)
    wanted = asked.message.sample_number
    taken_ns = answer.start_ns - asked.heard.end_ns
    if sight.is_timed and taken_ns - sight.tolerance_ns > _SLOW_NS:
        ledger.see(
            "TIM-11",
            "a request was answered after more than 200 ms (open in the standard)",
            who=who,
            heard=answer,
            found=in_words(taken_ns),
        )
    if not isinstance(header, DumpHeader | ExtendedHeader) or header.sample_number == wanted:
        return
    got = header.sample_number
    swapped = got == wanted % PACKET_NUMBERS * PACKET_NUMBERS + wanted // PACKET_NUMBERS
    do = "The bytes of the number are swapped." if swapped else ""
    if abs(got - wanted) == 1:
        do = "The unit's panel may count from 1: ask for the number that the panel shows less 1."
    ledger.see(
        "REQ-02",
        "the header is not for the sample that was asked for",
        who=who,
        heard=answer,
        expected=f"sample {wanted:,}",
        found=f"sample {got:,}",
        do=do,
    )


def _judge_name(
    asked: QuestionExchange, who: Answerable, sight: TimePrecision, ledger: Ledger, both: bool
) -> None:
    assert isinstance(asked.message, SampleNameRequest)
    wanted = asked.message.sample_number
    swapped = wanted % PACKET_NUMBERS * PACKET_NUMBERS + wanted // PACKET_NUMBERS
    names = [each for each in asked.answers if isinstance(each.message, SampleName)]
    if not names:
        if both and _went_on(asked, sight):
            ledger.see(
                "NAM-03",
                "a name was asked for and not told",
                who=who,
                heard=asked.heard,
                expected="a name",
                found="silence",
                verdict=Verdict.NOTED,
            )
        return
    message = names[0].message
    assert isinstance(message, SampleName)
    if message.sample_number != wanted:
        other_order = message.sample_number == swapped
        ledger.see(
            "NAM-03",
            "the name came with the two bytes of its sample number swapped"
            if other_order
            else "the name is not of the sample that was asked for",
            who=who,
            heard=names[0],
            expected=f"sample {wanted:,}",
            found=f"sample {message.sample_number:,}",
            verdict=Verdict.NOTED if other_order else None,
        )


def _went_on(asked: QuestionExchange, sight: TimePrecision) -> bool:
    """Whether the capture goes on long enough for an answer to be missed."""
    return sight.is_timed and sight.last_ns - asked.heard.end_ns > _SILENT_NS


# Identity.


def _judge_identity(course: Course, sight: TimePrecision, ledger: Ledger, both: bool) -> None:
    asked = [  # of units: a host may have no identity
        each
        for each in course.asked
        if isinstance(each.message, IdentityRequest) and each.heard.direction is Direction.TO_UNIT
    ]
    silent = [
        each
        for each in asked
        if each.message.device_id == ALL_CALL and not each.answers and _went_on(each, sight)
    ]
    spoke = {way for way in Direction if _spoke(course, way)}
    answered = any(each.answers for each in asked)
    for each in silent if both else ():
        back = OTHER[each.heard.direction]
        if back not in spoke:
            continue  # nothing ever came back, so nothing is known of it
        ledger.see(
            "IDN-01",
            "an Identity Request to all devices got no answer",
            who=side_of(back),
            heard=each.heard,
            expected="an Identity Reply",
            found="silence",
            verdict=Verdict.BENT if answered or len(silent) == 1 else None,
        )


def _spoke(course: Course, direction: Direction) -> bool:
    return any(talk.direction is direction or talk.replies for talk in course.talks) or any(
        each.direction is direction for each in course.told
    )


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
            named = ", ".join(str(each) for each in sorted(ids))
            ledger.see(
                "DEV-01",
                "a dump for another device was answered",
                who=talk.receiver,
                heard=answered[0].heard,
                expected=f"silence: by its Identity Reply it is device {named}",
                found=f"an answer to device {talk.device_id}",
            )
        if talk.device_id == ALL_CALL and not talk.replies and talk.direction in answering:
            ledger.see(
                "DEV-02",
                "a dump for all devices was not answered, and one for a single device was",
                who=talk.receiver,
                heard=talk.sent[0][1],
                expected="the same answer",
                found="silence",
            )
