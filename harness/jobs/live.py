"""A live replay: an evening at a port, in real time, with a journal and a judge.

Theory of operation.  It is the replay of a rehearsal (`transfer`) over the real driver, with
nothing known of the unit's insides.  Every step of a dump is written down before the next one
begins.

`sending` stands on the disk before the first byte goes, `sent` before the
unit is asked to send the sample back, `ended` when it is settled what became of the dump.  A dump
that was sent and could not be read back stays `sent`: another time reading back goes on.  Whoever
is killed at whatever instant so leaves a journal that claims no more than was seen.

What a journal says is of another time: the unit may have been switched off since, and few have a
battery.  So before anything is sent the unit is asked for the beginning of each sample that it
should have (`look`), and what it does not show is not called loaded.  Silence is the right answer
for a sample that is not there (REQ-03), and all that some units ever say to a request: it means the
one where the unit has been seen to answer requests, and nothing where it has not.

A unit may hang up after each dump, which may be noticed only in the next one.  So a port that fails
is opened once more for the step that it failed in, and the step is done again from its beginning;
one that fails twice in sending the same dump ends the evening.

Where the journal can't be written at the beginning, nothing is sent.  Later the evening goes on
without it, and `unwritten` says so; but nothing is sent in the place of a sample of which the
journal would go on to say that the unit has it.

What passed is judged by the judge of a conversation, as `validate` would.  But our own sender's
events tell what was answered and when, and what was sent again: they know how late this computer
was, and what the sender has learnt of the unit.  All else is the judge's: who answered as another
device, what came that was not asked for, and what is wrong with the dump that came back.  Nothing
is told twice: what is wrong with our own messages stands in the file's findings, and of a sample
that had to be read again the last try counts.
"""

from collections.abc import Callable, Container, Sequence
from typing import Any, Final

from msgspec.structs import replace

from dryload.emulator.dump.capture import Capture, Direction
from dryload.emulator.dump.sample import Sample
from dryload.emulator.ports.pacer import Pacer
from dryload.emulator.ports.port import Port, PortError
from dryload.emulator.ports.real import RealLine, Recorder
from dryload.emulator.wire.constants import BYTE_NS
from dryload.harness.files.journal import Journal, JournalEntry, JournalStage
from dryload.harness.files.problem import Problem
from dryload.harness.files.recorded import Recorded, TakenAt
from dryload.harness.jobs.afterwards import on_the_line, settled
from dryload.harness.jobs.dumps import Dump, source_of
from dryload.harness.jobs.fetch import ANSWER_NS, GLANCE, Standing, standing_of
from dryload.harness.jobs.line import never
from dryload.harness.jobs.outcome import Outcome, Transfer, taken_as_sent
from dryload.harness.jobs.playlist import LeftOut, PlayRow, Selection, Why, without_replaced
from dryload.harness.jobs.transfer import Replay, Settings, StepProgress, sent_before
from dryload.harness.judge.dialogue.judge import follow_capture, judge_followed
from dryload.harness.judge.finding import Answerable, Finding, Verdict

_MOMENT_NS: Final = 500_000_000
"""What whoever has hung up is given to be there again, or to be gone for good."""
_BY_EVENTS: Final = frozenset(
    {"HSK-02", "HSK-06", "HSK-07", "HSK-08", "HSK-09", "HSK-12", "HSK-14", "HSK-15", "HSK-17"}
    | {"HSK-21", "EXT-09", "PKT-11", "REQ-03"}
)
"""Clauses of which the events of sender and requester tell, and the outcome."""
_TIMES: Final = "TIM-"
_GONE: Final = (Standing.OTHER, Standing.DECLINED)


class LiveReplay(Replay):
    """The replay that plays dumps over a port.

    What passed is forgotten when the next dump begins; `recorder` is told of all of it.
    """

    def __init__(
        self,
        port: Port,
        *,
        paced: bool = True,
        settings: Settings | None = None,
        progress: StepProgress | None = None,
        wants_stop: Callable[[], bool] = never,
        recorder: Recorder | None = None,
    ) -> None:
        self.line: Final = RealLine(
            port,
            pacer=Pacer(byte_ns=BYTE_NS if paced else 0),
            listener=lambda _, events: self.hear(events),
            recorder=recorder,
        )
        super().__init__(
            self.line,
            lateness=self.line.lateness,
            settings=settings,
            progress=progress,
            wants_stop=wants_stop,
        )
        self.clock: Final = port.clock
        self._start_ns: Final = port.clock.now_ns()

    def look_for(
        self, dump: Dump, *others: Sample, packets: int = GLANCE, answer_ns: int | None = None
    ) -> Standing | None:
        """Ask for the beginning of a dump that the unit was sent before, or one of the `others`.

        None: the port failed.
        """
        standing = None
        for _ in range(2):  # a header has no checksum: another one is asked for again
            seen = self.glance(dump, packets=packets, answer_ns=answer_ns)
            standing = None if seen is None else standing_of(seen, dump, *others)
            if standing is not Standing.OTHER:
                break
        return standing

    def send(self, dump: Dump) -> Transfer:
        """Send one dump."""
        self.line.capture.passages.clear()
        sent = super().send(dump)
        return replace(sent, passages=tuple(self.line.capture.passages))

    def conclude(self, sent: Transfer) -> Transfer:
        """Read back what was sent and compare; judge what passed, and say why it did not go well.

        It may have been sent over another port that has failed since.
        """
        self.line.capture.passages.clear()
        transfer = super().conclude(sent)
        if transfer.stopped:
            return transfer
        recorded = Recorded(
            capture=Capture([*sent.passages, *self.line.capture.passages]),
            late_ns=0 if sent.late is None else sent.late[1].worst_since_ns(sent.late[0]),
            start_ns=self._start_ns,
            taken_at=TakenAt.HOST,
        )
        more = _judged(recorded, transfer.dump)
        transfer = replace(transfer, findings=(*transfer.findings, *more))
        # What was answered to its end and not read back did not go wrong for all that is known.
        is_unread = sent.outcome is Outcome.LOADED and transfer.verified is None
        if transfer.is_shown or is_unread or transfer.is_rigs_fault:
            return transfer
        from dryload.harness.diagnose.diagnose import diagnose

        return replace(transfer, diagnosis=diagnose(recorded, [source_of(transfer.dump)]))


class Evening:
    """Plays dumps at a port and keeps the journal of it.

    `connect` opens the port, or opens it again; it may raise a Problem.
    """

    def __init__(
        self, connect: Callable[[], LiveReplay], journal: Journal, *, reads_back: bool
    ) -> None:
        self._connect: Final = connect
        self._journal: Final = journal
        self._reads_back: Final = reads_back
        self._live = connect()
        self._has_begun = False  # something is written down
        self._to_read: dict[Dump, Outcome] = {}  # sent another time, and still there
        self.failed: PortError | None = None
        """What ended it, where the port failed."""
        self.unwritten: Problem | None = None
        """Why not everything could be written down, None where it was."""

    def claimed(self, selection: Selection) -> list[Dump]:
        """Return what the unit should have, by what the journal says."""
        return [dump for item in selection.items if (dump := self._claimed(item)) is not None]

    def is_only_read(self, dump: Dump) -> bool:
        """Whether a dump was sent another time and is still there, but was not read back."""
        return dump in self._to_read

    def look(self, selection: Selection) -> Selection:
        """Ask the unit for what it should have; return what is left to do by what it shows."""
        standings = {dump: self._look(dump) for dump in self.claimed(selection)}
        answers = any(each.verified is not None for each in self._journal.entries) or any(
            each in (Standing.THERE, *_GONE) for each in standings.values()
        )

        def left(item: Dump | LeftOut) -> Dump | LeftOut:
            dump = self._claimed(item)
            return item if dump is None else self._left(dump, standings[dump], answers=answers)

        def there(item: Dump | LeftOut) -> Dump | None:
            if isinstance(item, LeftOut):
                return item.loaded
            return item if item in self._to_read else None

        return replace(selection, items=without_replaced(list(map(left, selection.items)), there))

    def play(self, dump: Dump) -> PlayRow:
        """Play one dump; a Problem where not even the first one can be written down."""
        if not self._is_up():
            return LeftOut(what=dump, why=Why.PORT_FAILED)
        if dump in self._to_read:
            return self._concluded(sent_before(dump, self._to_read[dump]))
        known = self._journal.entry_at(*dump.key[:2])
        is_written = self._enter(dump, JournalStage.SENDING)
        if not is_written and known is not None and known.claims:
            return LeftOut(what=dump, why=Why.NOT_WRITTEN)
        sent = self._sent(dump)
        if sent.is_whole:
            self._enter(dump, JournalStage.SENT, outcome=str(sent.outcome))
        return self._concluded(sent)

    def _claimed(self, item: Dump | LeftOut) -> Dump | None:
        """Return the dump of an item if the journal says that the unit should have it."""
        if isinstance(item, LeftOut):
            return item.loaded
        entry = self._journal.entry_of(*item.key)
        return item if entry is not None and entry.claims else None

    def _look(
        self, dump: Dump, *others: Sample, packets: int = GLANCE, answer_ns: int | None = None
    ) -> Standing | None:
        """Ask for the beginning of a dump, again where the unit has hung up; None: it is gone."""
        standing = None
        for _ in range(2):
            if standing is None and self._is_up():
                standing = self._live.look_for(dump, *others, packets=packets, answer_ns=answer_ns)
        return standing

    def _left(self, dump: Dump, standing: Standing | None, *, answers: bool) -> Dump | LeftOut:
        """Return what is left to do of a dump that the unit should have."""
        if standing in _GONE or (standing is Standing.NO_ANSWER and answers):
            return dump
        entry = self._journal.entry_of(*dump.key)
        assert entry is not None
        if standing is not Standing.THERE:
            is_loaded = entry.is_well or entry.outcome == Outcome.LOADED
            return LeftOut(what=dump, why=Why.NOT_SHOWN) if is_loaded else dump
        if self._reads_back and not entry.verified:
            self._to_read[dump] = Outcome(entry.outcome)
            return dump
        if entry.is_well or entry.outcome == Outcome.LOADED:
            return LeftOut(what=dump, why=Why.LOADED_BEFORE)
        return dump

    def _sent(self, dump: Dump) -> Transfer:
        """Send a dump, from its beginning once more where the port had gone."""
        sent = self._live.send(dump)
        if not sent.is_whole and self._live.failed is not None and self._is_up():
            before, sent = sent, self._live.send(dump)
            if not sent.is_whole and sent.sent < before.sent:
                sent = before  # what came of it at the most
            elif not sent.is_whole and before.sent == len(dump.outgoing.packets):
                sent = taken_as_sent(sent)  # it hangs up once it has the last packet
        if not sent.is_whole:
            self.failed = self.failed or self._live.failed
        return sent

    def _concluded(self, sent: Transfer) -> Transfer:
        """Read a dump back, a second time where the port had gone, and write down what came."""
        transfer = self._live.conclude(sent)
        if sent.is_whole and self._live.failed is not None and self._is_up():
            # What was lost while the port was gone is nobody's doing at the other end.
            transfer = replace(self._live.conclude(sent), diagnosis=None)
        if not (sent.is_whole and self._reads_back and transfer.verified is None):
            self._enter(
                transfer.dump,
                JournalStage.ENDED,
                outcome=str(transfer.outcome),
                verified=transfer.verified,
                is_well=transfer.is_shown and not transfer.stopped,
            )
        return transfer

    def settle(self, rows: Sequence[PlayRow], wants_stop: Callable[[], bool]) -> list[PlayRow]:
        """Return the rows as it stands in the end, and write down what the unit did not keep."""
        is_up = self._is_up()

        def look(dump: Dump, read: Sample, packets: int) -> Standing | None:
            return self._look(dump, read, packets=packets, answer_ns=ANSWER_NS)

        found = settled(rows, on_the_line(look, wants_stop) if is_up else _not_asked)
        for before, row in zip(rows, found, strict=True):
            if isinstance(row, Transfer) and row is not before and not row.still_there:
                is_last = self._journal.entry_of(*row.dump.key) is not None
                if is_last and not row.is_replaced:  # else another dump has its number
                    self._enter(row.dump, JournalStage.ENDED, outcome=str(row.outcome))
        if not is_up or not any(isinstance(row, Transfer) for row in found):
            return found  # the unit can't be asked, or was asked just now
        return [self._still(row) for row in found]

    def _still(self, row: PlayRow) -> PlayRow:
        """Return what is to be said in the end of a dump that the unit had before the others."""
        dump = self._claimed(row) if isinstance(row, LeftOut) else None
        if dump is None or self._look(dump) in (Standing.THERE, Standing.NOT_ASKED, None):
            return row
        return LeftOut(what=dump, why=Why.NOT_SHOWN)

    def _is_up(self) -> bool:
        """Whether there is a port; one that failed is opened once more."""
        if self.failed is None and self._live.failed is not None:
            try:
                self._live.clock.sleep_ns(_MOMENT_NS)
                self._live = self._connect()
            except (Problem, PortError) as problem:
                self.failed = PortError(problem.what, problem.do)
        return self.failed is None

    def _enter(self, dump: Dump, step: JournalStage, **what: Any) -> bool:
        """Write down how far a dump has come, and `what` came of it, if that is possible."""
        device_id, sample_number, sha256 = dump.key
        entry = JournalEntry(
            step=step,
            file=dump.file,
            dump=dump.index,
            sample_number=sample_number,
            device_id=device_id,
            sha256=sha256,
            **what,
        )
        try:
            self._journal.enter(entry)
        except Problem as problem:
            if not self._has_begun:
                raise Problem(f"{problem.what} Nothing was sent.", do=problem.do) from problem
            self.unwritten = self.unwritten or problem
            return False
        self._has_begun = True
        return True


def _not_asked(transfer: Transfer, later: Sequence[Transfer]) -> None:
    """Know nothing of what the unit still has: its port has failed."""


def _judged(recorded: Recorded, dump: Dump) -> tuple[Finding, ...]:
    """Return what the events of a transfer do not tell of what passed in it."""
    followed = follow_capture(recorded)
    verdicts = judge_followed(followed)
    ends = [each.end_ns for each in recorded.capture.passages if each.data]
    zero_ns = max(ends, default=0) - followed.sight.last_ns
    in_file = {finding.clause for finding in dump.findings}
    back = [each for each in verdicts.dumps if each.direction is Direction.FROM_UNIT]
    found = [
        finding
        for each in verdicts.dumps
        if each.direction is Direction.TO_UNIT or each is back[-1]
        for finding in each.findings
    ]
    return tuple(
        _by_the_clock(each, zero_ns)
        for each in (*found, *verdicts.findings)
        if not _is_told(each, in_file)
    )


def _is_told(finding: Finding, in_file: Container[str]) -> bool:
    """Whether the events of a transfer or the findings on its file tell it as well."""
    if finding.answerable is Answerable.SENDER and (
        finding.verdict is not Verdict.BROKEN or finding.clause in in_file
    ):
        return True
    return finding.clause in _BY_EVENTS or finding.clause.startswith(_TIMES)


def _by_the_clock(finding: Finding, zero_ns: int) -> Finding:
    """Return a finding with its time by the clock of the port; its bytes are no file's."""
    at_ns = finding.at.time_ns
    at = replace(finding.at, byte=None, time_ns=None if at_ns is None else at_ns + zero_ns)
    return replace(finding, at=at)
