"""What the functions of dryload return; `str()` of each is what the command line prints."""

from collections.abc import Sequence

from msgspec import Struct

from dryload.emulator.dump.capture import Capture, Passage
from dryload.emulator.wire.words import Words
from dryload.harness.diagnose.weigh import Suspicion
from dryload.harness.files.recorded import Recorded, TakenAt
from dryload.harness.jobs.compare import FileComparison
from dryload.harness.jobs.outcome import Outcome, Transfer
from dryload.harness.judge.conversation import ConversationComparison
from dryload.harness.judge.finding import Finding, Verdict


class Report(Struct, frozen=True, kw_only=True):
    """What the standard says of a dump file or a capture."""

    dumps: int
    """Dumps in it, broken ones too."""
    findings: tuple[Finding, ...]
    """Each with its clause, verdict, place, what was expected and what was found."""
    is_right: bool
    """Whether nothing is broken, and each dump of a capture reached its end."""
    text: str

    def __str__(self) -> str:
        """Return the report for people."""
        return self.text

    @property
    def broken(self) -> tuple[Finding, ...]:
        """The findings that violate a must of the standard."""
        return tuple(each for each in self.findings if each.verdict is Verdict.BROKEN)


class Result(Struct, frozen=True, kw_only=True, eq=False):
    """What became of dumps that were rehearsed, in the order in which they were sent."""

    transfers: tuple[Transfer, ...]
    """One a dump: `outcome`, `verified`, `reason`, `slot`, `holds` (the sample that the unit has of
    it), `all_findings`, and `times` in ns of virtual time."""
    not_sent: tuple[str, ...]
    """Why some of what was given was not sent, a sentence each."""
    passages: tuple[Passage, ...]
    """Every byte that passed, both ways, with its time in ns."""
    text: str

    def __str__(self) -> str:
        """Return the report for people."""
        return self.text

    @property
    def recorded(self) -> Recorded:
        """What passed, as a capture of the line."""
        return Recorded(capture=Capture(passages=list(self.passages)), taken_at=TakenAt.LINE)

    @property
    def is_well(self) -> bool:
        """Whether all that was given is right, was sent, and is shown to be in the unit."""
        is_all = bool(self.transfers) and not self.not_sent
        return is_all and all(each.is_well for each in self.transfers)

    @property
    def outcome(self) -> Outcome | None:
        """The outcome of the first dump that is not well, or of the first; None: none was sent."""
        first = self._first()
        return None if first is None else first.outcome

    @property
    def verified(self) -> bool | None:
        """Whether each dump came back as it was sent, word for word; None: one was not read."""
        each = [transfer.verified for transfer in self.transfers]
        if False in each:
            return False
        return True if each and None not in each else None

    @property
    def words(self) -> Words | None:
        """The words that the unit holds of the dump of `outcome`, None where it holds none."""
        first = self._first()
        return None if first is None or first.holds is None else first.holds.words

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What files, sending and reading back showed, of all dumps."""
        return tuple(finding for each in self.transfers for finding in each.all_findings)

    @property
    def total_ns(self) -> int:
        """How long sending took, in ns of virtual time, without reading back."""
        return sum(each.times.total_ns for each in self.transfers)

    def _first(self) -> Transfer | None:
        well: Sequence[Transfer] = [each for each in self.transfers if not each.is_well]
        return next(iter(well or self.transfers), None)


class Diagnosis(Struct, frozen=True, kw_only=True, eq=False):
    """Why a recorded transfer failed."""

    is_something_wrong: bool
    causes: tuple[Suspicion, ...]
    """The likeliest first: `name`, `because`, `evidence`, and `cause.remedy`."""
    unknown: tuple[str, ...]
    """What the capture cannot show."""
    text: str

    def __str__(self) -> str:
        """Return the diagnosis for people."""
        return self.text


class Difference(Struct, frozen=True, kw_only=True, eq=False):
    """How two files, or two captures, differ."""

    same: bool
    details: FileComparison | ConversationComparison
    text: str

    def __str__(self) -> str:
        """Return the comparison for people."""
        return self.text
