"""How a replay is to be done, and what one dump of it came to."""

from dataclasses import dataclass, field

from emulator.dump.events import Event
from emulator.dump.sample import Sample
from emulator.dump.sender import Limits
from emulator.dump.switches import SenderSwitches
from harness.jobs.dumps import Dump
from harness.jobs.fetch import ANSWER_NS
from harness.jobs.line import PATIENCE_NS
from harness.jobs.outcome import Outcome
from harness.jobs.timing import Times
from harness.judge.difference import Comparison
from harness.judge.finding import Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How a replay is to be done."""

    sender: SenderSwitches = field(default_factory=lambda: SenderSwitches(after_silence="again"))
    limits: Limits = field(default_factory=Limits)
    read_back: bool = True
    operator_ns: int | None = 8_000_000_000
    """How long it takes until somebody has pressed confirm; None: nobody does."""
    patience_ns: int = PATIENCE_NS
    """How long a transfer may stand still."""
    answer_ns: int = ANSWER_NS
    """How long the unit may take to answer the request that reads the sample back."""


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
    was_sent_before: bool
    """Whether it was sent another time, so that only reading back was left."""
    is_to_be_read: bool
    """Whether it was to be read back."""
    unread: str
    """Why nothing was read back, "" where something was."""
    sent: int
    """Packets that were sent, each counted once."""
    resent: int
    times: Times
    read_back_ns: int
    comparison: Comparison | None
    """Against what was read back, or else against what the emulated memory holds."""
    read: Sample | None
    """What was read back."""
    holds: Sample | None
    """What an emulated unit holds of it."""
    kept_as: int | None
    """The sample number under which an emulated unit has it."""
    is_emulated: bool
    """Whether the unit is ours, so that `holds` tells."""
    events: tuple[Event, ...]
    """What sender and unit reported while it was sent."""
    findings: tuple[Finding, ...]
    """What sending and reading back showed; what the file showed is in the dump."""
    stopped: bool
    """Whether the user interrupted it, or the port failed."""
    stall_ns: int = 0
    """For how long this computer was stopped while it was sent, 0 where it was not."""
    still_there: bool | None = None
    """Whether the unit had it at the end of the replay; None: nobody looked."""
    is_replaced: bool = False
    """Whether a later dump with its number took its place, as the user had allowed."""

    @property
    def is_rigs_fault(self) -> bool:
        """Whether it failed and this computer was stopped meanwhile: no evidence about others."""
        failed = self.outcome in (Outcome.INCOMPLETE, Outcome.UNCONFIRMED)
        return failed and self.stall_ns > 0 and not self.stopped

    @property
    def is_well(self) -> bool:
        """Whether it is shown that the unit has just what was sent, under the number it went to.

        What was read back shows it, or else what an emulated memory holds; the answers alone do
        only if no reading back was wanted.
        """
        if self.outcome is Outcome.NOT_KEPT:
            return self.is_replaced
        if self.verified is not None or not self.is_emulated:
            is_shown = self.verified or (self.verified is None and not self.is_to_be_read)
            return self.outcome is Outcome.LOADED and is_shown
        held = self.comparison
        return (
            self.outcome in (Outcome.LOADED, Outcome.UNCONFIRMED)
            and held is not None
            and held.same
            and held.same_fields
            and self.kept_as == self.dump.header.sample_number
        )
