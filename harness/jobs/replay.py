"""Replay: play dumps to a unit, read them back, compare.

Theory of operation.  The job knows a line (simulated or real) at whose other end a unit is, and
puts one endpoint after another at its own end: a sender, then a requester.  What the unit is made
of it may look into only where it is an emulated one (`emulated`), and then only to press buttons
for the simulated operator and to say what the memory holds.  `verified` rests on what went over
the line alone, and so does the outcome, except where the line cannot tell and the emulated memory
can.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Protocol

import numpy as np

from emulator.dump.capture import Capture
from emulator.dump.endpoint import Endpoint
from emulator.dump.events import Event
from emulator.dump.outgoing import sample_from
from emulator.dump.requester import Requester
from emulator.dump.sample import Sample
from emulator.dump.sender import Limits, Sender, SenderEnd
from emulator.dump.sender_table import SenderState
from emulator.dump.switches import SenderSwitches
from emulator.unit.board import RackUnit
from emulator.unit.keeper import Receipt
from emulator.wire.constants import ALL_LOOPS, MAX_21_BIT
from emulator.wire.messages import (
    ExtendedLoopPointsRequest,
    Header,
    LoopPointsRequest,
    Message,
    SampleName,
    SampleNameRequest,
)
from harness.jobs.outcome import Ending, Evidence, Memory, Outcome, outcome_of
from harness.jobs.playlist import Dump
from harness.jobs.timing import Times, floor_of, times_of
from harness.judge.difference import Comparison, compare_samples
from harness.judge.finding import Finding
from harness.judge.observed import came_back, not_addressed, not_told, observed

__all__ = ["Line", "Outcome", "Progress", "Replay", "Settings", "Transfer"]

_PROGRESS_EVERY: Final = 64  # instants at which the line is quiet
_MINUTE_NS: Final = 60_000_000_000
_SLICE_NS: Final = 10_000_000_000  # a line that is never quiet is looked at this often
_HELD: Final = (SenderState.HEADER_HELD, SenderState.PACKET_HELD)


class Line(Protocol):
    """What the job needs of a line, simulated or real."""

    @property
    def now_ns(self) -> int:
        """Return the time."""
        ...

    @property
    def capture(self) -> Capture:
        """Return everything that passed so far."""
        ...

    def connect(self, endpoint: Endpoint) -> None:
        """Put an endpoint at the host's end."""
        ...

    def run(self, is_over: Callable[[], bool], *, until_ns: int | None = None) -> bool:
        """Run until `is_over` and the line is quiet; False when it never will be."""
        ...

    def advance(self, by_ns: int) -> None:
        """Let time pass."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How a replay is to be done."""

    sender: SenderSwitches = field(default_factory=SenderSwitches)
    limits: Limits = field(default_factory=Limits)
    read_back: bool = True
    operator_ns: int | None = 8_000_000_000
    """How long it takes until somebody has pressed confirm; None: nobody does."""
    patience_ns: int = 10 * _MINUTE_NS
    """How long a transfer may stand still, a unit that asked to wait above all (HSK-09)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Transfer:
    """What one dump came to."""

    dump: Dump
    slot: int | None
    """Where an emulated unit has put it; None where it has not, or where that is not known."""
    outcome: Outcome
    verified: bool | None
    """Whether the sample that was read back over the line, words and header, equals the one sent;
    None: nothing was read."""
    reason: str
    """In plain words, why it is not simply loaded."""
    unread: str
    """Why nothing was read back, "" where something was."""
    sent: int
    """Packets that were sent, each counted once."""
    resent: int
    times: Times
    read_back_ns: int
    comparison: Comparison | None
    """Against what was read back, or else against what the emulated memory holds."""
    holds: Sample | None
    """What an emulated unit holds of it."""
    is_emulated: bool
    """Whether the unit is ours, so that `holds` tells."""
    events: tuple[Event, ...]
    """What sender and unit reported while it was sent."""
    findings: tuple[Finding, ...]
    """What sending and reading back showed; what the file showed is in the dump."""
    stopped: bool
    """Whether the user interrupted it."""

    @property
    def is_well(self) -> bool:
        """Whether the unit has, as far as can be known, just what was sent."""
        if self.outcome is Outcome.UNCONFIRMED:
            same = self.comparison
            return same is not None and same.same and same.same_fields
        return self.outcome is Outcome.LOADED


@dataclass(frozen=True, slots=True, kw_only=True)
class _Read:
    """What reading back came to."""

    sample: Sample | None = None
    unread: str = ""
    unanswered: tuple[Message, ...] = ()
    """Questions beside the dump that got no answer."""


Progress = Callable[[Dump, int, int], None]
"""Told the dump that is being played, the packet in question and how many there are."""


class Replay:
    """Plays dumps one after another over `line`; `emulated` is the unit there if it is ours."""

    def __init__(
        self,
        line: Line,
        *,
        emulated: RackUnit | None = None,
        settings: Settings | None = None,
        progress: Progress | None = None,
        wants_stop: Callable[[], bool] | None = None,
    ) -> None:
        self._line = line
        self._emulated = emulated
        self._settings = settings or Settings()
        self._progress = progress
        self._wants_stop = wants_stop or _never
        self._events: list[Event] = []
        self.visits = 0
        """How often somebody had to walk to the unit."""

    def hear(self, events: Sequence[Event]) -> None:
        """Take events that the line's endpoints report."""
        self._events.extend(events)

    def play(self, dump: Dump) -> Transfer:
        """Play one dump, read it back and compare."""
        self._events = []
        receipt = self._receipt()
        person_ns = self._confirm_last()
        start_ns = self._line.now_ns
        first_passage = len(self._line.capture.passages)
        sender = Sender(dump.outgoing, switches=self._settings.sender, limits=self._settings.limits)
        ending = self._send(sender, dump)
        times = times_of(
            self._line.capture.passages[first_passage:],
            start_ns=start_ns,
            end_ns=self._line.now_ns,
            floor_ns=floor_of(dump.outgoing),
            person_ns=person_ns,
        )
        self._let_unit_finish()
        events, self._events = tuple(self._events), []
        memory, holds = self._memory(dump, receipt)
        before_ns = self._line.now_ns
        back = self._read_back(dump, ending)
        read = None if back.sample is None else compare_samples(dump.sample, back.sample)
        outcome, reason = outcome_of(
            Evidence(dump=dump, ending=ending, events=events, read=read, memory=memory)
        )
        comparison = read or (None if memory is None else memory.comparison)
        findings = observed(events)
        if ending.end is SenderEnd.SENT and comparison is not None:
            findings += came_back(comparison)
        findings += not_told(back.unanswered)
        if (own := self._other_device(dump)) is not None:
            deaf = not_addressed(dump.header.device_id, own)
            findings = (deaf, *findings)
            reason = f"{reason}; {deaf.message[0].lower()}{deaf.message[1:].rstrip('.')}"
        return Transfer(
            dump=dump,
            slot=None if holds is None or memory is None else memory.slot,
            outcome=outcome,
            verified=None if read is None else read.same and read.same_fields,
            reason=reason,
            unread=back.unread,
            sent=0 if sender.packet is None else sender.packet + 1,
            resent=sender.resent,
            times=times,
            read_back_ns=self._line.now_ns - before_ns,
            comparison=comparison,
            holds=holds,
            is_emulated=memory is not None,
            events=events,
            findings=findings,
            stopped=ending.by_user or (self._wants_stop() and back.sample is None),
        )

    def finish(self) -> None:
        """After the last dump: let somebody confirm it if the unit wants that."""
        self._confirm_last()

    def _send(self, sender: Sender, dump: Dump) -> Ending:
        """Run the sender to its end."""
        total = len(dump.outgoing.packets)
        quiet_instants = 0

        def is_over() -> bool:
            nonlocal quiet_instants
            quiet_instants += 1
            if self._progress is not None and quiet_instants % _PROGRESS_EVERY == 1:
                self._progress(dump, sender.packet or 0, total)
            return sender.end is not None

        self._line.connect(sender)
        sender.start(self._line.now_ns)
        self._run(is_over, lambda: len(self._events))
        by_user = sender.end is None and self._wants_stop()
        was_held = sender.state in _HELD
        if sender.end is None:
            told = len(self._events)
            sender.stop(self._line.now_ns)
            self._line.run(lambda: True)
            if by_user:  # what the unit does about it is no finding
                del self._events[told:]
        if self._progress is not None:
            self._progress(dump, total, total)
        assert sender.end is not None
        return Ending(end=sender.end, packet=sender.packet, was_held=was_held, by_user=by_user)

    def _run(self, is_over: Callable[[], bool], signs: Callable[[], int]) -> None:
        """Run until `is_over`, until the user stops it, or until no sign of life came for long."""
        seen, since_ns = signs(), self._line.now_ns
        while not self._wants_stop():
            until_ns = self._line.now_ns + _SLICE_NS
            if self._line.run(lambda: is_over() or self._wants_stop(), until_ns=until_ns):
                return
            if self._line.now_ns < until_ns:
                return  # nothing will ever happen any more
            if signs() > seen:
                seen, since_ns = signs(), self._line.now_ns
            elif self._line.now_ns - since_ns >= self._settings.patience_ns:
                return

    def _let_unit_finish(self) -> None:
        """A unit that still waits for packets gives up after its idle limit."""
        unit = self._emulated
        if unit is not None and unit.is_receiving:
            self._line.run(lambda: not unit.is_receiving, until_ns=self._line.now_ns + _MINUTE_NS)

    def _confirm_last(self) -> int:
        """Send somebody to the front panel if the unit waits for it; return how long it took."""
        unit, takes_ns = self._emulated, self._settings.operator_ns
        if unit is None or takes_ns is None or unit.panel.awaiting_confirm is None:
            return 0
        self._line.advance(takes_ns)
        unit.confirm(self._line.now_ns)
        self.visits += 1
        return takes_ns

    def _read_back(self, dump: Dump, ending: Ending) -> _Read:
        if ending.end is not SenderEnd.SENT:
            return _Read(unread="it was not sent to its end")
        if not self._settings.read_back:
            return _Read(unread="not asked for")
        questions = _questions(dump)
        requester = Requester(
            device_id=dump.header.device_id,
            sample_number=dump.header.sample_number,
            questions=questions,
        )
        self._line.connect(requester)
        requester.start(self._line.now_ns)
        self._run(
            lambda: requester.is_over,
            lambda: len(requester.collected.packets) + len(requester.more),
        )
        by_user = not requester.is_over and self._wants_stop()
        if not requester.is_over:
            requester.stop(self._line.now_ns)
            self._line.run(lambda: True)
        collected = requester.collected
        if collected.header is None or not collected.whole:
            return _Read(unread=_unread(len(collected.packets), collected.header, by_user))
        data = b"".join(packet.data for packet in collected.packets)
        sample = sample_from(collected.header, np.frombuffer(data, np.uint8), requester.more)
        silent = tuple(each for each in questions if not _is_answered(each, requester.more))
        sample = _with_unknowns(sample, dump.sample, silent)
        return _Read(sample=sample, unanswered=() if by_user else silent)

    def _other_device(self, dump: Dump) -> int | None:
        """Return an emulated unit's device ID if the dump is not meant for it (DEV-01)."""
        if self._emulated is None or self._emulated.obeys(dump.header.device_id):
            return None
        return self._emulated.panel.device_id

    def _receipt(self) -> Receipt | None:
        return None if self._emulated is None else self._emulated.keeper.receipt

    def _memory(self, dump: Dump, before: Receipt | None) -> tuple[Memory | None, Sample | None]:
        """Return what an emulated unit made of the dump; `before` is its receipt before that."""
        if self._emulated is None:
            return None, None
        receipt = self._receipt()
        if receipt is None or receipt is before:
            return Memory(receipt=None, comparison=None), None
        holds = self._emulated.slots[receipt.slot].sample if receipt.kept else None
        comparison = None if holds is None else compare_samples(dump.sample, holds)
        return Memory(receipt=receipt, comparison=comparison), holds


def _never() -> bool:
    return False


def _unread(packets: int, header: Header | None, by_user: bool) -> str:
    """Return why reading back came to nothing."""
    if header is None and not by_user:
        return "the unit did not answer the request for the sample"
    after = f" after {packets:,} {'packet' if packets == 1 else 'packets'}" if packets else ""
    return f"you stopped it{after}" if by_user else f"it ended{after or ' after its header'}"


def _questions(dump: Dump) -> list[Message]:
    """Return what to ask beside the dump: loops and name where the file has some."""
    where = {
        "device_id": dump.header.device_id,
        "sample_number": dump.header.sample_number,
    }
    questions: list[Message] = []
    if dump.sample.loops:
        far = max(max(loop.start, loop.end) for _, loop in dump.sample.loops) > MAX_21_BIT
        ask = ExtendedLoopPointsRequest if far else LoopPointsRequest
        questions.append(ask(**where, loop_number=ALL_LOOPS))
    if dump.sample.name:
        questions.append(SampleNameRequest(**where))
    return questions


def _is_answered(question: Message, answers: Sequence[Message]) -> bool:
    asks_name = isinstance(question, SampleNameRequest)
    return any(isinstance(answer, SampleName) == asks_name for answer in answers)


def _with_unknowns(got: Sample, sent: Sample, unanswered: Sequence[Message]) -> Sample:
    """Return what came back, with what a unit does not tell taken as it was sent."""
    for question in unanswered:
        if isinstance(question, SampleNameRequest):
            got = replace(got, name=sent.name)
        else:
            got = replace(got, loops=sent.loops)
    return got
