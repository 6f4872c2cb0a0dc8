"""A live replay with its journal: every step of a dump is written down before the next one begins.

Theory of operation.  `sending` stands on the disk before the first byte goes, `sent` before the
unit is asked to send the sample back, `ended` when it is settled what became of the dump.  A dump
that was sent and could not be read back stays `sent`: another time reading back goes on.  Whoever
is killed at whatever instant so leaves a journal that claims no more than was seen.

Where the journal can't be written at the beginning, nothing is sent.  Later the evening goes on
without it, and `unwritten` says so.
"""

from collections.abc import Sequence
from typing import Final

from harness.files.journal import Entry, Journal, Step
from harness.files.problem import Problem
from harness.jobs.live import LiveReplay
from harness.jobs.outcome import Outcome
from harness.jobs.playlist import Dump
from harness.jobs.playthrough import Played, Row


class Evening:
    """Plays dumps at a port and keeps the journal of it."""

    def __init__(self, live: LiveReplay, journal: Journal) -> None:
        self._live: Final = live
        self._journal: Final = journal
        self._has_begun = False  # something is written down
        self.unwritten: Problem | None = None
        """Why not everything could be written down, None where it was."""

    def play(self, dump: Dump) -> Played:
        """Play one dump; a Problem where not even the first one can be written down."""
        was_sent = False

        def sent(outcome: Outcome) -> None:
            nonlocal was_sent
            was_sent = True
            self._enter(_entry(dump, Step.SENT, outcome=str(outcome)))

        self._enter(_entry(dump, Step.SENDING))
        played = self._live.play(dump, on_sent=sent)
        transfer = played.transfer
        is_unread = self._live.reads_back and transfer.verified is None
        if not (was_sent and is_unread):
            self._enter(
                _entry(
                    dump,
                    Step.ENDED,
                    outcome=str(transfer.outcome),
                    verified=transfer.verified,
                    is_well=transfer.is_well and not transfer.stopped,
                )
            )
        return played

    def correct(self, rows: Sequence[Row]) -> None:
        """Write down what the unit did not keep after all."""
        for row in rows:
            if isinstance(row, Played) and row.transfer.outcome is Outcome.NOT_KEPT:
                transfer = row.transfer
                if not transfer.is_replaced:  # the last word of that number is another dump's
                    self._enter(_entry(transfer.dump, Step.ENDED, outcome=str(transfer.outcome)))

    def _enter(self, entry: Entry) -> None:
        try:
            self._journal.enter(entry)
        except Problem as problem:
            if not self._has_begun:
                raise
            self.unwritten = self.unwritten or problem
        else:
            self._has_begun = True


def _entry(
    dump: Dump,
    step: Step,
    *,
    outcome: str = "",
    verified: bool | None = None,
    is_well: bool = False,
) -> Entry:
    device_id, sample_number, sha256 = dump.key
    return Entry(
        step=step,
        file=dump.file,
        dump=dump.index,
        sample_number=sample_number,
        device_id=device_id,
        sha256=sha256,
        outcome=outcome,
        verified=verified,
        is_well=is_well,
    )
