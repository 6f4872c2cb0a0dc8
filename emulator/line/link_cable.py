"""Cables with a link at the host's end."""

from typing import Final

from dryload.emulator.dump.capture import Direction
from dryload.emulator.line.cable import Cable
from dryload.emulator.line.disturbance import FaultInjector, Timed
from dryload.emulator.line.link import Habit, Link
from dryload.emulator.line.link_stages import stage_of
from dryload.emulator.wire.constants import BYTE_NS

ROUND_NS: Final = 10_000_000
"""How often an interface that joins hands over what has arrived."""


class LinkedCable(Cable):
    """A cable with a link: to the unit the link comes first, towards the host the cable.

    `echo` is the cable on which what is sent here comes back.
    """

    def __init__(
        self,
        direction: Direction,
        link: Link,
        injector: FaultInjector | None = None,
        *,
        echo: "LinkedCable | None" = None,
        byte_ns: int = BYTE_NS,
    ) -> None:
        super().__init__(direction, injector, byte_ns=byte_ns)
        self._stage: Final = stage_of(link, direction, byte_ns)
        self._joins: Final = link.habit is Habit.JOINS and direction in link.directions
        self._echo: Final = echo
        self._round = -1  # in which the last delivery was made
        self._last_ns = 0  # when that was
        self._before_ns = 0  # when the last one of an earlier round was

    def send(self, message: bytes, now_ns: int) -> int:
        """Take a message as any cable does; the sender learns nothing of the link."""
        start_ns = max(now_ns, self.free_ns)
        left_ns = start_ns + len(message) * self._byte_ns
        timed = self._timed(message, start_ns)
        is_to_unit = self.direction is Direction.TO_UNIT
        if self._stage is not None and is_to_unit:
            timed = self._stage.passed(timed)
        if self._injector is not None:
            injections = self._injector.see(self.direction, message, start_ns, left_ns)
            timed = self._disturbed(timed, injections)
        if self._stage is not None and not is_to_unit:
            timed = self._stage.passed(timed)
        self._arrive(timed)
        self.free_ns = max(left_ns, timed[-1][0] if timed else 0)
        if self._echo is not None:
            self._echo.bring(message, start_ns)
        return left_ns

    def _arrive(self, timed: Timed) -> None:
        if not self._joins:
            super()._arrive(timed)
            return
        for at_ns, data in self._stretches(timed):
            self._join(at_ns, data)

    def _join(self, at_ns: int, data: bytes) -> None:
        """Hand over at the end of the round, together with what else came in it."""
        number = -(-at_ns // ROUND_NS)
        if number == self._round:  # what came before in this round cannot have been taken yet
            data = self.arrivals.pop()[1] + data
        else:
            self._round = number
            self._before_ns = self._last_ns
        # No sooner than so many bytes can follow what was handed over before them.
        self._last_ns = max(number * ROUND_NS, self._before_ns + len(data) * self._byte_ns)
        self.arrivals.append((self._last_ns, data))


def cables(link: Link | None, injector: FaultInjector | None = None) -> tuple[Cable, Cable]:
    """Return the cables of a line, to the unit and from it; `injector` is at work on both."""
    if link is None:
        to_unit, from_unit = (Cable(direction, injector) for direction in Direction)
    else:
        from_unit = linked = LinkedCable(Direction.FROM_UNIT, link, injector)
        echo = linked if link.habit is Habit.ECHO else None
        to_unit = LinkedCable(Direction.TO_UNIT, link, injector, echo=echo)
    to_unit.back, from_unit.back = from_unit, to_unit
    return to_unit, from_unit
