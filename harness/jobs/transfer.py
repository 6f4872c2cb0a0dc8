"""One dump to a unit: sent, read back, compared; the same code rehearsed and live.

Theory of operation.  The job knows a line (simulated or real) at whose other end a unit is, and
puts one endpoint after another at its own end: a sender, then a requester.  What the unit is made
of only an `Operator` sees, who stands at an emulated one: to press confirm and to say what the
memory holds.  `verified` rests on what went over the line alone, and so does
the outcome, except where the line cannot tell and the emulated memory can.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Final

from msgspec import Struct, field
from msgspec.structs import replace

from dryload.emulator.dump.events import Event, EventKind
from dryload.emulator.dump.replies import Limits
from dryload.emulator.dump.sample import Sample, same_samples
from dryload.emulator.dump.sender import Sender, SenderEnd
from dryload.emulator.dump.sender_table import SenderState
from dryload.emulator.dump.switches import SenderSwitches
from dryload.emulator.ports.lateness import Lateness
from dryload.emulator.ports.port import PortError
from dryload.emulator.wire.prose import counted
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.fetch import (
    ANSWER_NS,
    Asker,
    Fetched,
    questions_of,
    torn_findings,
    with_unknowns,
)
from dryload.harness.jobs.forecast import Doing, Step
from dryload.harness.jobs.line import (
    PATIENCE_NS,
    Line,
    late_findings,
    never,
    run_patiently,
)
from dryload.harness.jobs.operator import Operator
from dryload.harness.jobs.outcome import Ending, MemoryOutcome, Outcome, Transfer, outcome_of
from dryload.harness.jobs.timing import floor_of, times_of
from dryload.harness.judge.difference import SampleComparison, compare_samples
from dryload.harness.judge.finding import Finding, finding_of
from dryload.harness.judge.observed import (
    judge_address,
    judge_events,
    judge_read_back,
    judge_untold,
)

_GIVEN_UP: Final = (
    *(SenderEnd.SILENT, SenderEnd.CANCELLED),
    *(SenderEnd.REJECTED, SenderEnd.CONFUSED),
)
"""Ends that may come of our having been silent for too long."""
_SAYS_MORE_NS: Final = 50_000_000
"""How long a unit may still say something of a dump that is through, as its answer once more (our
choice)."""
_OWES_NS: Final = 2_000_000_000
"""The same where copies of a packet went out: each may get an answer, however slow the unit is (our
choice; TIM-02 gives the answer to a header as long)."""
_LISTENS_NS: Final = 500_000_000
"""How long a unit is listened to after its last answer where nothing is read back: an answer that
it says once more is all that shows that the one before was none to the last packet (our choice)."""
_TRIES: Final = 3  # of one dump, as often as this computer is stopped in the middle of it
_HELD: Final = (SenderState.HEADER_HELD, SenderState.PACKET_HELD)
StepProgress = Callable[[Step], None]


class Settings(Struct, frozen=True, kw_only=True):
    """How dumps are to be transferred."""

    sender: SenderSwitches = field(default_factory=lambda: SenderSwitches(after_silence="again"))
    limits: Limits = field(default_factory=Limits)
    read_back: bool = True
    operator_ns: int | None = 8_000_000_000
    """How long it takes until somebody has pressed confirm at an emulated unit; None: nobody
    does."""
    patience_ns: int = PATIENCE_NS
    """How long a transfer may stand still."""
    answer_ns: int = ANSWER_NS
    """How long the unit may take to answer the request that reads the sample back."""


def sent_before(dump: Dump, outcome: Outcome) -> Transfer:
    """Return a dump that was sent to its end another time; `outcome` was known of it then."""
    ending = Ending(end=SenderEnd.SENT, packet=None, was_held=False, by_user=False)
    return Transfer(dump=dump, ending=ending, before=outcome, outcome=outcome)


class Replay:
    """Transfers dumps one after another over `line`.

    `operator` stands at the unit there if it is ours; `lateness` is what a line in real time says
    of itself.  After a PortError (`failed`) nothing more can be played.
    """

    def __init__(
        self,
        line: Line,
        *,
        operator: Operator | None = None,
        lateness: Lateness | None = None,
        settings: Settings | None = None,
        progress: StepProgress | None = None,
        wants_stop: Callable[[], bool] | None = None,
    ) -> None:
        self._line = line
        self._operator = operator
        self._lateness = lateness
        self._settings = settings or Settings()
        self._progress = progress
        self._wants_stop = wants_stop or never
        self._asker = Asker(
            line,
            wants_stop=self._wants_stop,
            patience_ns=self._settings.patience_ns,
            answer_ns=self._settings.answer_ns,
        )
        self._events: list[Event] = []
        self._may_say_more_ns = 0  # of the dump before
        self._answers_requests = True  # until one got no answer twice
        self.failed: PortError | None = None
        """What ended it, where the port failed."""

    def hear(self, events: Sequence[Event]) -> None:
        """Take events that the line's endpoints report."""
        self._events.extend(events)

    def play(self, dump: Dump) -> Transfer:
        """Send one dump, read it back and compare."""
        return self.conclude(self.send(dump))

    def send(self, dump: Dump) -> Transfer:
        """Send one dump."""
        self._events = []
        person_ns = 0 if self._operator is None else self._operator.get_ready()
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
            lateness = self._lateness
            stall_ns = 0 if lateness is None else lateness.longest_stall_ns(begun_ns)
            if not stall_ns or ending.end not in _GIVEN_UP or begun == _TRIES:
                break
        times = times_of(
            self._line.capture.passages[first_passage:],
            start_ns=start_ns,
            end_ns=self._line.now_ns,
            floor_ns=floor_of(dump.outgoing),
            person_ns=person_ns,
        )
        if self._operator is not None:
            self._operator.let_finish()
        else:
            self._may_say_more_ns = _OWES_NS if sender.resent else _SAYS_MORE_NS
            if ending.end is SenderEnd.SENT and not self._settings.read_back:
                self._may_say_more_ns = max(self._may_say_more_ns, _LISTENS_NS)
                self._hear_out()
        events, self._events = tuple(self._events), []
        sent = Transfer(
            dump=dump,
            ending=ending,
            events=events,
            memory=None if self._operator is None else self._operator.memory(dump),
            sent=0 if sender.packet is None else sender.packet + 1,
            resent=sender.resent,
            times=times,
            late=late,
            stall_ns=stall_ns,
            begun=begun,
        )
        outcome, reason = outcome_of(sent)
        return replace(sent, outcome=outcome, reason=reason)

    def conclude(self, sent: Transfer) -> Transfer:
        """Read back a dump that was sent, compare, and say what it came to."""
        dump, memory = sent.dump, sent.memory
        before_ns = self._line.now_ns
        back = self._read_back(sent)
        read = None if back.sample is None else _compared(dump, back.sample, memory)
        outcome, reason = sent.outcome, sent.reason
        if read is not None:
            outcome, reason = outcome_of(sent, read)
        if outcome is Outcome.LOADED and back.unread and self._settings.read_back and not memory:
            outcome = Outcome.UNCONFIRMED  # answers have no checksum: they are no proof
            reason = f"the unit acknowledged all of it, but it was not read back: {back.unread}"
        if sent.stall_ns and outcome in (Outcome.INCOMPLETE, Outcome.UNCONFIRMED):
            reason = f"this computer was stopped for {sent.stall_ns / 1e9:.1f} s; then {reason}"
        comparison = read or (None if memory is None else memory.comparison)
        findings = judge_events(sent.events)
        got = sent.holds if back.sample is None and memory is not None else back.sample
        # What comes back of a dump that nothing was said to may be what was there before.
        is_of_it = memory is not None or outcome is not Outcome.UNCONFIRMED
        if sent.is_whole and comparison is not None and got is not None and is_of_it:
            is_in_memory = memory is not None
            findings += judge_read_back(comparison, dump.sample, got, is_in_memory=is_in_memory)
        findings += (*judge_untold(back.unanswered), *torn_findings(back))
        findings += self._late_findings(sent)
        if sent.begun > 1:
            often = counted(sent.begun - 1, "time")
            findings = (*findings, finding_of("dump begun again", often=often))
        own = None if self._operator is None else self._operator.other_device(dump.header)
        if own is not None:
            deaf = judge_address(dump.header.device_id, own)
            findings = (deaf, *findings)
            reason = f"{reason}; {deaf.message[0].lower()}{deaf.message[1:].rstrip('.')}"
        return replace(
            sent,
            outcome=outcome,
            verified=None if read is None else read.same and read.same_fields,
            reason=reason,
            is_to_be_read=self._settings.read_back,
            unread=back.unread,
            read_back_ns=self._line.now_ns - before_ns,
            comparison=comparison,
            read=back.sample,
            findings=findings,
            stopped=sent.ending.by_user
            or self.failed is not None
            or (self._wants_stop() and back.sample is None),
        )

    def be_patient(self, answer_ns: int) -> None:
        """Give the unit so long to answer each request."""
        self._asker.answer_ns = answer_ns

    def glance(self, dump: Dump, *, packets: int, answer_ns: int | None = None) -> Fetched | None:
        """Return the beginning of what the unit has as a dump's sample; None: the port failed.

        It is no part of what is judged of the dump.
        """
        before = len(self._line.capture.passages)
        try:
            header = dump.header
            return self._asker.glance(
                header.device_id, header.sample_number, packets=packets, answer_ns=answer_ns
            )
        except PortError as problem:
            self.failed = problem
            return None
        finally:
            del self._line.capture.passages[before:]

    def offer(self, dump: Dump) -> bool | None:
        """Announce a dump and cancel it (HSK-19): whether the unit takes it; None: no answer.

        What it held under that number may be gone.
        """
        if self._operator is not None:
            self._operator.get_ready()
        self._hear_out()
        self._events = []
        header = replace(dump.outgoing, packets=(), after=())
        sender = Sender(header, switches=self._settings.sender, limits=self._settings.limits)
        ending = self._send(sender, dump)
        self._may_say_more_ns = _SAYS_MORE_NS if self._operator is None else 0
        if ending.end is SenderEnd.CANCELLED:
            return False
        if self.failed is not None or not any(
            event.kind is EventKind.ANSWERED for event in self._events
        ):
            return None
        self.break_off(dump.header.device_id)
        return True

    def break_off(self, device_id: int) -> None:
        """Cancel a dump that was left unfinished, if there is one (HSK-19)."""
        try:
            self._asker.break_off(device_id)
        except PortError as problem:
            self.failed = problem

    def fetch(self, dump: Dump) -> Fetched:
        """Ask for the sample of a dump, as it is; where the port fails, `failed` says so."""
        self._events = []
        back = self._fetched(dump)
        self._may_say_more_ns = 0
        return replace(back, damaged=damaged_in(self._events))

    def _late_findings(self, sent: Transfer) -> tuple[Finding, ...]:
        """Return what this computer did late, on the line of sending and on that of reading."""
        findings: tuple[Finding, ...] = ()
        if sent.late is not None:
            findings = late_findings(*sent.late)
        if self._lateness is not None and (sent.late is None or sent.late[1] is not self._lateness):
            findings += late_findings(Lateness(), self._lateness)
        return findings

    # sending

    def _send(self, sender: Sender, dump: Dump) -> Ending:
        """Run the sender to its end, or until it is stopped."""
        by_user, was_held = False, False
        try:
            self._run(sender, dump)
            by_user, was_held = sender.end is None and self._wants_stop(), sender.state in _HELD
            if sender.end is None:
                told = len(self._events)
                sender.stop(self._line.now_ns)
                self._line.run(lambda: True)
                if by_user:  # what the unit does about it is no finding
                    del self._events[told:]
        except PortError as problem:
            self.failed = problem
        end, failed = sender.end or SenderEnd.STOPPED, ""
        if self.failed is not None and end is not SenderEnd.SENT:
            # A unit that has the last packet may hang up before our line would have carried it.
            if self._was_acknowledged_early(len(dump.outgoing.packets) - 1):
                end = SenderEnd.SENT
            else:
                end, failed = SenderEnd.STOPPED, self.failed.what.rstrip(".")
        return Ending(
            end=end,
            packet=sender.packet,
            was_held=was_held,
            by_user=not failed and by_user,
            failed=failed,
        )

    def _was_acknowledged_early(self, packet: int) -> bool:
        """Whether an ACK came before a packet had left our line, which carries it in its time."""
        return any(
            event.kind is EventKind.IGNORED
            and event.packet == packet
            and event.detail.startswith("ACK")
            for event in self._events
        )

    def _run(self, sender: Sender, dump: Dump) -> None:
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

    def _tell(self, dump: Dump, doing: Doing, packet: int, packets: int) -> None:
        if self._progress is not None:
            self._progress(Step(dump, doing, packet, packets, self._line.now_ns))

    def _hear_out(self) -> None:
        """Let what a unit still says of the dump before arrive, so that it answers none of this."""
        if self._may_say_more_ns:
            wait_ns, self._may_say_more_ns = self._may_say_more_ns, 0
            with suppress(PortError):  # it will fail again where that is told
                self._line.advance(wait_ns)

    # reading back

    def _read_back(self, sent: Transfer) -> Fetched:
        dump = sent.dump
        if not sent.is_whole:
            return Fetched(unread="it was not sent to its end")
        if not self._settings.read_back:
            return Fetched(unread="not asked for")
        back = self._fetched(dump)
        self._may_say_more_ns = 0
        if self._has_doubtful_header(dump, back):
            tries = back.torn + 1
            back = self._fetched(dump)
            back = replace(back, torn=back.torn + tries)
        if self.failed is not None:
            return Fetched(unread=f"the port failed: {self.failed.what.rstrip('.')}")
        self._answers_requests = back.header is not None or back.stopped
        if back.sample is None:
            return back
        assert back.header is not None
        asked, came = dump.header.sample_number, back.header.sample_number
        if came != asked:
            return replace(
                back, sample=None, unread=f"asked for sample {asked}, the unit sent sample {came}"
            )
        return replace(back, sample=with_unknowns(back.sample, dump.sample, back.unanswered))

    def _has_doubtful_header(self, dump: Dump, back: Fetched) -> bool:
        """Whether a header that came back is another one when it is asked for again.

        It has no checksum: damage on the way back would be held against the unit.
        """
        if self._operator is not None or self.failed is not None or back.sample is None:
            return False
        found = compare_samples(dump.sample, back.sample)
        is_same_number = back.header is not None and (
            back.header.sample_number == dump.header.sample_number
        )
        if is_same_number and found.same and found.same_fields:
            return False
        seen = self.glance(dump, packets=1)
        return seen is not None and seen.header is not None and seen.header != back.header

    def _fetched(self, dump: Dump) -> Fetched:
        """Ask for a dump; where the port fails, `failed` says so."""
        if self.failed is not None:
            return Fetched(unread="the port failed")
        try:
            return self._asker.fetch(
                dump.header.device_id,
                dump.header.sample_number,
                questions=questions_of(dump.header, dump.sample),
                progress=lambda packets, wanted: self._tell(
                    dump,
                    Doing.READING if wanted else Doing.ASKING,
                    packets,
                    wanted or len(dump.outgoing.packets),
                ),
                asks_twice=self._operator is None and self._answers_requests,
            )
        except PortError as problem:
            self.failed = problem
            return Fetched(unread="the port failed")


def damaged_in(events: Sequence[Event]) -> int:
    """Return how many packets arrived damaged, by what both ends report."""
    return sum(event.kind in (EventKind.FAULTY, EventKind.REJECTED) for event in events)


def _compared(dump: Dump, got: Sample, memory: MemoryOutcome | None) -> SampleComparison:
    """Compare what came back; it need not be done again where it is what the memory holds."""
    holds = None if memory is None else memory.holds
    if memory is not None and memory.comparison is not None and holds is not None:
        is_it = same_samples(holds, got)
        return memory.comparison if is_it else compare_samples(dump.sample, got)
    return compare_samples(dump.sample, got)
