"""A list of files, sorted out and played through: one rule, rehearsed and live.

Theory of operation.  The dumps are taken in the order in which the files were named, numbered and
addressed as was asked, and judged before a byte is sent.  Left out is what can't be played, what is
broken (unless the user wants it all the same) and what was loaded another time.  Of what is left,
different dumps for the same sample number of the same unit collide: the later one takes the place
of the earlier one, so nothing is sent until the user has said that this is wanted.

What is left is played in order.  A unit that refuses dumps at the header for a reason of its own,
such as memory that is not initialised, refuses the next ones too.  So after two refusals in a row a
dump that is no smaller than those is sent only if the user says so; a smaller one may still fit,
and to try costs a fifth of a second.
"""

from collections.abc import Callable, Container, Iterator, Sequence
from enum import StrEnum
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from dryload.emulator.wire.constants import ALL_CALL
from dryload.harness.files.dumpfile import DumpFile
from dryload.harness.jobs.dumps import (
    Dump,
    DumpKey,
    FileContent,
    Fragment,
    NotADump,
    contents,
    readdressed,
)
from dryload.harness.jobs.outcome import Outcome, Transfer
from dryload.harness.judge.stream import judge_dump

_EQUAL_REFUSALS: Final = 2


class Why(StrEnum):
    """Why something of a list is not sent."""

    NO_DUMP = "no dump in it"
    NO_HEADER = "no header"
    DAMAGED_HEADER = "damaged header"
    BROKEN = "broken"
    ALTERED = "not as listed"
    """Its file is not as the list of its backup says."""
    LOADED_BEFORE = "loaded before"
    REPLACED = "replaced"
    """A later dump of the list, which was loaded before, has its place."""
    REFUSED_ALIKE = "refused alike"
    """The unit refused others that are no larger."""
    NOT_SHOWN = "not shown"
    """It was written down as loaded, and the unit did not show that it still has it."""
    NOT_WRITTEN = "not written down"
    """The journal can't be written, and would go on to claim what this dump replaces."""
    PORT_FAILED = "port failed"
    """The port failed before its turn came."""
    STOPPED = "stopped"
    """The user stopped the replay before its turn came."""


_AS_ASKED: Final = (Why.LOADED_BEFORE, Why.REPLACED)


class LeftOut(Struct, frozen=True, kw_only=True, eq=False):
    """Something of a list that is not sent."""

    what: FileContent
    why: Why

    @property
    def is_well(self) -> bool:
        """Whether nothing that was asked for is missing because of it."""
        if isinstance(self.what, NotADump):
            return self.what.is_other
        return self.why in _AS_ASKED

    @property
    def loaded(self) -> Dump | None:
        """The dump, if it is left out because it was loaded another time."""
        is_loaded = self.why is Why.LOADED_BEFORE and isinstance(self.what, Dump)
        return self.what if is_loaded and isinstance(self.what, Dump) else None


class Selection(Struct, frozen=True, kw_only=True, eq=False):
    """A list of files, sorted out: what is sent and what is not, in order."""

    items: tuple[Dump | LeftOut, ...]
    collisions: tuple[tuple[Dump, ...], ...] = ()
    """Different dumps for one sample number of one unit, of which it would hold the last."""

    @property
    def to_send(self) -> tuple[Dump, ...]:
        """The dumps that are sent."""
        return tuple(each for each in self.items if isinstance(each, Dump))

    @property
    def left_out(self) -> tuple[LeftOut, ...]:
        """What is not sent."""
        return tuple(each for each in self.items if isinstance(each, LeftOut))

    @property
    def loaded_before(self) -> tuple[LeftOut, ...]:
        """What is not sent because it was loaded another time."""
        return tuple(each for each in self.left_out if each.why is Why.LOADED_BEFORE)


def judged_contents(file: DumpFile) -> Iterator[Dump | Fragment]:
    """Yield what a file holds, in order, each dump with what the judge says of it."""
    lengths: dict[int, int] = {}
    for held, content in contents(file):
        if isinstance(content, Fragment):
            yield content
            continue
        lengths[content.header.sample_number] = content.header.length
        yield replace(content, findings=judge_dump(held, lengths))


def select(
    contents: Sequence[FileContent],
    *,
    number: int | None = None,
    device_id: int | None = None,
    anyway: bool = False,
    loaded: Container[DumpKey] = (),
) -> Selection:
    """Sort out what of `contents` is sent.

    `number` is the sample number of the first dump, and the next ones count on; those that are left
    out count too, so that each keeps its number when one of them is mended.  `anyway` sends broken
    and altered ones.  `loaded` has the keys of dumps that were loaded another time.
    """
    items: list[Dump | LeftOut] = []
    places: dict[int, list[Dump]] = {}
    """The dumps that a unit would hold, by their sample number."""
    for each in _addressed(contents, number, device_id):
        why = _why_not(each, anyway=anyway, loaded=loaded)
        if why is not None:
            items.append(LeftOut(what=each, why=why))
        elif isinstance(each, Dump):
            items.append(each)
        if isinstance(each, Dump) and why in (None, Why.LOADED_BEFORE):
            places.setdefault(each.header.sample_number, []).append(each)
    sent = {each for each in items if isinstance(each, Dump)}
    return Selection(
        items=without_replaced(
            items, lambda item: item.loaded if isinstance(item, LeftOut) else None
        ),
        collisions=tuple(
            rivals
            for here in places.values()
            if (rivals := _rivals(here)) and not sent.isdisjoint(rivals)
        ),
    )


def without_replaced(
    items: Sequence[Dump | LeftOut], there: Callable[[Dump | LeftOut], Dump | None]
) -> tuple[Dump | LeftOut, ...]:
    """Leave out each dump in whose place a later one is `there` already."""
    later: dict[int, list[Dump]] = {}
    kept: list[Dump | LeftOut] = []
    for item in reversed(items):
        rivals = later.get(item.header.sample_number, ()) if isinstance(item, Dump) else ()
        if isinstance(item, Dump) and any(meet(item, other) for other in rivals):
            kept.append(LeftOut(what=item, why=Why.REPLACED))
            continue
        kept.append(item)
        if (dump := there(item)) is not None:
            later.setdefault(dump.header.sample_number, []).append(dump)
    return tuple(reversed(kept))


def meet(one: Dump, other: Dump) -> bool:
    """Whether two dumps go to one place of one unit; device ID 127 is every unit."""
    ids = one.header.device_id, other.header.device_id
    return one.header.sample_number == other.header.sample_number and (
        ids[0] == ids[1] or ALL_CALL in ids
    )


def _addressed(
    contents: Sequence[FileContent], number: int | None, device_id: int | None
) -> Iterator[FileContent]:
    for each in contents:
        if not isinstance(each, Dump):
            yield each
            continue
        yield readdressed(each, sample_number=number, device_id=device_id)
        number = None if number is None else number + 1


def _rivals(dumps: Sequence[Dump]) -> tuple[Dump, ...]:
    """Return those of the dumps for one sample number that replace another one, or are replaced."""
    if len(dumps) == 1:
        return ()
    keys = {dump: dump.key for dump in dumps}
    return tuple(
        dump
        for dump in dumps
        if any(meet(dump, other) and keys[dump] != keys[other] for other in dumps)
    )


def _why_not(each: FileContent, *, anyway: bool, loaded: Container[DumpKey]) -> Why | None:
    match each:
        case NotADump():
            return Why.NO_DUMP
        case Fragment():
            return Why.DAMAGED_HEADER if each.damaged else Why.NO_HEADER
    if each.key in loaded:
        return Why.LOADED_BEFORE
    if anyway:
        return None
    if not each.is_as_listed:
        return Why.ALTERED
    return Why.BROKEN if each.is_broken else None


PlayRow = Transfer | LeftOut
"""What became of one item of a selection."""


def play_through(
    selection: Selection,
    play: Callable[[Dump], PlayRow],
    *,
    hindrance: Callable[[], Why | None],
    goes_on: Callable[[Dump], bool] = lambda dump: False,
) -> Iterator[PlayRow]:
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
        if isinstance(row, Transfer) and row.sent:
            refused.clear()
        elif isinstance(row, Transfer) and row.outcome is Outcome.REFUSED:
            refused.append(each)
        yield row


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
