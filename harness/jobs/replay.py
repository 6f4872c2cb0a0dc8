"""Replay: play dumps to a unit, read them back, compare.

Theory of operation.  The job knows a line (simulated or real) at whose other end a unit is, and
puts one endpoint after another at its own end: a sender, then a requester.  What the unit is made
of it may look into only where it is an emulated one (`emulated`), and then only to press buttons
for the simulated operator and to say what the memory holds.  `verified` rests on what went over
the line alone, and so does the outcome, except where the line cannot tell and the emulated memory
can.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Final

from emulator.dump.capture import Passage
from emulator.dump.events import Event
from emulator.dump.sample import Sample, same_samples
from emulator.dump.sender import Sender, SenderEnd
from emulator.dump.sender_table import SenderState
from emulator.ports.lateness import Lateness
from emulator.ports.port import PortError
from emulator.unit.board import RackUnit
from emulator.unit.keeper import Receipt
from emulator.wire.constants import ALL_LOOPS, MAX_21_BIT
from emulator.wire.messages import (
    ExtendedLoopPointsRequest,
    LoopPointsRequest,
    Message,
    SampleNameRequest,
)
from harness.jobs.dumps import Dump
from harness.jobs.fetch import Fetched, fetch
from harness.jobs.forecast import Doing, Step
from harness.jobs.glance import Glimpse, Standing, glance, standing_of
from harness.jobs.line import MINUTE_NS, Line, never, run_patiently
from harness.jobs.outcome import Ending, Evidence, Memory, Outcome, outcome_of
from harness.jobs.rig import begun_again_findings, in_seconds, late_findings, torn_findings
from harness.jobs.timing import Times, floor_of, times_of
from harness.jobs.transfer import Settings, Transfer
from harness.judge.difference import Comparison, compare_samples
from harness.judge.finding import Finding
from harness.judge.observed import came_back, not_addressed, not_told, observed

_GIVEN_UP: Final = (
    *(SenderEnd.SILENT, SenderEnd.CANCELLED),
    *(SenderEnd.REJECTED, SenderEnd.CONFUSED),
)
"""Ends that may come of our having been silent for too long."""
_SAYS_MORE_NS: Final = 50_000_000
"""How long a unit may still say something of a dump that is through, as its answer once more (our
choice)."""
_TRIES: Final = 3  # of one dump, as often as this computer is stopped in the middle of it
_HELD: Final = (SenderState.HEADER_HELD, SenderState.PACKET_HELD)
Progress = Callable[[Step], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sent:
    """A dump that was sent, as far as that went, and was not read back yet."""

    evidence: Evidence
    holds: Sample | None
    """What an emulated unit holds of it."""
    packets: int
    """Packets that were sent, each counted once."""
    resent: int
    times: Times
    late: tuple[Lateness, Lateness] | None = None
    """How late this computer had been before, and what goes on saying it."""
    passages: tuple[Passage, ...] = ()
    """What passed while it was sent, if somebody keeps it."""
    stall_ns: int = 0
    """For how long this computer was stopped meanwhile, 0 where it was not."""
    begun: int = 1
    """How often it was sent from the start."""

    @property
    def late_ns(self) -> int:
        """How late this computer was at worst since it began, 0 where it was in time."""
        return 0 if self.late is None else self.late[1].worst_since_ns(self.late[0])

    @property
    def is_whole(self) -> bool:
        """Whether it was sent to its end."""
        return self.evidence.ending.end is SenderEnd.SENT

    @property
    def outcome(self) -> Outcome:
        """What is known of it before it is read back."""
        return outcome_of(self.evidence)[0]


def sent_before(dump: Dump, outcome: Outcome) -> Sent:
    """Return a dump that was sent to its end another time; `outcome` was known of it then."""
    ending = Ending(end=SenderEnd.SENT, packet=None, was_held=False, by_user=False)
    evidence = Evidence(dump=dump, ending=ending, events=(), read=None, memory=None, before=outcome)
    times = Times(line_ns=0, floor_ns=0, total_ns=0, waits=())
    return Sent(evidence=evidence, holds=None, packets=0, resent=0, times=times)


class Replay:
    """Plays dumps one after another over `line`.

    `emulated` is the unit there if it is ours, `lateness` what a line in real time says of itself.
    After a PortError (`failed`) nothing more can be played.
    """

    def __init__(
        self,
        line: Line,
        *,
        emulated: RackUnit | None = None,
        lateness: Lateness | None = None,
        settings: Settings | None = None,
        progress: Progress | None = None,
        wants_stop: Callable[[], bool] | None = None,
    ) -> None:
        self._line = line
        self._emulated = emulated
        self._lateness = lateness
        self._settings = settings or Settings()
        self._progress = progress
        self._wants_stop = wants_stop or never
        self._events: list[Event] = []
        self._was_held = False
        self._may_say_more = False  # of the dump before
        self._answers_requests = True  # until one got no answer twice
        self.visits = 0
        """How often somebody had to walk to the unit."""
        self.failed: PortError | None = None
        """What ended it, where the port failed."""

    def hear(self, events: Sequence[Event]) -> None:
        """Take events that the line's endpoints report."""
        self._events.extend(events)

    def play(self, dump: Dump) -> Transfer:
        """Play one dump, read it back and compare."""
        return self.conclude(self.send(dump))

    def send(self, dump: Dump) -> Sent:
        """Send one dump."""
        self._events = []
        receipt = self._receipt()
        person_ns = self._confirm_last()
        self._hear_out()
        start_ns = self._line.now_ns
        first_passage = len(self._line.capture.passages)
        late = None if self._lateness is None else (replace(self._lateness), self._lateness)
        begun = 0
        while True:
            begun_ns, begun = self._line.now_ns, begun + 1
            self._events = []
            sender = Sender(
                dump.outgoing, switches=self._settings.sender, limits=self._settings.limits
            )
            ending = self._send(sender, dump)
            stall_ns = self._stall_ns(begun_ns)
            if not stall_ns or ending.end not in _GIVEN_UP or begun == _TRIES:
                break
        times = times_of(
            self._line.capture.passages[first_passage:],
            start_ns=start_ns,
            end_ns=self._line.now_ns,
            floor_ns=floor_of(dump.outgoing),
            person_ns=person_ns,
        )
        self._let_unit_finish()
        self._may_say_more = self._emulated is None
        events, self._events = tuple(self._events), []
        memory, holds = self._memory(dump, receipt)
        return Sent(
            evidence=Evidence(dump=dump, ending=ending, events=events, read=None, memory=memory),
            holds=holds,
            packets=0 if sender.packet is None else sender.packet + 1,
            resent=sender.resent,
            times=times,
            late=late,
            stall_ns=stall_ns,
            begun=begun,
        )

    def conclude(self, sent: Sent) -> Transfer:
        """Read back a dump that was sent, compare, and say what it came to."""
        dump, ending = sent.evidence.dump, sent.evidence.ending
        memory, holds, events = sent.evidence.memory, sent.holds, sent.evidence.events
        before_ns = self._line.now_ns
        back = self._read_back(dump, ending)
        read = None if back.sample is None else _compared(dump, back.sample, memory, holds)
        outcome, reason = outcome_of(replace(sent.evidence, read=read))
        if outcome is Outcome.LOADED and back.unread and self._settings.read_back and not memory:
            outcome = Outcome.UNCONFIRMED  # answers have no checksum: they are no proof
            reason = f"the unit acknowledged all of it, but it was not read back: {back.unread}"
        if sent.stall_ns and outcome in (Outcome.INCOMPLETE, Outcome.UNCONFIRMED):
            reason = f"this computer was stopped for {in_seconds(sent.stall_ns)}; then {reason}"
        comparison = read or (None if memory is None else memory.comparison)
        findings = observed(events)
        got = holds if back.sample is None else back.sample
        # What comes back of a dump that nothing was said to may be what was there before.
        is_of_it = memory is not None or outcome is not Outcome.UNCONFIRMED
        if ending.end is SenderEnd.SENT and comparison is not None and got is not None and is_of_it:
            in_memory = memory is not None
            findings += came_back(comparison, dump.sample, got, is_in_memory=in_memory)
        findings += (*not_told(back.unanswered), *torn_findings(back))
        findings += (*self._late_findings(sent), *begun_again_findings(sent.begun))
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
            was_sent_before=sent.evidence.before is not None,
            is_to_be_read=self._settings.read_back,
            unread=back.unread,
            sent=sent.packets,
            resent=sent.resent,
            times=sent.times,
            read_back_ns=self._line.now_ns - before_ns,
            comparison=comparison,
            read=back.sample,
            holds=holds,
            kept_as=None if holds is None or memory is None else memory.sample_number,
            is_emulated=memory is not None,
            events=events,
            findings=findings,
            stall_ns=sent.stall_ns,
            stopped=ending.by_user
            or self.failed is not None
            or (self._wants_stop() and back.sample is None),
        )

    def glance(self, dump: Dump) -> Standing:
        """Ask the unit for the beginning of a dump that it was sent another time."""
        seen = self._glimpse(dump)
        return Standing.NOT_ASKED if seen is None else standing_of(dump, seen)

    def finish(self) -> None:
        """After the last dump: let somebody confirm it if the unit wants that."""
        self._confirm_last()

    def _stall_ns(self, since_ns: int) -> int:
        """Return for how long this computer was stopped since an instant, 0 for not at all."""
        return 0 if self._lateness is None else self._lateness.longest_stall_ns(since_ns)

    def _late_findings(self, sent: Sent) -> tuple[Finding, ...]:
        """Return what this computer did late, on the line of sending and on that of reading."""
        findings: tuple[Finding, ...] = ()
        if sent.late is not None:
            findings = late_findings(*sent.late)
        if self._lateness is not None and (sent.late is None or sent.late[1] is not self._lateness):
            findings += late_findings(Lateness(), self._lateness)
        return findings

    def _send(self, sender: Sender, dump: Dump) -> Ending:
        """Run the sender to its end."""
        by_user = False
        try:
            by_user = self._run(sender, dump)
        except PortError as problem:
            self.failed = problem
        # A unit that has the last packet may hang up before our line would have carried it.
        failed = ""
        if self.failed is not None and sender.end is not SenderEnd.SENT:
            failed = self.failed.what.rstrip(".")
        return Ending(
            end=SenderEnd.STOPPED if failed or sender.end is None else sender.end,
            packet=sender.packet,
            was_held=self._was_held,
            by_user=not failed and by_user,
            failed=failed,
        )

    def _run(self, sender: Sender, dump: Dump) -> bool:
        """Run the sender to its end; return whether that was the user's wish."""
        total = len(dump.outgoing.packets)

        def is_over() -> bool:
            if self._progress is not None:
                doing = Doing.WAITING if sender.state in _HELD else Doing.SENDING
                self._tell(dump, doing, sender.packet or 0, total)
            return sender.end is not None

        self._line.connect(sender)
        sender.start(self._line.now_ns)
        run_patiently(
            self._line,
            is_over,
            lambda: len(self._events),
            wants_stop=self._wants_stop,
            patience_ns=self._settings.patience_ns,
        )
        by_user = sender.end is None and self._wants_stop()
        self._was_held = sender.state in _HELD
        if sender.end is None:
            told = len(self._events)
            sender.stop(self._line.now_ns)
            self._line.run(lambda: True)
            if by_user:  # what the unit does about it is no finding
                del self._events[told:]
        return by_user

    def _tell(self, dump: Dump, doing: Doing, packet: int, packets: int) -> None:
        if self._progress is not None:
            self._progress(Step(dump, doing, packet, packets, self._line.now_ns))

    def _hear_out(self) -> None:
        """Let what a unit still says of the dump before arrive, so that it answers none of this."""
        if self._may_say_more:
            self._may_say_more = False
            with suppress(PortError):  # it will fail again where that is told
                self._line.advance(_SAYS_MORE_NS)

    def _let_unit_finish(self) -> None:
        """A unit that still waits for packets gives up after its idle limit."""
        unit = self._emulated
        if unit is not None and unit.is_receiving:
            self._line.run(lambda: not unit.is_receiving, until_ns=self._line.now_ns + MINUTE_NS)

    def _confirm_last(self) -> int:
        """Send somebody to the front panel if the unit waits for it; return how long it took."""
        unit, takes_ns = self._emulated, self._settings.operator_ns
        if unit is None or takes_ns is None or unit.panel.awaiting_confirm is None:
            return 0
        self._line.advance(takes_ns)
        unit.confirm(self._line.now_ns)
        self.visits += 1
        return takes_ns

    def _read_back(self, dump: Dump, ending: Ending) -> Fetched:
        if ending.end is not SenderEnd.SENT:
            return _not_read("it was not sent to its end")
        if not self._settings.read_back:
            return _not_read("not asked for")
        back = self._fetched(dump)
        self._may_say_more = False
        if self._has_doubtful_header(dump, back):
            tries = back.torn + 1
            back = self._fetched(dump)
            back = replace(back, torn=back.torn + tries)
        if self.failed is not None:
            return _not_read(f"the port failed: {self.failed.what.rstrip('.')}")
        self._answers_requests = back.header is not None or back.stopped
        if back.sample is None:
            return back
        assert back.header is not None
        asked, came = dump.header.sample_number, back.header.sample_number
        if came != asked:
            return replace(
                back, sample=None, unread=f"asked for sample {asked}, the unit sent sample {came}"
            )
        return replace(back, sample=_with_unknowns(back.sample, dump.sample, back.unanswered))

    def _glimpse(self, dump: Dump, **how: int) -> Glimpse | None:
        """Return the beginning of what the unit has as a dump's sample; None: the port failed.

        It is no part of what is judged of the dump.
        """
        before = len(self._line.capture.passages)
        try:
            return glance(
                self._line,
                device_id=dump.header.device_id,
                sample_number=dump.header.sample_number,
                wants_stop=self._wants_stop,
                patience_ns=self._settings.patience_ns,
                answer_ns=self._settings.answer_ns,
                **how,
            )
        except PortError as problem:
            self.failed = problem
            return None
        finally:
            del self._line.capture.passages[before:]

    def _has_doubtful_header(self, dump: Dump, back: Fetched) -> bool:
        """Whether a header that came back is another one when it is asked for again.

        It has no checksum: damage on the way back would be held against the unit.
        """
        if self._emulated is not None or self.failed is not None or back.sample is None:
            return False
        found = compare_samples(dump.sample, back.sample)
        is_same_number = back.header is not None and (
            back.header.sample_number == dump.header.sample_number
        )
        if is_same_number and found.same and found.same_fields:
            return False
        seen = self._glimpse(dump, packets=1)
        return seen is not None and seen.header is not None and seen.header != back.header

    def _fetched(self, dump: Dump) -> Fetched:
        """Ask for a dump; where the port fails, `failed` says so."""
        if self.failed is not None:
            return _not_read("the port failed")
        try:
            return fetch(
                self._line,
                device_id=dump.header.device_id,
                sample_number=dump.header.sample_number,
                questions=_questions(dump),
                progress=lambda packets, wanted: self._tell(
                    dump,
                    Doing.READING if wanted else Doing.ASKING,
                    packets,
                    wanted or len(dump.outgoing.packets),
                ),
                wants_stop=self._wants_stop,
                patience_ns=self._settings.patience_ns,
                answer_ns=self._settings.answer_ns,
                asks_twice=self._emulated is None and self._answers_requests,
            )
        except PortError as problem:
            self.failed = problem
            return _not_read("the port failed")

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


def _compared(dump: Dump, got: Sample, memory: Memory | None, holds: Sample | None) -> Comparison:
    """Compare what came back; it need not be done again where it is what the memory holds."""
    known = None if memory is None else memory.comparison
    if known is not None and holds is not None and same_samples(holds, got):
        return known
    return compare_samples(dump.sample, got)


def _not_read(why: str) -> Fetched:
    return Fetched(header=None, packets=0, sample=None, data=b"", unread=why)


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


def _with_unknowns(got: Sample, sent: Sample, unanswered: Sequence[Message]) -> Sample:
    """Return what came back, with what a unit does not tell taken as it was sent."""
    for question in unanswered:
        if isinstance(question, SampleNameRequest):
            got = replace(got, name=sent.name)
        else:
            got = replace(got, loops=sent.loops)
    return got
