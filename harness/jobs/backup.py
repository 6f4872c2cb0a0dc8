"""A backup of a unit: what reading all of it came to, and the list that lies beside the dumps."""

import os
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Final

from dryload.emulator.dump.sample import Loop
from dryload.emulator.wire.constants import MAX_SAMPLE_NUMBER
from dryload.emulator.wire.messages import DumpHeader
from dryload.emulator.wire.prose import ranged, runs
from dryload.harness.files import backup_file
from dryload.harness.files.backup_file import BackupList, ListedSample
from dryload.harness.files.opening import escaped
from dryload.harness.jobs.read import EMPTY, Came, ReadOut, ReadRequest, ReadResult
from dryload.harness.judge.fields import loop_text
from dryload.harness.judge.finding import Verdict
from dryload.harness.judge.plan import rate_of

_NOT_OVER: Final = "the reading did not get to its end"


class Listing:
    """The list of a backup while it is made; on the disk it is true after each sample.

    Of an older list a row stays until its number is answered otherwise.
    """

    def __init__(self, asked: ReadRequest, began: datetime) -> None:
        """Begin a list; a Problem where the older one can't be read."""
        folder = asked.output
        older = backup_file.load(folder).samples if backup_file.is_backup(folder) else ()
        self._asked: Final = asked
        self._began: Final = began.replace(microsecond=0)
        self._rows: Final = {each.number: each for each in older}
        self._last = asked.wanted.first
        self.is_written = False

    def take(self, came: Came, when: datetime) -> None:
        """Take what came of one number; a Problem where a list can't be written."""
        self._last = max(self._last, came.number)
        if came.file:
            self._rows[came.number] = _listed(came, when)
            self._write(why_not=[_NOT_OVER])
        elif came.result in EMPTY:
            self._rows.pop(came.number, None)

    def end(self, came: Sequence[Came], job: ReadOut, *, stopped: bool) -> None:
        """Write what all of it is worth, if anything was stored; a Problem where that fails."""
        if self.is_written:
            why_not = shortcomings(came, job, stopped=stopped)
            self._write(why_not=why_not, cannot_tell=list(_cannot_tell(came, job)))

    def _write(self, *, why_not: Sequence[str], cannot_tell: Sequence[str] = ()) -> None:
        held = BackupList(
            schema=backup_file.SCHEMA,
            target=escaped(self._asked.target),
            device_id=self._asked.device_id,
            began=self._began,
            requested=f"{self._asked.wanted.first} to {self._last}",
            complete=not why_not,
            why_not=tuple(map(escaped, why_not)),
            cannot_tell=tuple(cannot_tell),
            samples=tuple(self._rows[number] for number in sorted(self._rows)),
        )
        backup_file.write(self._asked.output, held)
        self.is_written = True


def shortcomings(came: Sequence[Came], job: ReadOut, *, stopped: bool) -> list[str]:
    """Return why not all that was asked for is stored whole, each without a full stop.

    A number without an answer counts as one with nothing only where the unit went on to answer, and
    at least one sample has to be there.
    """
    wanted, last = job.asked.wanted, max((each.number for each in came), default=-1)
    found = [f"sample {each.number} {why}" for each in came if (why := _shortcoming(each))]
    if stopped:
        found.append("you stopped it")
    if job.failed is not None:
        found.append(f"the port failed: {job.failed.what.strip().rstrip('.')}")
    if not any(each.file for each in came):
        found.append("no sample arrived")
    if len(came) < wanted.count:
        first = max(last + 1, wanted.first)
        found.append(f"not requested: {ranged('number', first, wanted.last - first + 1)}")
    elif wanted.goes_on and last < MAX_SAMPLE_NUMBER:
        found.append(f"not requested: numbers above {last:,}")
    if job.still_answers is False:
        found.append("the unit stopped answering, so that its last silences mean nothing")
    return found


def _shortcoming(came: Came) -> str:
    match came.result:
        case ReadResult.TORN:
            return f"did not arrive whole: {came.reason}"
        case ReadResult.STOPPED:
            return "did not arrive whole"
        case ReadResult.BROKEN:
            worst = next(each for each in came.findings if each.verdict is Verdict.BROKEN)
            return f"is broken: {worst.message.rstrip('.')}"
        case ReadResult.READ if not came.file:
            return "was not written"
    return ""


def _cannot_tell(came: Sequence[Came], job: ReadOut) -> Iterator[str]:
    """Yield what nobody knows of the unit after this, each without a full stop."""
    yield "in which slot a sample lies: no message carries it"
    yield "key ranges, levels and what else is set at the panel: no message carries them"
    yield "samples that it does not give out, as some units keep protected ones to themselves"
    if job.tells_names is False:
        yield "names: it did not tell the first one, and was not asked for others"
    silent = [each.number for each in came if each.result is ReadResult.SILENT]
    if silent:
        yield f"whether a number that it did not answer holds something: {runs(silent)}"


def _listed(came: Came, when: datetime) -> ListedSample:
    """Return the row of a sample that is stored."""
    header = came.header
    assert header is not None
    rate = rate_of(header)
    loop = Loop(start=header.loop_start, end=header.loop_end, loop_type=header.loop_type)
    return ListedSample(
        number=came.number,
        name=came.name,
        file=os.path.basename(came.file),
        words=came.words,
        bits=header.bits,
        channels=header.channels,
        period_ns=header.period_ns if isinstance(header, DumpHeader) else None,
        rate_hz=None if rate is None else float(rate),
        loop=loop_text(loop),
        more_loops=came.loops,
        not_told=came.untold,
        sha256=came.sha256,
        when=when.replace(microsecond=0),
    )
