"""What became of one transfer, from what both ends reported and what was read back.

Theory of operation.  First comes what the sender met: a dump that did not get to its end is
refused or incomplete.  A dump that was sent is judged by what came back over the line; where
nothing did, by the answers, and where the unit is an emulated one, by what its memory holds.
"""

from collections import Counter
from collections.abc import Sequence
from enum import StrEnum
from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.dump.capture import Passage
from dryload.emulator.dump.events import NUMBERS_ALWAYS, NUMBERS_FREELY, Event, EventKind
from dryload.emulator.dump.sample import Sample
from dryload.emulator.dump.sender import SenderEnd
from dryload.emulator.ports.lateness import Lateness
from dryload.emulator.unit.keeper import Receipt
from dryload.emulator.wire.messages import ExtendedHeader
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.timing import NO_TIMES, Times
from dryload.harness.judge.difference import SampleComparison
from dryload.harness.judge.fields import WIDTH
from dryload.harness.judge.finding import Finding
from dryload.harness.judge.plan import plan_of

if TYPE_CHECKING:
    from dryload.harness.diagnose.diagnose import CaptureDiagnosis


class Outcome(StrEnum):
    """What became of one transfer."""

    LOADED = "loaded"
    CHANGED = "loaded with changes"
    REFUSED = "refused"
    INCOMPLETE = "incomplete"
    UNCONFIRMED = "unconfirmed"
    NOT_KEPT = "not kept"
    """Loaded, and gone at the end of the replay."""


class Ending(Struct, frozen=True, kw_only=True):
    """How sending ended."""

    end: SenderEnd
    packet: int | None
    """The packet in question, None for the header."""
    was_held: bool
    """Whether the unit had asked to wait."""
    by_user: bool
    failed: str = ""
    """What happened to the port, "" where it worked."""


class MemoryOutcome(Struct, frozen=True, kw_only=True):
    """What an emulated unit has made of a dump."""

    receipt: Receipt | None
    """What it says of the dump; None where it took no notice."""
    comparison: SampleComparison | None
    """With what the slot holds; None where it holds nothing of the dump."""
    holds: Sample | None
    """What the slot holds of it."""


class Transfer(Struct, frozen=True, kw_only=True, eq=False):
    """What one dump came to, from its first byte until the last look at the unit.

    What a later step finds out (reading back, that look) has the default until then.
    """

    dump: Dump
    ending: Ending
    before: Outcome | None = None
    """The outcome of an earlier run that sent it: only reading it back is left."""
    events: tuple[Event, ...] = ()
    """What sender and unit reported while it was sent."""
    memory: MemoryOutcome | None = None
    """What an emulated unit has made of it; None where the unit is not ours."""
    sent: int = 0
    """Packets that were sent, each counted once."""
    resent: int = 0
    times: Times = NO_TIMES
    late: tuple[Lateness, Lateness] | None = None
    """How late this computer had been before, and the object that goes on counting."""
    passages: tuple[Passage, ...] = ()
    """What passed while it was sent, if somebody keeps it."""
    stall_ns: int = 0
    """For how long this computer was stopped meanwhile, 0 where it was not."""
    begun: int = 1
    """How often it was sent from the start."""
    outcome: Outcome = Outcome.UNCONFIRMED
    reason: str = ""
    """In plain words, why it is not simply loaded."""
    is_to_be_read: bool = True
    """Whether it was to be read back."""
    verified: bool | None = None
    """Whether the sample that was read back over the line, words and header, equals the one sent;
    None: nothing was read."""
    unread: str = ""
    """Why nothing was read back, "" where something was."""
    read: Sample | None = None
    """What was read back."""
    read_back_ns: int = 0
    comparison: SampleComparison | None = None
    """Against what was read back, or else against what the emulated memory holds."""
    findings: tuple[Finding, ...] = ()
    """What sending and reading back showed; what the file showed is in the dump."""
    stopped: bool = False
    """Whether the user interrupted it, or the port failed."""
    diagnosis: "CaptureDiagnosis | None" = None
    """Why a dump that was sent to a port did not load well."""
    still_there: bool | None = None
    """Whether the unit had it at the end of the replay; None: nobody looked."""
    is_replaced: bool = False
    """Whether a later dump with its number took its place, as the user had allowed."""

    @property
    def is_whole(self) -> bool:
        """Whether it was sent to its end."""
        return self.ending.end is SenderEnd.SENT

    @property
    def holds(self) -> Sample | None:
        """What an emulated unit holds of it."""
        return None if self.memory is None else self.memory.holds

    @property
    def receipt(self) -> Receipt | None:
        """Where an emulated unit holds it; None where it holds none of it, or is not ours."""
        return None if self.memory is None or self.holds is None else self.memory.receipt

    @property
    def slot(self) -> int | None:
        """The slot of an emulated unit that holds it."""
        return None if self.receipt is None else self.receipt.slot

    @property
    def all_findings(self) -> tuple[Finding, ...]:
        """What the file, sending and reading back showed."""
        return (*self.dump.findings, *self.findings)

    @property
    def is_rigs_fault(self) -> bool:
        """Whether it failed and this computer was stopped meanwhile: no evidence about others."""
        failed = self.outcome in (Outcome.INCOMPLETE, Outcome.UNCONFIRMED)
        return failed and self.stall_ns > 0 and not self.stopped

    @property
    def is_shown(self) -> bool:
        """Whether it is shown that the unit has just what was sent, under the number it went to.

        What was read back shows it, or else what an emulated memory holds; the answers alone do
        only if no reading back was wanted.
        """
        if self.outcome is Outcome.NOT_KEPT:
            return self.is_replaced
        if self.verified is not None or self.memory is None:
            is_enough = self.verified or (self.verified is None and not self.is_to_be_read)
            return self.outcome is Outcome.LOADED and is_enough
        held, receipt = self.comparison, self.receipt
        return (
            self.outcome in (Outcome.LOADED, Outcome.UNCONFIRMED)
            and held is not None
            and held.same
            and held.same_fields
            and receipt is not None
            and receipt.sample_number == self.dump.header.sample_number
        )

    @property
    def is_well(self) -> bool:
        """Whether it is shown that the unit has the dump, and the dump is right.

        Loading was asked for: what a unit does against the standard on the way is told, no more.
        """
        return self.is_shown and not self.dump.is_broken


def taken_as_sent(transfer: Transfer) -> Transfer:
    """Return a transfer whose port failed at its last packet as one that only lacks an answer."""
    ending = replace(transfer.ending, end=SenderEnd.SENT, failed="")
    sent = replace(transfer, ending=ending)
    outcome, reason = outcome_of(sent)
    return replace(sent, outcome=outcome, reason=reason)


def outcome_of(transfer: Transfer, read: SampleComparison | None = None) -> tuple[Outcome, str]:
    """Return the outcome and, in plain words, why it is not simply loaded.

    `read` compares what was sent with what was read back over the line.
    """
    if not transfer.is_whole:
        return _unfinished(transfer)
    answered = {event.packet for event in transfer.events if event.kind is EventKind.ANSWERED}
    if read is not None:
        was_answered = bool(answered) or transfer.before is Outcome.LOADED
        return _as_read(transfer, read, is_answered=was_answered)
    if transfer.before is not None:
        why = "" if transfer.before is Outcome.LOADED else "not every packet of it was answered"
        return transfer.before, why
    return _as_answered(transfer, answered)


def _as_answered(transfer: Transfer, answered: set[int | None]) -> tuple[Outcome, str]:
    """Judge a dump that was sent and not read back."""
    if not answered:
        told = _refusal(transfer.events)
        why = f": {told}" if told else ", so nothing says that it listened"
        return Outcome.UNCONFIRMED, f"the unit never answered{why}"
    if lost := _given_up(transfer) or _too_few(transfer):
        return Outcome.INCOMPLETE, lost
    last = len(transfer.dump.outgoing.packets) - 1
    if unanswered := set(range(last)) - answered:
        many = "1 packet was" if len(unanswered) == 1 else f"{len(unanswered):,} packets were"
        return (
            Outcome.UNCONFIRMED,
            f"{many} never answered, the first is packet {min(unanswered):,}",
        )
    if transfer.memory is None and last >= 0 and last not in answered:  # HSK-13
        return (
            Outcome.UNCONFIRMED,
            "the last packet was never answered; some units never answer it",
        )
    if transfer.memory is None and (doubt := _doubt_of(transfer.events, messages=last + 2)):
        return Outcome.UNCONFIRMED, f"{doubt}, so only reading back shows that all packets arrived"
    return _as_kept(transfer.memory, transfer.dump.header.sample_number)


def _doubt_of(events: Sequence[Event], *, messages: int) -> str:
    """Return why an answer can stand for a packet that was lost, "" if it can't.

    `messages` are the header and the packets.
    """
    if any(
        event.kind is EventKind.LEARNT and event.detail.startswith((NUMBERS_ALWAYS, NUMBERS_FREELY))
        for event in events
    ):
        return "the numbers in the unit's answers do not say which packet they are for"
    kinds = Counter(event.kind for event in events)
    others = [each.detail for each in events if each.kind is EventKind.IGNORED]
    # One that came early is told again as the answer once its packet has left.
    acks = kinds[EventKind.ANSWERED] + sum(
        each.startswith(("ACK_LATE", "ACK_OTHER")) for each in others
    )
    if acks > messages + kinds[EventKind.SILENCE]:  # what was silent went out once more
        return "the unit acknowledged more often than it had to"
    return ""


def _as_read(
    transfer: Transfer, read: SampleComparison, *, is_answered: bool
) -> tuple[Outcome, str]:
    if lost := _too_few(transfer):
        return Outcome.INCOMPLETE, lost
    if read.same and read.same_fields:
        return Outcome.LOADED, ""
    if not is_answered:
        return (
            Outcome.UNCONFIRMED,
            f"the unit never answered, and what it sends back is something else. {changes(read)}",
        )
    return _changed(read)


def _as_kept(memory: MemoryOutcome | None, sample_number: int) -> tuple[Outcome, str]:
    """Judge a dump that was acknowledged to its end and not read back."""
    if memory is None:
        return Outcome.LOADED, ""
    if memory.receipt is None:
        return Outcome.INCOMPLETE, "the unit still waits for more packets"
    if memory.comparison is None:
        why = memory.receipt.changes[0]
        return Outcome.REFUSED, f"the unit answered every packet and kept nothing: {why}"
    if memory.receipt.sample_number != sample_number:
        return Outcome.CHANGED, f"the unit has it as sample {memory.receipt.sample_number}"
    if memory.comparison.same and memory.comparison.same_fields:
        return Outcome.LOADED, ""
    return _changed(memory.comparison)


def _changed(comparison: SampleComparison) -> tuple[Outcome, str]:
    sent, got = comparison.words
    return (Outcome.INCOMPLETE if got < sent else Outcome.CHANGED), changes(comparison)


def changes(comparison: SampleComparison) -> str:
    """Return everything in which two samples differ, without a full stop at the end."""
    parts = ["the words are the same" if comparison.same else comparison.sentence]
    parts += [
        f"the {each.field} is {each.b} and not {each.a}"
        for each in comparison.fields
        if each.counts and each.field != WIDTH  # the words say it
    ]
    return "; ".join(parts)


def _unfinished(transfer: Transfer) -> tuple[Outcome, str]:
    ending = transfer.ending
    is_header = ending.packet is None
    at = "the header" if is_header else f"packet {ending.packet:,}"
    refuses = ending.end in (SenderEnd.CANCELLED, SenderEnd.REJECTED)
    outcome = Outcome.REFUSED if is_header and refuses else Outcome.INCOMPLETE
    last = len(transfer.dump.outgoing.packets) - 1
    if not refuses and ending.packet == last and not _too_few(transfer):
        # Nobody waited for the answer to the last packet.
        outcome, at = Outcome.UNCONFIRMED, f"{at}, the last one"
    match ending.end:
        case SenderEnd.CANCELLED if is_header:
            why = _refusal(transfer.events) or "the unit cancelled the dump at the header"
        case SenderEnd.CANCELLED:
            why = _cancelled(ending.packet, at, transfer.events)
        case SenderEnd.REJECTED:
            why = f"the unit rejected {at} again and again"
        case SenderEnd.SILENT if is_header and isinstance(transfer.dump.header, ExtendedHeader):
            why = "the unit did not answer the extended header, which it may not know"
        case SenderEnd.SILENT:
            why = f"the unit did not answer {at}"
        case SenderEnd.STOPPED if ending.failed:
            why = f"the port failed at {at}: {ending.failed}"
        case SenderEnd.STOPPED if ending.by_user and outcome is Outcome.UNCONFIRMED:
            why = f"you stopped it at {at}, so the unit may have all of it"
        case SenderEnd.STOPPED if ending.by_user:
            why = f"you stopped it at {at}"
        case SenderEnd.STOPPED if ending.was_held:
            why = f"the unit asked to wait at {at} and never went on"
        case SenderEnd.STOPPED:
            why = f"nothing went on at {at}"
        case _:
            why = f"the unit sent something that ends a dump, at {at}"
    return outcome, why


def _cancelled(packet: int | None, at: str, events: Sequence[Event]) -> str:
    rejected = sum(event.kind is EventKind.REJECTED and event.packet == packet for event in events)
    if rejected:
        often = {1: "once", 2: "twice"}.get(rejected, f"{rejected} times")
        return f"the unit rejected {at} {often} and then cancelled the dump"
    told = f"the unit cancelled the dump at {at}"
    # What an emulated unit reports at the instant at which it gives up says why.
    ends = [event.now_ns for event in events if event.kind is EventKind.ABANDONED]
    if not ends:
        return told
    cause = next((event for event in events if event.now_ns == ends[-1]), None)
    match None if cause is None else cause.kind:
        case EventKind.ABANDONED:
            return f"{told}: its memory is full"
        case EventKind.JUMPED:
            return f"{told}, because another packet number was due"
    return told


def _refusal(events: Sequence[Event]) -> str:
    """Return what an emulated unit says of a header that it does not take."""
    reasons = [event.detail for event in events if event.kind is EventKind.REFUSED]
    return reasons[-1] if reasons else ""


def _given_up(transfer: Transfer) -> str:
    """Return why the unit gave the dump up although everything was sent, "" if it did not."""
    ends = [event for event in transfer.events if event.kind is EventKind.ABANDONED]
    if not ends:
        return ""
    plan, taken = plan_of(transfer.dump.header), ends[-1].packet or 0
    wanted = "" if plan is None else f" of {plan.packets:,}"
    return f"the unit took {taken:,}{wanted} packets and gave up waiting for the rest"


def _too_few(transfer: Transfer) -> str:
    """Return that the file lacks packets which its header calls for, "" if it does not."""
    plan, packets = plan_of(transfer.dump.header), len(transfer.dump.outgoing.packets)
    if plan is None or packets >= plan.packets:
        return ""
    return f"the header calls for {plan.packets:,} packets and the file has {packets:,}"
