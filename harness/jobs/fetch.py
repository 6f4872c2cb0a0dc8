"""Ask a unit for one sample and keep what it sends."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from emulator.dump.outgoing import sample_from
from emulator.dump.requester import Patience, Requester
from emulator.dump.sample import Sample
from emulator.wire.codec import encode
from emulator.wire.constants import PACKET_NUMBERS
from emulator.wire.messages import Header, Message, SampleName, SampleNameRequest
from harness.jobs.line import PATIENCE_NS, Line, never, run_patiently
from harness.judge.plan import plan_of

Progress = Callable[[int, int], None]
"""Told how many packets have come and how many the header calls for, 0 before it is there."""
ANSWER_NS: Final = Patience().answer_ns
"""How long a unit may take to answer a request if nothing else is said."""
_TRIES: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fetched:
    """What came of asking for one sample."""

    header: Header | None
    """None where no header came."""
    packets: int
    """Data packets that came."""
    sample: Sample | None
    """None where it did not come whole."""
    data: bytes
    """The messages as a dump file holds them; b"" where the sample did not come whole."""
    unread: str
    """In plain words, why there is no sample; "" where there is one."""
    unanswered: tuple[Message, ...] = ()
    """Questions beside the dump that got no answer."""
    asked: int = 0
    """How often it was asked for."""
    declined: bool = False
    """Whether the unit answered CANCEL: it has no such sample (REQ-03)."""
    torn: int = 0
    """Earlier tries in which packets were lost on the way."""
    stopped: bool = False
    """Whether the user interrupted it."""


def fetch(
    line: Line,
    *,
    device_id: int,
    sample_number: int,
    questions: Sequence[Message] = (),
    progress: Progress | None = None,
    wants_stop: Callable[[], bool] = never,
    patience_ns: int = PATIENCE_NS,
    answer_ns: int = ANSWER_NS,
    asks_twice: bool = False,
) -> Fetched:
    """Ask for a sample, then `questions` one by one; again where packets were lost on the way.

    The unit may take `answer_ns` to answer a request: on some of them somebody has to press a key.

    Lost packets show in the numbers of those that came (PKT-03), or in the dump's ending early.  A
    request that is not answered is repeated only if it `asks_twice`: silence is the right answer
    for a sample that is not there (REQ-03).
    """
    tries: list[Fetched] = []
    while True:
        requester = Requester(
            device_id=device_id,
            sample_number=sample_number,
            questions=questions,
            patience=Patience(answer_ns=answer_ns),
        )
        run_requester(line, requester, progress, wants_stop, patience_ns)
        by_user = not requester.is_over and wants_stop()
        if not requester.is_over:
            requester.stop(line.now_ns)
            line.run(lambda: True)
        tries.append(
            _fetched(
                requester,
                questions,
                asked=len(tries) + 1,
                torn=sum(each.header is not None for each in tries),
                by_user=by_user,
            )
        )
        again = _is_torn(requester) or (asks_twice and _is_unanswered(requester, len(tries)))
        if not again or by_user or len(tries) == _TRIES:
            break
    if tries[-1].sample is None and not tries[-1].stopped:  # a line that is dead by then
        return replace(max(tries, key=lambda each: each.packets), asked=len(tries))
    return tries[-1]


def run_requester(
    line: Line,
    requester: Requester,
    progress: Progress | None,
    wants_stop: Callable[[], bool],
    patience_ns: int,
) -> None:
    """Run a requester to its end."""
    collected = requester.collected

    def is_over() -> bool:
        if progress is not None:
            plan = None if collected.header is None else plan_of(collected.header)
            progress(len(collected.packets), 0 if plan is None else plan.packets)
        return requester.is_over

    line.connect(requester)
    requester.start(line.now_ns)
    run_patiently(
        line,
        is_over,
        lambda: len(collected.packets) + len(requester.more),
        wants_stop=wants_stop,
        patience_ns=patience_ns,
    )


def _is_unanswered(requester: Requester, tries: int) -> bool:
    return requester.collected.header is None and not requester.declined and tries == 1


def _is_torn(requester: Requester) -> bool:
    collected = requester.collected
    if collected.header is None:
        return False
    numbers = [packet.packet_number for packet in collected.packets]
    in_order = all(number == at % PACKET_NUMBERS for at, number in enumerate(numbers))
    return not (collected.whole and in_order)


def _fetched(
    requester: Requester, questions: Sequence[Message], *, asked: int, torn: int, by_user: bool
) -> Fetched:
    collected = requester.collected
    header, packets = collected.header, len(collected.packets)
    if header is None or not collected.whole:
        return Fetched(
            header=header,
            packets=packets,
            sample=None,
            data=b"",
            unread=_unread(requester, by_user),
            asked=asked,
            declined=requester.declined,
            torn=torn,
            stopped=by_user,
        )
    words = b"".join(packet.data for packet in collected.packets)
    messages = (header, *collected.packets, *requester.more)
    silent = tuple(each for each in questions if not _is_answered(each, requester.more))
    return Fetched(
        header=header,
        packets=packets,
        sample=sample_from(header, np.frombuffer(words, np.uint8), requester.more),
        data=b"".join(encode(message) for message in messages),
        unread="",
        unanswered=() if by_user else silent,
        asked=asked,
        torn=torn,
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
