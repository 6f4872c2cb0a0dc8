"""Which planned packet each packet of a dump is, from nothing but the running numbers.

Theory of operation.  A number says which packet this is, modulo 128.  In an undamaged dump the
number and the packet's position differ by a multiple of 128 throughout; so what matters is where
that difference changes, and whether it comes back:

- it comes back after a packet or a few: those packets bear wrong numbers;
- it goes up by one, down by two and up by one: two neighbours have changed places;
- it goes down by one for good: a packet stands twice;
- it goes up for good: packets are missing; but where the count of packets says that none is,
  the numbering itself has jumped.

Torn packets (`wrecks`) have no number to rely on: each takes a place where the numbers leave one.
The work is done over stretches of constant difference, so an undamaged dump is one step.
"""

from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from dryload.emulator.wire.constants import PACKET_NUMBERS
from dryload.emulator.wire.packets import DATA
from dryload.harness.judge.order import (
    Alignment,
    Observed,
    OrderEvent,
    OrderFault,
    Places,
    in_order,
    undisturbed,
)

_LAP: Final = 12  # bytes after which words of 2, 3 and 4 bytes all begin again (WRD-01)
_LAST: Final = PACKET_NUMBERS - 1
_LOOK_AHEAD: Final = 4  # stretches in which wrong numbers may come to an end
_OFTEN: Final = 4  # one jump in so many packets
_MOST_WRONG: Final = 8  # packets in a row whose numbers are taken for wrong


def align(seen: Observed) -> Alignment:
    """Return which planned packet each packet is, and what is amiss with the order."""
    count = len(seen.numbers)
    whole = seen.planned is None or count == seen.planned
    if whole and not seen.wrecks and np.array_equal(seen.numbers, in_order(count)):
        return undisturbed(count)
    return _PacketWalk(seen).result()


class _NumberRun(NamedTuple):
    """Packets whose numbers run on: `first` and `stop` index the packets that are no repeats."""

    first: int
    stop: int
    ahead: int
    """Number less position, modulo 128."""

    @property
    def length(self) -> int:
        return self.stop - self.first


class _PacketWalk:
    """One pass over the stretches; `_shift` is what place and position differ by at the moment."""

    def __init__(self, seen: Observed) -> None:
        self._seen = seen
        self._events: list[OrderEvent] = []
        self._places = np.full(len(seen.numbers), -1, np.int64)
        repeats = self._repeats()
        kept = np.setdiff1d(np.arange(len(seen.numbers)), repeats)
        before = np.searchsorted(np.array(seen.wrecks, np.int64), kept, side="right")
        self._kept = kept
        self._wrecks_before = before
        self._positions = np.arange(len(kept)) + before
        self._total = len(kept) + len(seen.wrecks)
        self._wreck_places: list[int] = []
        self._shift = 0
        self._base = 0
        self._walk(self._stretches())
        if self._say_nothing():
            self._take_as_they_come()
        self._place_repeats(repeats)
        self._finish()

    def result(self) -> Alignment:
        places = self._places
        inside = places >= 0
        if self._seen.planned is not None:
            inside &= places < self._seen.planned
        stored = self._one_each(np.flatnonzero(inside))
        self._events.sort(key=lambda event: (event.place, event.packet))
        return Alignment(
            places=places,
            stored=stored,
            wrecks=tuple((place, not np.any(places == place)) for place in self._wreck_places),
            reached=self._total + self._shift,
            events=tuple(self._events),
        )

    def _one_each(self, indices: Places) -> Places:
        """Return one packet for each place: the first, or a later one with the better checksum."""
        chosen: dict[int, int] = {}
        where = self._places[indices]
        order = np.argsort(where, kind="stable")
        ordered, taken = indices[order], where[order]
        if not np.any(taken[1:] == taken[:-1]):
            return ordered
        for index, place in zip(ordered.tolist(), taken.tolist(), strict=True):
            best = chosen.get(place)
            if best is None or (not self._seen.sound(best) and self._seen.sound(index)):
                chosen[place] = index
        return np.array(list(chosen.values()), np.int64)

    # Repeats.

    def _repeats(self) -> NDArray[np.int64]:
        """Return the packets that equal the one before them byte for byte.

        A packet of silence that bears the number of the one before equals it too: it is no repeat
        if the number after it, or the count, goes on as if it had taken a place.
        """
        numbers = self._seen.numbers
        found = []
        for index in (np.flatnonzero(numbers[1:] == numbers[:-1]) + 1).tolist():
            following = index + 1 < len(numbers) and numbers[index + 1]
            if following is not False and following == (int(numbers[index]) + 2) & _LAST:
                continue
            row = self._seen.row(index)
            if following is False and self._fills_plan() and _is_one_value(row[DATA]):
                continue
            if row == self._seen.row(index - 1):
                found.append(index)
        return np.array(found, np.int64)

    def _fills_plan(self) -> bool:
        return len(self._seen.numbers) + len(self._seen.wrecks) == self._seen.planned

    def _place_repeats(self, repeats: NDArray[np.int64]) -> None:
        for index in repeats.tolist():
            place = int(self._places[index - 1])
            self._places[index] = place
            self._events.append(OrderEvent(OrderFault.REPEAT, index, place))

    # Stretches.

    def _stretches(self) -> list[_NumberRun]:
        if not len(self._kept):
            return []
        ahead = (self._seen.numbers[self._kept].astype(np.int64) - self._positions) & _LAST
        edges = [0, *(np.flatnonzero(np.diff(ahead)) + 1).tolist(), len(ahead)]
        return [_NumberRun(first, stop, int(ahead[first])) for first, stop in pairwise(edges)]

    def _walk(self, stretches: list[_NumberRun]) -> None:
        if stretches and self._seen.headless:
            self._base = stretches[0].ahead
        at = 0
        while at < len(stretches):
            stretch = stretches[at]
            if self._is_swap(stretches, at):
                self._swap(stretch, stretches[at + 1])
                at += 2
                continue
            if stretch.ahead != self._base:
                self._step(stretches, at)
            self._place(stretch)
            at += 1

    def _say_nothing(self) -> bool:
        """Whether the numbers jump so often, and so far, that they can be no packets' numbers."""
        jumps = [event.how_many for event in self._events if event.what is OrderFault.MISSING]
        return len(jumps) * _OFTEN > self._total and sum(jumps) > 2 * self._total + PACKET_NUMBERS

    def _take_as_they_come(self) -> None:
        """Give the packets their places in the order in which they stand."""
        self._events = [OrderEvent(OrderFault.JUMP, int(self._kept[0]), 0)]
        self._places[self._kept] = self._positions
        self._shift = 0

    def _place(self, stretch: _NumberRun) -> None:
        here = slice(stretch.first, stretch.stop)
        unplaced = self._places[self._kept[here]] < 0
        self._places[self._kept[here][unplaced]] = (self._positions[here] + self._shift)[unplaced]

    def _is_swap(self, stretches: list[_NumberRun], at: int) -> bool:
        if at + 1 >= len(stretches):
            return False
        one, two = stretches[at], stretches[at + 1]
        return (
            one.length == two.length == 1
            and (one.ahead - self._base) & _LAST == 1
            and (self._base - two.ahead) & _LAST == 1
            and self._positions[two.first] == self._positions[one.first] + 1
        )

    def _swap(self, one: _NumberRun, two: _NumberRun) -> None:
        place = int(self._positions[one.first]) + self._shift
        self._places[self._kept[one.first]] = place + 1
        self._places[self._kept[two.first]] = place
        self._events.append(OrderEvent(OrderFault.SWAPPED, int(self._kept[one.first]), place))

    def _comes_back(self, stretches: list[_NumberRun], at: int) -> bool:
        """Return whether the numbers are soon in order again, as if nothing had been lost.

        As many packets must be in order again as were out of it, or the count must be right:
        otherwise it is chance.
        """
        packets = 0
        for stretch in stretches[at : at + _LOOK_AHEAD]:
            if stretch.ahead == self._base:
                fits = self._total + self._shift == self._seen.planned
                return fits or stretch.length >= packets
            packets += stretch.length
            if packets > _MOST_WRONG:
                break
        return False

    def _step(self, stretches: list[_NumberRun], at: int) -> None:
        """Say why the numbers leave the order here, and go on by that."""
        stretch = stretches[at]
        if self._comes_back(stretches, at):
            self._wrong_numbers(stretch)
            return
        planned = self._seen.planned
        place = int(self._positions[stretch.first]) + self._shift
        rest = self._total - int(self._positions[stretch.first])
        gap = (stretch.ahead - self._base) & _LAST
        back = PACKET_NUMBERS - gap
        if back <= self._wrecks_at(stretch.first):
            self._shift -= back  # so many of the wrecks take no place
        elif self._stands_again(stretch, back, place + gap + rest):
            self._again(stretch, back, place)
        elif planned is not None and (place + rest == planned or place + gap + rest > planned):
            if stretch.length == 1 and at == len(stretches) - 1:
                self._wrong_numbers(stretch)
                return
            self._events.append(OrderEvent(OrderFault.JUMP, int(self._kept[stretch.first]), place))
        elif planned is None and place == 0:
            self._events.append(OrderEvent(OrderFault.JUMP, int(self._kept[stretch.first]), 0))
        else:
            self._events.append(
                OrderEvent(OrderFault.MISSING, int(self._kept[stretch.first]), place, how_many=gap)
            )
            self._shift += gap
        self._base = stretch.ahead

    def _wrong_numbers(self, stretch: _NumberRun) -> None:
        for position in range(stretch.first, stretch.stop):
            place = int(self._positions[position]) + self._shift
            self._events.append(
                OrderEvent(OrderFault.WRONG_NUMBER, int(self._kept[position]), place)
            )

    def _wrecks_at(self, first: int) -> int:
        """Return how many wrecks stand between a packet and the one before it."""
        earlier = int(self._wrecks_before[first - 1]) if first else 0
        return int(self._wrecks_before[first]) - earlier

    def _stands_again(self, stretch: _NumberRun, back: int, end_if_missing: int) -> bool:
        """Return whether the stretch begins with the `back` packets before it."""
        if back > stretch.first or back > stretch.length:
            return False
        if back == 1 and self._wrecks_at(stretch.first) == 0:
            # The same number twice: a repeat, unless 127 missing packets fit the plan.
            planned = self._seen.planned
            if planned is None or end_if_missing > planned:
                return not self._fills_plan()
        rows = self._kept
        return all(
            self._seen.row(int(rows[at])) == self._seen.row(int(rows[at - back]))
            for at in range(stretch.first, stretch.first + back)
        )

    def _again(self, stretch: _NumberRun, back: int, place: int) -> None:
        for at in range(stretch.first, stretch.first + back):
            index, earlier = int(self._kept[at]), int(self._kept[at - back])
            self._places[index] = place - back + at - stretch.first
            same = self._seen.row(index) == self._seen.row(earlier)
            self._events.append(
                OrderEvent(OrderFault.REPEAT, index, int(self._places[index]), same=same)
            )
        self._shift -= back

    # The end.

    def _finish(self) -> None:
        self._place_wrecks()
        planned = self._seen.planned
        if planned is None:
            return
        reached = self._total + self._shift
        trailing = self._total - (int(self._positions[-1]) + 1 if len(self._positions) else 0)
        if reached > planned and trailing:
            # Wrecks behind the last packet need not take places.
            dropped = min(trailing, reached - planned)
            self._shift -= dropped
            reached -= dropped
        if reached < planned:
            self._events.append(
                OrderEvent(OrderFault.MISSING, -1, reached, how_many=planned - reached)
            )
        elif reached > planned:
            self._events.append(
                OrderEvent(OrderFault.SURPLUS, -1, planned, how_many=reached - planned)
            )

    def _place_wrecks(self) -> None:
        """Give the wrecks the places that the packets around them leave."""
        for rank, before in enumerate(self._seen.wrecks):
            at = int(np.searchsorted(self._kept, before))
            previous = int(self._places[self._kept[at - 1]]) if at else -1
            first_here = int(self._wrecks_before[at - 1]) if at else 0
            place = previous + 1 + rank - first_here
            if at < len(self._kept):
                place = min(place, max(int(self._places[self._kept[at]]) - 1, 0))
            elif self._seen.planned is not None:
                place = min(place, max(self._seen.planned - 1, 0))
            self._wreck_places.append(place)


def _is_one_value(data: bytes) -> bool:
    """Whether all words of a packet are the same, whatever their width."""
    return data == data[:_LAP] * (len(data) // _LAP)
