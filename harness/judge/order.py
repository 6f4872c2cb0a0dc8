"""The order of packets: what the running numbers may tell, and which packet is which."""

from collections.abc import Callable, Sequence
from enum import Enum, auto
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from dryload.emulator.wire.constants import PACKET_NUMBERS
from dryload.emulator.wire.packets import NUMBER
from dryload.harness.files.sections import Section
from dryload.harness.judge.finding import Place

_IN_ORDER: Final = np.resize(np.arange(PACKET_NUMBERS, dtype=np.uint8), 512 * PACKET_NUMBERS)

Places = NDArray[np.int64]


class OrderFault(Enum):
    """What the numbers tell."""

    WRONG_NUMBER = auto()
    """One packet bears another number than its place calls for."""
    JUMP = auto()
    """From this packet on the numbers are shifted, though the count says that none is missing."""
    MISSING = auto()
    """`how_many` packets from `place` on are not there."""
    REPEAT = auto()
    """A packet stands there again; `same` if byte for byte."""
    SWAPPED = auto()
    """The packets for `place` and the next have changed places."""
    SURPLUS = auto()
    """`how_many` packets follow the last one that is called for."""


class OrderEvent(NamedTuple):
    """One thing that the numbers tell; `packet` is where in the stream it shows, -1 its end."""

    what: OrderFault
    packet: int
    place: int
    how_many: int = 1
    same: bool = True


class Alignment(Struct, frozen=True, kw_only=True):
    """The planned packet of each packet and of each wreck, counted from 0."""

    places: Places | None
    """None where every packet stands in its order; otherwise one place for each packet."""
    stored: Places | None
    """Indices of the packets to be decoded, in the order of their places; None for all."""
    wrecks: tuple[tuple[int, bool], ...]
    """A place for each wreck, and whether no whole packet has that place."""
    reached: int
    """Places that are taken or known to be missing, up to the last packet or wreck."""
    events: tuple[OrderEvent, ...] = ()

    def place_of(self, index: int) -> int:
        """Return the planned packet that a packet is, or is a repeat of."""
        return index if self.places is None else int(self.places[index])


@lru_cache(maxsize=1024)
def undisturbed(count: int) -> Alignment:
    """Return the alignment of `count` packets that stand in their order, and nothing else."""
    return Alignment(places=None, stored=None, wrecks=(), reached=count)


class Observed(Struct, frozen=True, kw_only=True):
    """What is known of the packets of one dump."""

    numbers: NDArray[np.uint8]
    row: Callable[[int], bytes]
    """Gives the bytes of one packet."""
    planned: int | None = None
    wrecks: Sequence[int] = ()
    """For each wreck the number of packets before it, ascending."""
    headless: bool = False
    """No header came before: the first number may be any."""
    sound: Callable[[int], bool] = field(default=lambda _: True)
    """Tells whether a packet's checksum is right."""


def packet_place(section: Section, alignment: Alignment, index: int) -> Place:
    """Return where one packet of a section stands."""
    return Place(
        byte=section.offset_of(index),
        packet=alignment.place_of(index),
        packet_number=int(section.row(index)[NUMBER]),
    )


def in_order(count: int) -> NDArray[np.uint8]:
    """Return the numbers of `count` packets in order: 0, 1, ... 127, 0 ... (PKT-03)."""
    if count <= len(_IN_ORDER):
        return _IN_ORDER[:count]
    return np.resize(_IN_ORDER, count)
