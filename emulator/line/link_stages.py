"""Links at work: what a link does to the bytes of one message after another, with what it counts.

A stage takes the bytes of a message with their instants and returns what is left of them, in order
and never closer than the line allows.  A byte that vanishes leaves silence where it was.
"""

from collections.abc import Callable, Mapping
from typing import Final, Protocol

from dryload.emulator.dump.capture import Direction
from dryload.emulator.line.disturbance import Timed
from dryload.emulator.line.link import Habit, Link
from dryload.emulator.line.usb import SINGLE, Packer, code_index, unpack
from dryload.emulator.wire.constants import END, FIRST_REALTIME, START

FRAME_NS: Final = 1_000_000
"""USB at full speed moves data once a millisecond (common practice)."""
PAUSE_NS: Final = 1_000_000
"""Between the pieces of a message that is split."""


class Stage(Protocol):
    """One link in one direction, with its memory."""

    def passed(self, timed: Timed) -> Timed:
        """Return what is left of a message."""
        ...


class UsbStage:
    """USB-MIDI events: to the unit a message begins on a frame, towards the host it ends on one.

    A message that follows another at once to the unit waits for no frame: its events are there.
    """

    def __init__(self, direction: Direction, byte_ns: int, *, eats_single: bool) -> None:
        self._is_to_unit: Final = direction is Direction.TO_UNIT
        self._byte_ns: Final = byte_ns
        self._eats_single: Final = eats_single
        self._packer: Final = Packer()
        self._until_ns = 0

    def passed(self, timed: Timed) -> Timed:
        """Return what the events carry; what waits for its event to be full comes later."""
        if not timed:
            return []
        events = self._packer.feed(bytes(value for _, value in timed))
        if self._eats_single:
            events = [event for event in events if code_index(event) != SINGLE]
        start_ns = timed[0][0] - self._byte_ns
        if not self._is_to_unit:
            wait_ns = -timed[-1][0] % FRAME_NS
        else:
            wait_ns = 0 if start_ns == self._until_ns else -start_ns % FRAME_NS
        self._until_ns = timed[-1][0] + wait_ns
        return self._laid(unpack(events), timed, wait_ns)

    def _laid(self, values: bytes, timed: Timed, wait_ns: int) -> Timed:
        """Put values where the bytes were, and behind them where there are more."""
        last_ns, many = timed[-1][0], len(timed)
        return [
            (
                wait_ns
                + (timed[at][0] if at < many else last_ns + (at - many + 1) * self._byte_ns),
                value,
            )
            for at, value in enumerate(values)
        ]


class AtMostStage:
    """No more than so many bytes of a System Exclusive message, real-time bytes not counted."""

    def __init__(self, most: int) -> None:
        self._most: Final = most
        self._count: int | None = None  # None: outside of such a message

    def passed(self, timed: Timed) -> Timed:
        """Return the message without what is too much."""
        return [each for each in timed if self._passes(each[1])]

    def _passes(self, byte: int) -> bool:
        if byte >= FIRST_REALTIME:
            return True
        if byte == START:
            self._count = 1
            return True
        if self._count is None:
            return True
        if byte >= 0x80 and byte != END:
            self._count = None
            return True
        self._count += 1
        fits = self._count <= self._most
        if byte == END:
            self._count = None
        return fits


class EveryStage:
    """Loses every so manyth byte."""

    def __init__(self, every: int) -> None:
        self._every: Final = every
        self._count = 0

    def passed(self, timed: Timed) -> Timed:
        """Return the message without the bytes whose turn it is."""
        first = self._count + 1
        self._count += len(timed)
        return [each for at, each in enumerate(timed, first) if at % self._every]


class SplitsStage:
    """A pause after every so many bytes of a message."""

    def __init__(self, size: int) -> None:
        self._size: Final = size

    def passed(self, timed: Timed) -> Timed:
        """Return the message with pauses in it."""
        return [
            (at_ns + at // self._size * PAUSE_NS, value) for at, (at_ns, value) in enumerate(timed)
        ]


class NoExclusiveStage:
    """Lets no System Exclusive message pass."""

    def __init__(self) -> None:
        self._is_inside = False

    def passed(self, timed: Timed) -> Timed:
        """Return what is no part of such a message."""
        return [each for each in timed if self._passes(each[1])]

    def _passes(self, byte: int) -> bool:
        if byte >= FIRST_REALTIME:
            return True
        was_inside = self._is_inside
        if byte >= 0x80:
            self._is_inside = byte == START
        return not (self._is_inside or (was_inside and byte == END))


_Maker = Callable[[Link, Direction, int], Stage]
_STAGES: Final[Mapping[Habit, _Maker]] = {
    Habit.USB: lambda _, way, byte_ns: UsbStage(way, byte_ns, eats_single=False),
    Habit.USB_LOST_ENDS: lambda _, way, byte_ns: UsbStage(way, byte_ns, eats_single=True),
    Habit.AT_MOST: lambda link, way, byte_ns: AtMostStage(link.number),
    Habit.EVERY: lambda link, way, byte_ns: EveryStage(link.number),
    Habit.SPLITS: lambda link, way, byte_ns: SplitsStage(link.number),
    Habit.NO_EXCLUSIVE: lambda link, way, byte_ns: NoExclusiveStage(),
}


def stage_of(link: Link, direction: Direction, byte_ns: int) -> Stage | None:
    """Return the link at work in a direction, None where it leaves the bytes alone."""
    make = _STAGES.get(link.habit) if direction in link.directions else None
    return None if make is None else make(link, direction, byte_ns)
