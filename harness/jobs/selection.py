"""What of a list of files is sent, what is left out and why: one rule, rehearsed and live.

Theory of operation.  The dumps are taken in the order in which the files were named, numbered and
addressed as was asked, and judged before a byte is sent.  Left out is what can't be played, what is
broken (unless the user wants it all the same) and what was loaded another time.  Of what is left,
different dumps for the same sample number of the same unit collide: the later one takes the place
of the earlier one, so nothing is sent until the user has said that this is wanted.
"""

from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from emulator.wire.constants import ALL_CALL
from harness.jobs.playlist import Content, Dump, Fragment, Key, NotADump, readdressed


class Why(StrEnum):
    """Why something of a list is not sent."""

    NO_DUMP = "no dump in it"
    NO_HEADER = "no header"
    DAMAGED_HEADER = "damaged header"
    BROKEN = "broken"
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeftOut:
    """Something of a list that is not sent."""

    what: Content
    why: Why

    @property
    def is_well(self) -> bool:
        """Whether nothing that was asked for is missing because of it."""
        if isinstance(self.what, NotADump):
            return self.what.is_other
        return self.why in _AS_ASKED


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Collision:
    """Different dumps for one sample number of one unit; the last one is what it would hold."""

    sample_number: int
    dumps: tuple[Dump, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Selection:
    """A list of files, sorted out: what is sent and what is not, in order."""

    items: tuple[Dump | LeftOut, ...]
    collisions: tuple[Collision, ...] = ()
    """What would happen if all of it was sent."""

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


def select(
    contents: Sequence[Content],
    *,
    number: int | None = None,
    device_id: int | None = None,
    anyway: bool = False,
    loaded: Container[Key] = (),
) -> Selection:
    """Sort out what of `contents` is sent.

    `number` is the sample number of the first dump, and the next ones count on; those that are left
    out count too, so that each keeps its number when one of them is mended.  `anyway` sends broken
    ones.  `loaded` has the keys of dumps that were loaded another time.
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

    def is_replaced(dump: Dump) -> bool:
        here = places[dump.header.sample_number]
        return [other for other in here if meet(dump, other)][-1] not in sent

    return Selection(
        items=tuple(
            LeftOut(what=each, why=Why.REPLACED)
            if isinstance(each, Dump) and is_replaced(each)
            else each
            for each in items
        ),
        collisions=tuple(
            Collision(sample_number=place, dumps=rivals)
            for place, here in places.items()
            if (rivals := _rivals(here)) and not sent.isdisjoint(rivals)
        ),
    )


def meet(one: Dump, other: Dump) -> bool:
    """Whether two dumps go to one place of one unit; device ID 127 is every unit."""
    ids = one.header.device_id, other.header.device_id
    return one.header.sample_number == other.header.sample_number and (
        ids[0] == ids[1] or ALL_CALL in ids
    )


def _addressed(
    contents: Sequence[Content], number: int | None, device_id: int | None
) -> Iterator[Content]:
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


def _why_not(each: Content, *, anyway: bool, loaded: Container[Key]) -> Why | None:
    match each:
        case NotADump():
            return Why.NO_DUMP
        case Fragment():
            return Why.DAMAGED_HEADER if each.damaged else Why.NO_HEADER
    if each.key in loaded:
        return Why.LOADED_BEFORE
    return Why.BROKEN if each.is_broken and not anyway else None
