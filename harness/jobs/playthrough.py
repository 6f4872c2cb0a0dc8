"""A selection played through, in order: rehearsed and live it goes on, and ends, by the same rule.

Theory of operation.  What was sorted out beforehand is passed over.  A unit that refuses dumps at
the header for a reason of its own, such as memory that is not initialised, refuses the next ones
too.  So after two refusals in a row a dump that is no smaller than those is sent only if the user
says so; a smaller one may still fit, and to try costs a fifth of a second.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from emulator.dump.sample import same_samples
from harness.jobs.afterwards import SILENT, Still
from harness.jobs.outcome import Outcome
from harness.jobs.playlist import Dump
from harness.jobs.selection import LeftOut, Selection, Why, meet
from harness.jobs.transfer import Transfer
from harness.judge.finding import Finding

if TYPE_CHECKING:
    from harness.diagnose.diagnose import Diagnosis

_EQUAL_REFUSALS: Final = 2
_HELD: Final = (Outcome.LOADED, Outcome.CHANGED, Outcome.UNCONFIRMED)
_ARRIVED: Final = (Outcome.LOADED, Outcome.CHANGED, Outcome.NOT_KEPT)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Played:
    """One transfer with everything that is to be said of it."""

    transfer: Transfer
    diagnosis: "Diagnosis | None" = None
    """Of a dump that went to a port and did not load well: why."""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the file, sending and reading back showed."""
        return (*self.transfer.dump.findings, *self.transfer.findings)

    @property
    def is_well(self) -> bool:
        """Whether it is shown that the unit has the dump, and the dump is right.

        Loading was asked for: what a unit does against the standard on the way is told, no more.
        """
        return self.transfer.is_well and not self.transfer.dump.is_broken


Row = Played | LeftOut
"""What became of one item of a selection."""


def play_through(
    selection: Selection,
    play: Callable[[Dump], Row],
    *,
    hindrance: Callable[[], Why | None],
    goes_on: Callable[[Dump], bool] = lambda dump: False,
) -> Iterator[Row]:
    """Play what is to be sent, until there is a `hindrance`; yield every item's row.

    `goes_on` is asked, once, whether a dump is to be sent although the unit refused two like it.
    """
    refused: list[Dump] = []
    answer: bool | None = None
    for each in selection.items:
        if isinstance(each, LeftOut):
            yield each
            continue
        if (why := hindrance()) is not None:
            yield LeftOut(what=each, why=why)
            continue
        if _is_like(each, refused):
            answer = goes_on(each) if answer is None else answer
            if not answer:
                yield LeftOut(what=each, why=Why.REFUSED_ALIKE)
                continue
        row = play(each)
        if isinstance(row, Played) and row.transfer.sent:
            refused.clear()
        elif isinstance(row, Played) and row.transfer.outcome is Outcome.REFUSED:
            refused.append(each)
        yield row


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


def _is_like(dump: Dump, refused: list[Dump]) -> bool:
    """Whether a unit that refused those will refuse this, for all that can be known."""
    alike = [each for each in refused if _asks_no_more(each, dump)]
    return len(alike) >= _EQUAL_REFUSALS


def _asks_no_more(one: Dump, other: Dump) -> bool:
    """Whether a dump is for the same unit as another one, and asks no more of it."""
    mine, its = one.header, other.header
    return (
        type(mine) is type(its)
        and mine.device_id == its.device_id
        and mine.bits <= its.bits
        and len(one.sample.words) <= len(other.sample.words)
    )
