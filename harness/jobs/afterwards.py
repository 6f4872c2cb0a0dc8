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
from contextlib import suppress
from dataclasses import replace
from typing import Final

import numpy as np

from emulator.dump.outgoing import sample_from
from emulator.dump.sample import Sample, same_samples
from emulator.ports.port import PortError
from emulator.unit.board import RackUnit
from emulator.wire.messages import Header
from emulator.wire.sizes import words_per_packet
from harness.jobs.dumps import Dump
from harness.jobs.fetch import Asker, Glimpse
from harness.jobs.line import Line
from harness.jobs.outcome import Outcome, Transfer
from harness.jobs.playlist import LeftOut, Played, Row, Why, meet

_HELD: Final = (Outcome.LOADED, Outcome.CHANGED, Outcome.UNCONFIRMED)
_ARRIVED: Final = (Outcome.LOADED, Outcome.CHANGED, Outcome.NOT_KEPT)
_GONE: Final = "at the end of the replay the unit does not send it any more"
SILENT: Final = (
    "at the end of the replay the unit answers no request, so nothing says that it still has it"
)
_OTHER: Final = "at the end of the replay the unit sends something else as this sample"

Still = Callable[[Transfer, Sequence[Transfer]], "str | None"]
"""Asked, of a transfer and all later ones, why the unit does not have it any more: "" if it has,
None where that can't be known."""


def settled(rows: Sequence[Row], still: Still) -> list[Row]:
    """Return the rows as it stands at the end: what a unit does not have any more is not loaded."""
    found = [_settled(row, _later(rows[at + 1 :]), still) for at, row in enumerate(rows)]
    if any(isinstance(row, Played) and row.transfer.reason == SILENT for row in found):
        return [_unsure(row) for row in found]
    return found


def _unsure(row: Row) -> Row:
    """Return a row as it stands where the unit has fallen silent: what it had, nobody knows."""
    if not isinstance(row, Played) or row.transfer.outcome not in _HELD:
        return row
    transfer = replace(row.transfer, outcome=Outcome.UNCONFIRMED, reason=SILENT, still_there=None)
    return replace(row, transfer=transfer)


def _later(after: Sequence[Row]) -> list[Transfer]:
    """Return what may have changed the unit's memory; a dump that it refuses leaves it as it is."""
    transfers = [row.transfer for row in after if isinstance(row, Played)]
    return [each for each in transfers if each.outcome is not Outcome.REFUSED]


def _settled(row: Row, later: Sequence[Transfer], still: Still) -> Row:
    if isinstance(row, LeftOut):
        is_replaced = (
            row.why is Why.LOADED_BEFORE
            and isinstance(row.what, Dump)
            and _rival_of(row.what, later) is not None
        )
        return LeftOut(what=row.what, why=Why.REPLACED) if is_replaced else row
    transfer = row.transfer
    if transfer.outcome not in _HELD:
        return row
    rival = _rival_of(transfer.dump, later)
    if rival is not None and rival.outcome in _ARRIVED and not _is_as_it_was(transfer, rival):
        changed = replace(
            transfer,
            outcome=Outcome.NOT_KEPT,
            reason=f"{rival.dump.title} was sent to its place later",
            still_there=False,
            is_replaced=transfer.is_well,
        )
    elif not later and transfer.verified:
        changed = replace(transfer, still_there=True)
    elif gone := still(transfer, later):
        is_silent = gone == SILENT
        changed = replace(
            transfer,
            outcome=Outcome.UNCONFIRMED if is_silent else Outcome.NOT_KEPT,
            reason=gone,
            still_there=None if is_silent else False,
        )
    elif gone == "":
        changed = replace(transfer, still_there=True)
    elif rival is not None:
        changed = replace(
            transfer,
            outcome=Outcome.UNCONFIRMED,
            reason=f"{rival.dump.title} was sent to its place later, and nobody knows what became "
            "of that",
            still_there=False,
        )
    else:
        return row
    return replace(row, transfer=changed)


def _is_as_it_was(transfer: Transfer, rival: Transfer) -> bool:
    """Whether what came back of a later dump is the earlier one: it went to another place."""
    mine, its = transfer.read, rival.read
    return mine is not None and its is not None and same_samples(mine, its)


def _rival_of(dump: Dump, later: Sequence[Transfer]) -> Transfer | None:
    """Return the last one that was sent to a dump's place, unless that brought it there again."""
    rival = next((each for each in reversed(later) if meet(each.dump, dump)), None)
    return None if rival is not None and rival.is_well and rival.dump.key == dump.key else rival


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


def on_the_line(
    line: Line, wants_stop: Callable[[], bool], again: Callable[[], Line | None] = lambda: None
) -> Still:
    """Return what asks a unit over the line; it does not while the user wants to end.

    A unit may hang up after each dump that it sends: `again` opens the line anew, None where that
    fails.
    """
    asker = Asker(line, wants_stop=wants_stop)
    has_failed = False

    def look_again(transfer: Transfer, later: Sequence[Transfer]) -> str | None:
        nonlocal asker, has_failed
        opened = again()
        if opened is not None:
            asker = Asker(opened, wants_stop=wants_stop)
            with suppress(PortError):
                return answer(transfer, later)
        has_failed = True
        return SILENT  # a port that is gone answers nothing either

    def look(transfer: Transfer, read: Sample, later: Sequence[Transfer]) -> str | None:
        header = transfer.dump.header
        packets = _telling(read, [each.read or each.dump.sample for each in later])
        seen = asker.glance(header.device_id, header.sample_number, packets=packets)
        return _what_is_wrong(seen, transfer, read)

    def answer(transfer: Transfer, later: Sequence[Transfer]) -> str | None:
        if transfer.read is None:
            return None
        said = look(transfer, transfer.read, later)
        if said == _OTHER:
            said = look(transfer, transfer.read, later)  # a header has no checksum
        if said == SILENT and _answers(asker, later):
            # The question or its answer may have been lost: now it is known to live.
            said = look(transfer, transfer.read, later)
            said = _GONE if said == SILENT else said
        return said

    def still(transfer: Transfer, later: Sequence[Transfer]) -> str | None:
        if has_failed or wants_stop():
            return None
        try:
            return answer(transfer, later)
        except PortError:
            return look_again(transfer, later)

    return still


def _answers(asker: Asker, later: Sequence[Transfer]) -> bool:
    """Whether the unit still sends the last sample that it sent back: only then silence tells."""
    known = [each for each in later if each.read is not None]
    if not known:
        return False
    header = known[-1].dump.header
    seen = asker.glance(header.device_id, header.sample_number, packets=1)
    return seen.header is not None


def _what_is_wrong(seen: Glimpse, transfer: Transfer, read: Sample) -> str | None:
    """Return what is wrong with the beginning of a sample that came back before."""
    if seen.stopped or seen.torn:
        return None
    if seen.header is None:
        return _GONE if seen.declined else SILENT
    # Its header came damaged before where it is the one that was sent now.
    known = next((each for each in (read, transfer.dump.sample) if _is_of(seen.header, each)), None)
    words = read.words[:0] if seen.sample is None else seen.sample.words
    is_it = known is not None and np.array_equal(words, known.words[: len(words)])
    return "" if is_it and (len(words) or not len(read.words)) else _OTHER


def _is_of(header: Header, known: Sample) -> bool:
    """Whether a header is that of a sample."""
    sample = sample_from(header, np.zeros(0, np.uint8))
    return header.length * max(header.channels, 1) == len(known.words) and (
        sample.bits,
        sample.rate,
        sample.channels,
    ) == (known.bits, known.rate, known.channels)


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
