"""Whether a unit still has, at the end of a replay, what it had when each dump was through.

Theory of operation.  What was read back after a dump is the truth of that moment.  Later dumps may
have taken its place, because a unit puts two sample numbers into one place of its own, or the unit
may have lost its memory.  An emulated unit's memory tells.  Any other unit is asked again for every
sample but the last one, and only as far as it takes: what comes under its number is compared with
what came before, header first, then packet by packet up to the first one in which it differs from
all that was sent later; there the unit is told to stop.  Silence is the right answer for a sample
that is not there (REQ-03), and also what a unit says that is off: it means the one only where the
unit still answers for another sample.
"""

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
from msgspec.structs import replace

from dryload.emulator.dump.sample import Sample, same_samples
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.wire.sizes import words_per_packet
from dryload.harness.jobs.dumps import Dump
from dryload.harness.jobs.fetch import Standing
from dryload.harness.jobs.outcome import Outcome, Transfer
from dryload.harness.jobs.playlist import LeftOut, PlayRow, Why, meet

_HELD: Final = (Outcome.LOADED, Outcome.CHANGED, Outcome.UNCONFIRMED)
_ARRIVED: Final = (Outcome.LOADED, Outcome.CHANGED, Outcome.NOT_KEPT)
SILENT: Final = (
    "at the end of the replay the unit answers no request, so nothing says that it still has it"
)
_SHOWN: Final = {
    Standing.THERE: "",
    Standing.OTHER: "at the end of the replay the unit sends something else as this sample",
    Standing.DECLINED: "at the end of the replay the unit does not send it any more",
    Standing.NO_ANSWER: SILENT,
    Standing.NOT_ASKED: None,
}

_ALIVE: Final = (Standing.THERE, Standing.OTHER)
Look = Callable[[Dump, Sample, int], Standing | None]
"""Asks the unit for so many packets of a dump, which came back as that sample before; None where
the port is gone."""
Still = Callable[[Transfer, Sequence[Transfer]], "str | None"]
"""Asked, of a transfer and all later ones, why the unit does not have it any more: "" if it has,
None where that can't be known."""


def settled(rows: Sequence[PlayRow], still: Still) -> list[PlayRow]:
    """Return the rows as it stands at the end: what a unit does not have any more is not loaded."""
    found: list[PlayRow] = []
    for at, row in enumerate(rows):
        later = _later(rows[at + 1 :])
        if isinstance(row, Transfer):
            found.append(_settled(row, later, still) if row.outcome in _HELD else row)
        elif row.loaded is not None and _rival_of(row.loaded, later) is not None:
            found.append(LeftOut(what=row.loaded, why=Why.REPLACED))
        else:
            found.append(row)
    if not any(isinstance(row, Transfer) and row.reason == SILENT for row in found):
        return found
    return [  # what a unit had that has fallen silent, nobody knows
        replace(row, outcome=Outcome.UNCONFIRMED, reason=SILENT, still_there=None)
        if isinstance(row, Transfer) and row.outcome in _HELD
        else row
        for row in found
    ]


def _later(after: Sequence[PlayRow]) -> list[Transfer]:
    """Return what may have changed the unit's memory; a dump that it refuses leaves it as it is."""
    transfers = [row for row in after if isinstance(row, Transfer)]
    return [each for each in transfers if each.outcome is not Outcome.REFUSED]


def _settled(row: Transfer, later: Sequence[Transfer], still: Still) -> Transfer:
    rival = _rival_of(row.dump, later)
    if rival is not None and rival.outcome in _ARRIVED and not _is_as_it_was(row, rival):
        return replace(
            row,
            outcome=Outcome.NOT_KEPT,
            reason=f"{rival.dump.title} was sent to its place later",
            still_there=False,
            is_replaced=row.is_shown,
        )
    gone = "" if not later and row.verified else still(row, later)
    if gone == "":
        return replace(row, still_there=True)
    if gone == SILENT:
        return replace(row, outcome=Outcome.UNCONFIRMED, reason=SILENT, still_there=None)
    if gone is not None:
        return replace(row, outcome=Outcome.NOT_KEPT, reason=gone, still_there=False)
    if rival is None:
        return row
    why = f"{rival.dump.title} was sent to its place later, and nobody knows what became of that"
    return replace(row, outcome=Outcome.UNCONFIRMED, reason=why, still_there=False)


def _is_as_it_was(transfer: Transfer, rival: Transfer) -> bool:
    """Whether what came back of a later dump is the earlier one: it went to another place."""
    mine, its = transfer.read, rival.read
    return mine is not None and its is not None and same_samples(mine, its)


def _rival_of(dump: Dump, later: Sequence[Transfer]) -> Transfer | None:
    """Return the last one that was sent to a dump's place, unless that brought it there again."""
    rival = next((each for each in reversed(later) if meet(each.dump, dump)), None)
    return None if rival is not None and rival.is_shown and rival.dump.key == dump.key else rival


def in_memory(unit: RackUnit) -> Still:
    """Return what looks into an emulated unit."""

    def still(transfer: Transfer, later: Sequence[Transfer]) -> str | None:
        if transfer.slot is None or transfer.holds is None:
            return None
        sample = unit.slots[transfer.slot].sample
        if sample is None:
            return f"slot {transfer.slot} is empty at the end of the replay"
        same = same_samples(sample, transfer.holds)
        return "" if same else f"slot {transfer.slot} holds something else at the end of the replay"

    return still


def on_the_line(look: Look, wants_stop: Callable[[], bool]) -> Still:
    """Return what asks a unit over the line; it does not while the user wants to end."""

    def answer(dump: Dump, read: Sample, later: Sequence[Transfer]) -> Standing | None:
        packets = _telling(read, [each.read or each.dump.sample for each in later])
        shown = look(dump, read, packets)
        known = [(each.dump, each.read) for each in later if each.read is not None]
        # Silence tells only where the unit still sends the last sample that it sent back.
        if shown is Standing.NO_ANSWER and known and look(*known[-1], 1) in _ALIVE:
            # The question or its answer may have been lost: now it is known to live.
            shown = look(dump, read, packets)
            return Standing.DECLINED if shown is Standing.NO_ANSWER else shown
        return shown

    def still(transfer: Transfer, later: Sequence[Transfer]) -> str | None:
        if wants_stop() or transfer.read is None:
            return None
        shown = answer(transfer.dump, transfer.read, later)
        return SILENT if shown is None else _SHOWN[shown]  # a port that is gone answers nothing

    return still


def _telling(read: Sample, others: Sequence[Sample]) -> int:
    """Return how many packets of a sample tell it from all others; one at least."""
    step = words_per_packet(read.bits)
    most = -(-len(read.words) // step)
    telling = 1
    for other in others:
        if other.bits == read.bits and len(other.words) == len(read.words):
            different = np.flatnonzero(other.words != read.words)
            if different.size:
                telling = max(telling, int(different[0]) // step + 1)
    return min(telling, most)
