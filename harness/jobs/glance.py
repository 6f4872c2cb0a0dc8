"""See whether a unit still has a sample that it was sent, without having it send all of it.

Theory of operation.  The sample is asked for, and the dump that comes is cancelled after its first
packets (HSK-19): less than half a second, whatever its length.  A unit that goes on all the same is
heard to its end, so that nothing of it meets what comes next.  Header and first words show that it
is that sample, for all that is likely; that it is word for word the same only reading back shows.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np

from emulator.dump.capture import Direction
from emulator.dump.outgoing import sample_from
from emulator.dump.requester import Patience, Requester
from emulator.dump.sample import Sample
from emulator.dump.script import Cue, Script
from emulator.wire.codec import handshake
from emulator.wire.constants import PACKET_NUMBERS
from emulator.wire.messages import HandshakeKind, Header
from harness.jobs.dumps import Dump
from harness.jobs.fetch import ANSWER_NS, run_requester
from harness.jobs.line import PATIENCE_NS, Line, never
from harness.judge.difference import compare_samples

_PACKETS: Final = 8  # 0.4 s of the line, 320 words of 16 bits
_QUIET_NS: Final = 200_000_000
"""Nothing came for so long: it has stopped."""


class Standing(StrEnum):
    """What the unit shows of a sample that it was sent another time."""

    THERE = "there"
    OTHER = "something else, or nothing"
    NO_ANSWER = "no answer"
    """Right for a sample that is not there (REQ-03), and all that some units ever give."""
    NOT_ASKED = "not asked"
    """The port failed, the user stopped it, or packets were lost on the way."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Glimpse:
    """The beginning of what a unit sends for a sample."""

    header: Header | None
    """None where none came."""
    sample: Sample | None
    """What the header says, and the words that came; None where no packet came."""
    declined: bool
    """Whether the unit answered CANCEL."""
    stopped: bool
    """Whether it was given up, by the user or because nothing went on."""
    torn: bool
    """Whether packets were lost on the way, each time."""


def glance(
    line: Line,
    *,
    device_id: int,
    sample_number: int,
    wants_stop: Callable[[], bool] = never,
    patience_ns: int = PATIENCE_NS,
    answer_ns: int = ANSWER_NS,
    packets: int = _PACKETS,
) -> Glimpse:
    """Ask for a sample, a second time if nobody answers, and cancel after its first packets.

    It is asked for once more where some of them were lost on the way.  A unit that still waits for
    the rest of a dump answers no request, so before the second one it is told that none comes.
    """
    for is_second in (False, True):
        requester = Requester(
            device_id=device_id,
            sample_number=sample_number,
            patience=Patience(answer_ns=answer_ns),
            enough=packets,
        )
        run_requester(line, requester, None, wants_stop, patience_ns)
        collected = requester.collected
        stopped = not requester.is_over
        if stopped:
            requester.stop(line.now_ns)
        if collected.header is not None and not collected.whole:
            _await_quiet(line, patience_ns)
        numbers = [packet.packet_number for packet in collected.packets]
        is_all = collected.header is None or collected.whole or len(numbers) >= packets
        torn = not is_all or numbers != [at % PACKET_NUMBERS for at in range(len(numbers))]
        is_answered = collected.header is not None and not torn
        if is_answered or requester.declined or (stopped and wants_stop()):
            break
        if collected.header is None and not is_second:
            _break_off(line, device_id)
    header = collected.header
    words = b"".join(packet.data for packet in collected.packets)
    return Glimpse(
        header=header,
        sample=sample_from(header, np.frombuffer(words, np.uint8)) if header and words else None,
        declined=requester.declined,
        stopped=stopped,
        torn=torn,
    )


def standing_of(dump: Dump, seen: Glimpse) -> Standing:
    """Return whether what was seen is the beginning of a dump as it was sent."""
    if seen.torn or (seen.stopped and seen.sample is None):
        return Standing.NOT_ASKED
    if seen.header is None:
        return Standing.OTHER if seen.declined else Standing.NO_ANSWER
    if seen.sample is None or seen.header.sample_number != dump.header.sample_number:
        return Standing.OTHER
    sent, got = dump.sample, seen.sample
    if seen.header.length != sent.frames:
        return Standing.OTHER
    # Loops and name come after the words: of those only the header's loop is there by now.
    begins = replace(sent, words=sent.words[: len(got.words)], loops=(), name="")
    if not len(got.words):
        return Standing.OTHER
    found = compare_samples(begins, got)
    return Standing.THERE if found.same and found.same_fields else Standing.OTHER


def _break_off(line: Line, device_id: int) -> None:
    """Cancel a dump that somebody left unfinished, if there is one (HSK-19)."""
    cancel = handshake(HandshakeKind.CANCEL, device_id=device_id, packet_number=0)
    script = Script([Cue(0, cancel)])
    line.connect(script)
    script.start(line.now_ns)
    line.run(lambda: script.is_over)


def _await_quiet(line: Line, patience_ns: int) -> None:
    """Let our CANCEL leave, and hear the unit out if it takes no notice."""
    line.run(lambda: True)
    until_ns = line.now_ns + patience_ns
    while line.now_ns < until_ns:
        before = len(line.capture.passages)
        line.advance(_QUIET_NS)
        if not any(
            passage.direction is Direction.FROM_UNIT for passage in line.capture.passages[before:]
        ):
            return
