"""Replay: play dumps to a unit, read them back, compare.

Theory of operation.  The job knows a line (simulated or real) at whose other end a unit is, and puts one
endpoint after another at its own end: a sender, then a requester.  What the unit is made of it may look
into only where it is an emulated one (`emulated`), and then only to press buttons for the simulated
operator and to say what the memory holds; outcome and `verified` rest on what went over the line.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final, Protocol

import numpy as np

from emulator.dump.capture import Capture
from emulator.dump.endpoint import Endpoint
from emulator.dump.events import Event, EventKind
from emulator.dump.outgoing import sample_from
from emulator.dump.requester import Requester
from emulator.dump.sample import Sample
from emulator.dump.sender import Limits, Sender, SenderEnd
from emulator.dump.switches import SenderSwitches
from emulator.unit.board import RackUnit
from emulator.wire.constants import ALL_LOOPS, MAX_21_BIT
from emulator.wire.messages import (
    ExtendedLoopPointsRequest,
    LoopPointsRequest,
    Message,
    SampleNameRequest,
)
from harness.jobs.playlist import Dump
from harness.jobs.timing import Times, floor_of, times_of
from harness.judge.difference import Comparison, compare_samples

_PROGRESS_EVERY: Final = 64  # instants at which the line is quiet
_MINUTE_NS: Final = 60_000_000_000


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


class Outcome(StrEnum):
    """What became of one transfer."""

    LOADED = "loaded"
    CHANGED = "loaded with changes"
    REFUSED = "refused"
    INCOMPLETE = "incomplete"
    UNCONFIRMED = "unconfirmed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How a replay is to be done."""

    sender: SenderSwitches = field(default_factory=SenderSwitches)
    limits: Limits = field(default_factory=Limits)
    read_back: bool = True
    operator_ns: int | None = 8_000_000_000
    """How long it takes until somebody has pressed confirm; None: nobody does."""
    patience_ns: int = 10 * _MINUTE_NS
    """How long a unit that asked to wait is waited for without a sign of it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Transfer:
    """What one dump came to."""

    dump: Dump
    slot: int | None
    """Where an emulated unit has put it; None where that is not known."""
    outcome: Outcome
    verified: bool | None
    """Whether what was read back over the line equals what was sent; None: it was not read."""
    reason: str
    """In plain words, why it is not simply loaded."""
    sent: int
    resent: int
    times: Times
    read_back_ns: int
    comparison: Comparison | None
    """Against what was read back, or else against what the emulated memory holds."""
    holds: Sample | None
    """What an emulated unit holds of it."""
    events: tuple[Event, ...]
    """What sender and unit reported."""
    stopped: bool = False
    """Whether the user interrupted it."""

    @property
    def is_well(self) -> bool:
        """Whether the unit has, as far as can be known, just what was sent."""
        if self.outcome is Outcome.UNCONFIRMED:
            return self.comparison is not None and self.comparison.same
        return self.outcome is Outcome.LOADED and self.verified is not False


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
        person_ns = self._confirm_last()
        start_ns = self._line.now_ns
        first_passage = len(self._line.capture.passages)
        sender = Sender(dump.outgoing, switches=self._settings.sender, limits=self._settings.limits)
        stopped = self._send(sender, dump)
        times = times_of(
            self._line.capture.passages[first_passage:],
            start_ns=start_ns,
            end_ns=self._line.now_ns,
            floor_ns=floor_of(dump.outgoing),
            person_ns=person_ns,
        )
        self._let_unit_finish()
        holds = self._held(dump)
        before_ns = self._line.now_ns
        read = None if stopped else self._read_back(dump, sender)
        comparison = None
        if (got := read or holds) is not None:
            comparison = compare_samples(dump.sample, got)
        outcome, reason = _outcome(sender, dump, self._events, read, comparison)
        if (deaf := self._not_addressed(dump)) and outcome is Outcome.UNCONFIRMED:
            reason = deaf
        return Transfer(
            dump=dump,
            slot=self._slot(dump),
            outcome=outcome,
            verified=None if read is None or comparison is None else comparison.same,
            reason=reason,
            sent=0 if sender.packet is None else sender.packet + 1,
            resent=sender.resent,
            times=times,
            read_back_ns=self._line.now_ns - before_ns,
            comparison=comparison,
            holds=holds,
            events=tuple(self._events),
            stopped=stopped,
        )

    def finish(self) -> None:
        """After the last dump: let somebody confirm it if the unit wants that."""
        self._confirm_last()

    def _send(self, sender: Sender, dump: Dump) -> bool:
        """Run the sender to its end; return whether the user interrupted it."""
        total = len(dump.outgoing.packets)
        quiet_instants = 0

        def is_over() -> bool:
            nonlocal quiet_instants
            quiet_instants += 1
            if self._progress is not None and quiet_instants % _PROGRESS_EVERY == 1:
                self._progress(dump, sender.packet or 0, total)
            return sender.end is not None or self._wants_stop()

        self._line.connect(sender)
        sender.start(self._line.now_ns)
        limit_ns = self._line.now_ns + floor_of(dump.outgoing) * 20 + self._settings.patience_ns
        self._line.run(is_over, until_ns=limit_ns)
        stopped = sender.end is None
        if stopped:  # by the user, or because nothing will ever happen again
            sender.stop(self._line.now_ns)
            self._line.run(lambda: True)
        if self._progress is not None:
            self._progress(dump, total, total)
        return stopped and self._wants_stop()

    def _let_unit_finish(self) -> None:
        """A unit that still waits for packets gives up after its idle limit."""
        unit = self._emulated
        if unit is not None and unit.is_receiving:
            self._line.run(lambda: not unit.is_receiving, until_ns=self._line.now_ns + _MINUTE_NS)

    def _confirm_last(self) -> int:
        """Send the operator to the front panel if the unit waits for it; return how long it took."""
        unit, takes_ns = self._emulated, self._settings.operator_ns
        if unit is None or takes_ns is None or unit.panel.awaiting_confirm is None:
            return 0
        self._line.advance(takes_ns)
        unit.confirm(self._line.now_ns)
        self.visits += 1
        return takes_ns

    def _read_back(self, dump: Dump, sender: Sender) -> Sample | None:
        if not self._settings.read_back or sender.end is not SenderEnd.SENT:
            return None
        requester = Requester(
            device_id=dump.header.device_id,
            sample_number=dump.header.sample_number,
            questions=_questions(dump),
        )
        self._line.connect(requester)
        requester.start(self._line.now_ns)
        self._line.run(lambda: requester.is_over)
        collected = requester.collected
        if collected.header is None or not collected.whole:
            return None
        data = b"".join(packet.data for packet in collected.packets)
        return sample_from(collected.header, np.frombuffer(data, np.uint8), requester.more)

    def _not_addressed(self, dump: Dump) -> str:
        """Return why an emulated unit can't have heard the dump, "" if it could (DEV-01)."""
        if self._emulated is None or self._emulated.obeys(dump.header.device_id):
            return ""
        own = self._emulated.panel.device_id
        return (
            f"the dump is addressed to device ID {dump.header.device_id} and the unit listens to "
            f"{own}; replay it with --device-id {own}"
        )

    def _slot(self, dump: Dump) -> int | None:
        if self._emulated is None:
            return None
        slot = self._emulated.slots.addressed(dump.header.sample_number)
        return None if slot is None else slot.number

    def _held(self, dump: Dump) -> Sample | None:
        if self._emulated is None:
            return None
        receipt = self._emulated.keeper.receipt
        slot = self._emulated.slots.addressed(dump.header.sample_number)
        if receipt is None or slot is None or receipt.slot != slot.number or not receipt.kept:
            return None
        return slot.sample


def _never() -> bool:
    return False


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


def _outcome(
    sender: Sender,
    dump: Dump,
    events: Sequence[Event],
    read: Sample | None,
    comparison: Comparison | None,
) -> tuple[Outcome, str]:
    """Return the outcome as it can be known over the line, and why it is not simply loaded."""
    if sender.end is not SenderEnd.SENT:
        return _unfinished(sender, events)
    answered = {event.packet for event in events if event.kind is EventKind.ANSWERED}
    if read is not None and comparison is not None:
        if comparison.same:
            return Outcome.LOADED, ""
        if read.frames == dump.sample.frames:
            return Outcome.CHANGED, comparison.sentence
        return Outcome.INCOMPLETE, comparison.sentence
    if not answered:
        return Outcome.UNCONFIRMED, "the unit never answered, so nothing says that it listened"
    lost = _lost(events)
    if lost:
        return Outcome.INCOMPLETE, lost
    unanswered = set(range(len(dump.outgoing.packets) - 1)) - answered
    if unanswered:
        return (
            Outcome.UNCONFIRMED,
            f"{len(unanswered)} packets were never answered, the first is {min(unanswered)}",
        )
    return Outcome.LOADED, ""


def _unfinished(sender: Sender, events: Sequence[Event]) -> tuple[Outcome, str]:
    told = next((event.detail for event in reversed(events) if event.kind is EventKind.REFUSED), "")
    held = events and any(event.kind is EventKind.HELD for event in events[-3:])
    at = "its header" if sender.packet is None else f"packet {sender.packet}"
    refused = Outcome.REFUSED if sender.packet is None else Outcome.INCOMPLETE
    match sender.end:
        case SenderEnd.CANCELLED:
            times = sum(
                event.kind is EventKind.REJECTED and event.packet == sender.packet
                for event in events
            )
            first = f"rejected {at} {times + 1} times and " if times else ""
            return refused, told or f"the unit {first}cancelled the dump at {at}"
        case SenderEnd.REJECTED:
            return refused, f"the unit rejected {at} again and again"
        case SenderEnd.SILENT:
            silent = f"the unit did not answer {at}"
            return (Outcome.UNCONFIRMED if sender.packet is None else Outcome.INCOMPLETE), silent
        case SenderEnd.STOPPED if held:
            return Outcome.INCOMPLETE, f"the unit asked to wait at {at} and never went on"
        case SenderEnd.STOPPED:
            return Outcome.INCOMPLETE, f"it was stopped at {at}"
    return Outcome.INCOMPLETE, f"the unit sent something that ends a dump, at {at}"


def _lost(events: Sequence[Event]) -> str:
    """Return why the unit gave the dump up although everything was sent, "" if it did not."""
    for event in events:
        if event.kind is EventKind.ABANDONED:
            return f"the unit gave the dump up: {event.packet} packets of it came in order"
    return ""
