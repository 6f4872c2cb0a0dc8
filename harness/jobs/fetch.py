"""Ask a unit for one sample: all of it (fetch), or only its beginning (glance).

Theory of operation.  Packets that were lost on the way show in the numbers of those that came
(PKT-03), or in the dump's ending early; then the sample is asked for again.  Silence is the right
answer for a sample that is not there (REQ-03), so a request is repeated only where a request may
have been lost.

A glance cancels the dump after its first packets (HSK-19): less than half a second, whatever its
length.  A unit that goes on all the same is heard to its end, so that nothing of it meets what
comes next.  Header and first words show that it is that sample, for all that is likely; that it is
word for word the same only reading all of it shows.
"""

from collections.abc import Callable, Sequence
from enum import StrEnum
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.capture import Direction
from dryload.emulator.dump.outgoing import sample_from
from dryload.emulator.dump.requester import Collected, Patience, Requester
from dryload.emulator.dump.sample import Sample
from dryload.emulator.dump.script import Cue, Script
from dryload.emulator.wire.codec import encode, handshake
from dryload.emulator.wire.constants import ALL_LOOPS, MAX_21_BIT, PACKET_NUMBERS
from dryload.emulator.wire.messages import (
    ExtendedLoopPointsRequest,
    HandshakeKind,
    Header,
    LoopPointsRequest,
    Message,
    SampleName,
    SampleNameRequest,
)
from dryload.emulator.wire.prose import counted
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.line import PATIENCE_NS, Line, never, run_patiently
from dryload.harness.jobs.timing import says_something
from dryload.harness.judge.difference import compare_samples
from dryload.harness.judge.finding import Finding, finding_of
from dryload.harness.judge.plan import plan_of

FetchProgress = Callable[[int, int], None]
"""Told how many packets have come and how many the header calls for, 0 before it is there."""
ANSWER_NS: Final = Patience().answer_ns
"""How long a unit may take to answer a request if nothing else is said."""
_TRIES: Final = 5
GLANCE: Final = 8  # packets: 0.4 s of the line, 320 words of 16 bits
_QUIET_NS: Final = 200_000_000
"""Nothing came for so long: it has stopped."""


class Fetched(Struct, frozen=True, kw_only=True, eq=False):
    """What came of asking for one sample, or for its beginning."""

    header: Header | None = None
    """None where no header came."""
    packets: int = 0
    """Data packets that came."""
    sample: Sample | None = None
    """None where it did not come whole; of a beginning, the words that came."""
    messages: tuple[Message, ...] = ()
    """Those of the dump; none where the sample did not come whole."""
    unread: str = ""
    """In plain words, why there is no sample; "" where there is one."""
    unanswered: tuple[Message, ...] = ()
    """Questions beside the dump that got no answer."""
    asked: int = 0
    """How often it was asked for."""
    declined: bool = False
    """Whether the unit answered CANCEL: it has no such sample (REQ-03)."""
    torn: int = 0
    """Tries in which packets were lost on the way, but for the last one of a whole sample."""
    damaged: int = 0
    """Packets that arrived damaged, if somebody counts them."""
    stopped: bool = False
    """Whether the user interrupted it; a beginning, also where nothing went on."""

    @property
    def data(self) -> bytes:
        """The messages as a dump file holds them."""
        return b"".join(encode(message) for message in self.messages)


class Standing(StrEnum):
    """What a unit shows of a sample that it was sent before."""

    THERE = "there"
    OTHER = "something else"
    DECLINED = "declined"
    """It answered CANCEL."""
    NO_ANSWER = "no answer"
    """Right for a sample that is not there (REQ-03), and all that some units ever give."""
    NOT_ASKED = "not asked"
    """The port failed, it was given up, or packets were lost on the way."""


class Asker:
    """Asks the unit at the other end of a line for samples, whole ones or their beginning.

    The unit may take `answer_ns` to answer a request: on some of them somebody has to press a key.
    """

    def __init__(
        self,
        line: Line,
        *,
        wants_stop: Callable[[], bool] = never,
        patience_ns: int = PATIENCE_NS,
        answer_ns: int = ANSWER_NS,
    ) -> None:
        self.answer_ns = answer_ns
        self._line: Final = line
        self._wants_stop: Final = wants_stop
        self._patience_ns: Final = patience_ns

    def fetch(
        self,
        device_id: int,
        sample_number: int,
        *,
        questions: Sequence[Message] = (),
        progress: FetchProgress | None = None,
        asks_twice: bool = False,
    ) -> Fetched:
        """Ask for a sample, then `questions` one by one; again where packets were lost on the way.

        A request that is not answered is repeated only if it `asks_twice`.
        """
        tries: list[Fetched] = []
        while True:
            requester = Requester(
                device_id=device_id,
                sample_number=sample_number,
                questions=questions,
                patience=Patience(answer_ns=self.answer_ns),
            )
            stopped = self._run(requester, progress)
            by_user = stopped and self._wants_stop()
            if stopped:
                self._line.run(lambda: True)
            torn = sum(each.header is not None for each in tries)
            fetched = _fetched(requester, questions, by_user=by_user)
            tries.append(replace(fetched, asked=len(tries) + 1, torn=torn))
            is_unanswered = fetched.header is None and not fetched.declined and len(tries) == 1
            again = _is_torn(requester.collected) or (asks_twice and is_unanswered)
            if not again or by_user or len(tries) == _TRIES:
                break
        if tries[-1].sample is None and not tries[-1].stopped:  # a line that is dead by then
            return replace(max(tries, key=lambda each: each.packets), asked=len(tries))
        return tries[-1]

    def glance(
        self,
        device_id: int,
        sample_number: int,
        *,
        packets: int = GLANCE,
        answer_ns: int | None = None,
    ) -> Fetched:
        """Ask for a sample, a second time if nobody answers, and cancel after its first packets.

        It is asked for once more where some of them were lost on the way.  A unit that still waits
        for the rest of a dump answers no request, so before the second one it is told that none
        comes.
        """
        for is_second in (False, True):
            requester = Requester(
                device_id=device_id,
                sample_number=sample_number,
                patience=Patience(answer_ns=answer_ns or self.answer_ns),
                enough=packets,
            )
            stopped = self._run(requester, None)
            collected = requester.collected
            if collected.header is not None and not collected.whole:
                self._await_quiet()
            torn = _is_torn(collected, enough=packets)
            is_answered = collected.header is not None and not torn
            if is_answered or requester.declined or (stopped and self._wants_stop()):
                break
            if collected.header is None and not is_second:
                self.break_off(device_id)
        return Fetched(
            header=collected.header,
            sample=_sample(requester) if collected.packets else None,
            declined=requester.declined,
            stopped=stopped,
            torn=int(torn),
        )

    def _run(self, requester: Requester, progress: FetchProgress | None) -> bool:
        """Run a requester to its end, or stop it; return whether it was stopped."""
        collected = requester.collected

        def is_over() -> bool:
            if progress is not None:
                plan = None if collected.header is None else plan_of(collected.header)
                progress(len(collected.packets), 0 if plan is None else plan.packets)
            return requester.is_over

        self._line.connect(requester)
        requester.start(self._line.now_ns)
        run_patiently(
            self._line,
            is_over,
            lambda: len(collected.packets) + len(requester.more),
            wants_stop=self._wants_stop,
            patience_ns=self._patience_ns,
        )
        if requester.is_over:
            return False
        requester.stop(self._line.now_ns)
        return True

    def break_off(self, device_id: int) -> None:
        """Cancel a dump that somebody left unfinished, if there is one (HSK-19)."""
        cancel = handshake(HandshakeKind.CANCEL, device_id=device_id, packet_number=0)
        script = Script([Cue(0, cancel)])
        self._line.connect(script)
        script.start(self._line.now_ns)
        self._line.run(lambda: script.is_over)

    def _await_quiet(self) -> None:
        """Let our CANCEL leave, and hear the unit out if it takes no notice."""
        line = self._line
        line.run(lambda: True)
        until_ns = line.now_ns + self._patience_ns
        while line.now_ns < until_ns:
            before = len(line.capture.passages)
            line.advance(_QUIET_NS)
            came = line.capture.passages[before:]
            if not any(
                passage.direction is Direction.FROM_UNIT and says_something(passage.data)
                for passage in came
            ):
                return


def standing_of(seen: Fetched, dump: Dump, *others: Sample) -> Standing:
    """Return whether a glance showed the beginning of a dump, or of one of the `others`."""
    if seen.torn or seen.stopped:
        return Standing.NOT_ASKED
    if seen.header is None:
        return Standing.DECLINED if seen.declined else Standing.NO_ANSWER
    is_its_number = seen.header.sample_number == dump.header.sample_number
    known = (dump.sample, *others)
    is_there = is_its_number and any(_begins(seen.header, seen.sample, each) for each in known)
    return Standing.THERE if is_there else Standing.OTHER


def _begins(header: Header, got: Sample | None, known: Sample) -> bool:
    """Whether a header, and the first words behind it, are those of a known sample."""
    if header.length != known.frames or header.bits != known.bits:
        return False
    if got is None or not len(got.words):
        return not known.frames
    # Loops and name come after the words: of those only the header's loop is there by now.
    begins = replace(known, words=known.words[: len(got.words)], loops=(), name="")
    found = compare_samples(begins, got)
    return found.same and found.same_fields


def _is_torn(collected: Collected, *, enough: int | None = None) -> bool:
    """Whether packets were lost on the way; the first ones may be `enough`."""
    if collected.header is None:
        return False
    numbers = [packet.packet_number for packet in collected.packets]
    is_all = collected.whole or (enough is not None and len(numbers) >= enough)
    return not is_all or any(number != at % PACKET_NUMBERS for at, number in enumerate(numbers))


def _sample(requester: Requester) -> Sample:
    header, packets = requester.collected.header, requester.collected.packets
    assert header is not None
    words = b"".join(packet.data for packet in packets)
    return sample_from(header, np.frombuffer(words, np.uint8), requester.more)


def _fetched(requester: Requester, questions: Sequence[Message], *, by_user: bool) -> Fetched:
    collected = requester.collected
    header, packets = collected.header, len(collected.packets)
    if header is None or not collected.whole:
        return Fetched(
            header=header,
            packets=packets,
            unread=_unread(requester, by_user),
            declined=requester.declined,
            stopped=by_user,
        )
    silent = tuple(each for each in questions if not _is_answered(each, requester.more))
    return Fetched(
        header=header,
        packets=packets,
        sample=_sample(requester),
        messages=(header, *collected.packets, *requester.more),
        unread="",
        unanswered=() if by_user else silent,
        stopped=by_user,
    )


def _unread(requester: Requester, by_user: bool) -> str:
    """Return why reading came to nothing."""
    packets, header = len(requester.collected.packets), requester.collected.header
    if header is None and not by_user:
        if requester.declined:
            return "the unit answered the request with CANCEL"
        return "the unit did not answer the request for the sample"
    after = f" after {packets:,} {'packet' if packets == 1 else 'packets'}" if packets else ""
    return f"you stopped it{after}" if by_user else f"it ended{after or ' after its header'}"


def _is_answered(question: Message, answers: Sequence[Message]) -> bool:
    asks_name = isinstance(question, SampleNameRequest)
    return any(isinstance(answer, SampleName) == asks_name for answer in answers)


def questions_of(header: Header, sample: Sample) -> list[Message]:
    """Return what to ask beside a dump that was sent: loops and name where it has some."""
    where = {"device_id": header.device_id, "sample_number": header.sample_number}
    questions: list[Message] = []
    if sample.loops:
        far = max(max(loop.start, loop.end) for _, loop in sample.loops) > MAX_21_BIT
        ask = ExtendedLoopPointsRequest if far else LoopPointsRequest
        questions.append(ask(**where, loop_number=ALL_LOOPS))
    if sample.name:
        questions.append(SampleNameRequest(**where))
    return questions


def torn_findings(back: Fetched, reading: str = "Reading back") -> tuple[Finding, ...]:
    """Return the finding that it took more than one try; `reading` is what that is called."""
    if not back.torn:
        return ()
    return (finding_of("asked for again", reading=reading, often=counted(back.torn, "time")),)


def with_unknowns(got: Sample, sent: Sample, unanswered: Sequence[Message]) -> Sample:
    """Return what came back, with what a unit does not tell taken as it was sent."""
    for question in unanswered:
        if isinstance(question, SampleNameRequest):
            got = replace(got, name=sent.name)
        else:
            got = replace(got, loops=sent.loops)
    return got
