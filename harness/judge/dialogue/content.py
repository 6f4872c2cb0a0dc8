"""What was sent, judged by the judge of streams, and who is answerable for it.

Theory of operation.  Of each packet the best sending is taken, so that the stream is what the
sender wanted to be taken.  What is still wrong in it is the sender's, except where the capture
speaks for damage on the way: few messages are damaged and most are right, or there was time for
the packets that are missing.
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import accumulate, pairwise
from typing import Final

from msgspec.structs import replace

from dryload.emulator.dump.capture import Direction
from dryload.emulator.wire.codec import Foreign, Malformed
from dryload.emulator.wire.constants import BYTE_NS, PACKET_BYTES, PACKET_NUMBERS
from dryload.emulator.wire.messages import TITLES, Handshake, IdentityReply, Message
from dryload.emulator.wire.prose import spelled
from dryload.harness.judge.dialogue.exchanges import DumpExchange, Ended, Exchange
from dryload.harness.judge.dialogue.heard import TimePrecision
from dryload.harness.judge.finding import (
    Answerable,
    Finding,
    Findings,
    Place,
    Verdict,
    first_of_each_clause,
    is_rare,
)
from dryload.harness.judge.stream import judge_streams
from dryload.harness.judge.timed_messages import TimedMessage

_COUNTS: Final = {"PKT-10", "PKT-03", "HDR-01", "HDR-06", "HDR-07", "HDR-13", "HDR-14", "EXT-06"}
"""Clauses that speak of a dump that is there to its end."""
_MISSING: Final = {"PKT-10", "PKT-03", "HDR-06", "HDR-07", "EXT-06", "PKT-02"}
_FORM: Final = {
    *("FRM-01", "FRM-02", "FRM-05", "FRM-06", "FRM-07", "FRM-08", "FRM-10", "HSK-01", "IDN-01"),
    *("PKT-01", "PKT-05", "PKT-06", "DEV-04", "LOP-01", "EXT-01", "EXT-07", "NAM-01", "REQ-01"),
}
"""Clauses that damage on the way can break."""
_FORMS: Final[Mapping[type[Message], str]] = {Handshake: "HSK-01", IdentityReply: "IDN-01"}
_REMAINS: Final = {"FRM-07", "FRM-10", "PKT-12"}
"""Clauses that the rest of a torn message breaks."""
_ENDS: Final = {"FRM-01", "FRM-02"}
"""What a lost end or a foreign byte breaks: no sender leaves F7 out, interfaces do."""
_HEADLESS: Final = {"HDR-01", "PKT-14"}
_PACKET_NS: Final = PACKET_BYTES * BYTE_NS
_RIG_DO: Final = (
    "The other messages are right, so it was rather altered or lost on the way: judge the file "
    "itself to be sure."
)


def judge_contents(
    talks: Sequence[tuple[DumpExchange, Ended]],
    sight: TimePrecision,
    messages: Mapping[Direction, int],
    *,
    both: bool,
) -> Iterator[list[Finding]]:
    """Yield for each dump findings on its messages, one a clause.

    `messages` is how many each side sent in the whole capture, and `both` whether both were
    listened to.
    """
    spoken = [messages_of(talk, both=both) for talk, _ in talks]
    for pieces in spoken:
        if pieces and pieces[-1].is_torn_off:
            del pieces[-1]
    found = _findings_of_each(spoken, sight)
    for (talk, how), findings in zip(talks, found, strict=True):
        yield _judge_content(talk, how, findings, sight, messages[talk.direction])


def _judge_content(
    talk: DumpExchange, how: Ended, findings: list[Finding], sight: TimePrecision, messages: int
) -> list[Finding]:
    if how not in (Ended.WHOLE, Ended.SHORT, Ended.UNKNOWN):
        findings = [each for each in findings if each.clause not in _COUNTS]
    if not findings:
        return []
    whose = _Whose(talk, sight, messages)
    places = {each.place: each for each in talk.exchanges}
    found = []
    for finding in findings:
        at = finding.at
        if at.packet is not None and (exchange := places.get(at.packet)) is not None:
            time_ns = exchange.best.end_ns if sight.is_timed else None
            at = replace(at, packet_number=exchange.number % PACKET_NUMBERS, time_ns=time_ns)
        elif at.packet is not None:
            at = replace(at, packet_number=at.packet % PACKET_NUMBERS)
        who, verdict, do = whose.of(finding), finding.verdict, finding.do
        if who is Answerable.RIG:
            do = _RIG_DO
            if finding.clause == "HDR-01" and at.packet == 0:
                verdict = (
                    Verdict.RIG
                )  # a header that the capture does not hold may have come before
        found.append(replace(finding, at=at, answerable=who, verdict=verdict, do=do))
    return list(first_of_each_clause(found))


def judge_loose(
    loose: Sequence[TimedMessage], who: Answerable, messages: int, sight: TimePrecision
) -> list[Finding]:
    """Return findings on what one side sent outside of dumps, of `messages` in all."""
    rare = is_rare(sum(not each.is_sound for each in loose), messages)
    named = [each for each in loose if _is_answer_out_of_form(each)]
    rest = [each for each in loose if not _is_answer_out_of_form(each)]
    found = [finding for each in named for finding in _wrong_form(each, sight)]
    found += [each for each in _findings_of_each([rest], sight)[0] if each.clause != "HDR-01"]
    out = []
    for finding in found:
        if finding.clause in _ENDS or (finding.clause in _FORM and rare):
            verdict = finding.verdict if finding.verdict is Verdict.NOTED else Verdict.RIG
            out.append(replace(finding, answerable=Answerable.RIG, verdict=verdict, do=_RIG_DO))
        else:
            out.append(replace(finding, answerable=who))
    return list(first_of_each_clause(out))


def _is_answer_out_of_form(heard: TimedMessage) -> bool:
    return isinstance(heard.message, Malformed) and heard.message.kind in _FORMS


def _wrong_form(heard: TimedMessage, sight: TimePrecision) -> list[Finding]:
    message = heard.message
    assert isinstance(message, Malformed)
    findings = Findings()
    findings.tell(
        "answer of the wrong form",
        Place(byte=heard.piece.offset, time_ns=heard.end_ns if sight.is_timed else None),
        clause=_FORMS[message.kind],
        title=TITLES[message.kind],
        lengths=message.expected_length or "15 or 17",
        length=len(message.body),
        bytes=spelled(message.body),
        hint="Every handshake names a packet, in the byte before F7."
        if message.kind is Handshake
        else "See which field is too long or too short.",
    )
    return findings.told()


def messages_of(talk: DumpExchange, *, both: bool) -> list[TimedMessage]:
    """Return the messages of a dump in the order of their first sending, as a file has them.

    Of what was sent again the best counts.  Where the other side was not listened to, nobody can
    have asked for anything, and all of it counts.
    """
    if both:
        best = [(each.sendings[0].place, each.best) for each in talk.exchanges]
        found = [(place, message) for place, message in best if not message.is_torn_off]
    else:
        found = [(message.place, message) for _, message in talk.sent]
    found += [(message.place, message) for message in talk.besides]
    return [message for _, message in sorted(found, key=lambda each: each[0])]


def _findings_of_each(
    spoken: Sequence[Sequence[TimedMessage]], sight: TimePrecision
) -> list[list[Finding]]:
    """Return what the judge of streams finds in each of several runs of messages."""
    found: list[list[Finding]] = [[] for _ in spoken]
    streams = (b"".join([heard.piece.raw for heard in pieces]) for pieces in spoken)
    for at, verdict in judge_streams(streams, keep_words=False):
        if verdict.findings:
            found[at] += _placed(verdict.findings, spoken[at], sight)
    return found


def _placed(
    findings: Iterable[Finding], pieces: Sequence[TimedMessage], sight: TimePrecision
) -> Iterator[Finding]:
    """Yield findings with places in the capture's stream."""
    offsets = list(accumulate((len(heard.piece.raw) for heard in pieces), initial=0))
    for finding in findings:
        if (byte := finding.at.byte) is None:
            yield finding
            continue
        at = min(max(bisect_right(offsets, byte) - 1, 0), len(pieces) - 1)
        heard = pieces[at]
        place = replace(
            finding.at,
            byte=heard.piece.offset + byte - offsets[at],
            time_ns=heard.end_ns if sight.is_timed else None,
        )
        yield replace(finding, at=place)


class _Whose:
    """Who is answerable for what is wrong in a dump."""

    def __init__(self, talk: DumpExchange, sight: TimePrecision, messages: int) -> None:
        self._talk = talk
        damaged = [each for each in talk.exchanges if not each.best.is_sound]
        damaged_besides = [each for each in talk.besides if not each.is_sound]
        if len(talk.exchanges) > 1:  # a header alone is compared with everything else
            messages = len(talk.exchanges) + len(talk.besides)
        again = [each for each in damaged if len(each.sendings) > 1]
        if again:  # a sender errs the same way every time
            self._altered = not any(_is_repeated(each) for each in again)
        else:
            self._altered = is_rare(len(damaged) + len(damaged_besides), messages)
        self._damaged = {each.place for each in damaged}
        # A message that is none of the standard's, and as long as a packet, was one.
        self._was_torn = any(sending.message is None for _, sending in talk.sent) or any(
            isinstance(each.message, Foreign) and len(each.body) == PACKET_BYTES
            for each in talk.besides
        )
        self._wrecks = bool(damaged_besides)
        self._headless = talk.exchanges[0].place is not None
        self._lost = sight.is_timed and _had_time(talk, sight)

    def of(self, finding: Finding) -> Answerable:
        """Return who is answerable for a finding of the judge of streams."""
        if finding.clause in _ENDS:
            return Answerable.RIG
        place = finding.at.packet
        altered = finding.clause in _FORM or (place is not None and place in self._damaged)
        if altered and self._altered:
            return Answerable.RIG
        if finding.clause in _REMAINS and self._was_torn and self._altered:
            return Answerable.RIG
        if finding.clause in _HEADLESS and self._headless:
            return Answerable.RIG
        if finding.clause in _MISSING and (self._lost or (self._wrecks and self._altered)):
            return Answerable.RIG
        return self._talk.sender


def _is_repeated(exchange: Exchange) -> bool:
    """Whether a damaged message came more than once and always the same."""
    return len({each.body for each in exchange.sendings}) == 1


def _had_time(talk: DumpExchange, sight: TimePrecision) -> bool:
    """Whether there was time on the line for all packets that are missing."""
    is_gap = False
    for one, other in pairwise(talk.exchanges):
        last = -1 if one.place is None else one.place
        missing = 0 if other.place is None else other.place - last - 1
        if missing > 0:
            is_gap = True
            before, after = one.sendings[-1], other.sendings[0]
            had_time = sight.pause_ns(before, after) >= missing * _PACKET_NS
            if not (had_time or talk.direction is sight.through_port):
                return False
    end = talk.exchanges[-1].place
    tail = 0 if talk.planned is None else talk.planned - (-1 if end is None else end) - 1
    if tail > 0:
        if talk.goes_on_ns is None:
            return False
        return talk.goes_on_ns - talk.last_ns + sight.tolerance_ns >= tail * _PACKET_NS
    return is_gap
