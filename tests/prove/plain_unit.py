"""A unit with a plain memory, in place of the one that a proof meets over a line.

It has a clock, room for so many words, and numbers; what time does to its words is put in by hand.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from dryload.emulator.wire.sizes import packets_for
from dryload.harness.prove.passes import GLANCE, LONGEST, Paces, Part, StepPace
from dryload.harness.prove.tested import NotProvable, Wrote
from dryload.harness.prove.words import Values
from tests.prove.plain_memory import Array, PlainMemory

PACKET_NS = 42_560_000  # 133 bytes of 320 us (M1 p. 39)


class Clock:
    """The line of such a unit: nothing but its time."""

    def __init__(self) -> None:
        self.now_ns = 0

    def advance(self, by_ns: int) -> None:
        self.now_ns += by_ns


class PlainUnit:
    """As TestedUnit is; `ages` changes words that have lain for so many seconds."""

    def __init__(self, memory: PlainMemory) -> None:
        self.memory, self.line = memory, Clock()
        self.paces = Paces(write=StepPace(), read=StepPace(), look=StepPace())
        self.kept = self.width = memory.bits
        self.keeps_old = self.port_failed = False
        self.damaged = self.spare = 0
        self.longest = LONGEST
        self.ages: Callable[[int, Array, float], Array] = lambda first, words, s: words
        self.spoils: Callable[[int, Array], Array] = lambda first, words: words
        """What a cable does to words that are written."""
        self.first: dict[int, int] = {}
        self.count: dict[int, int] = {}
        self.written_ns: dict[int, int] = {}
        self.writes = 0
        self.capacity = memory.words // 2 * 2
        self.bought: list[tuple[str, int]] = []

    def get_to_know(self) -> None:
        """There is nothing to find out; its memory is free afterwards."""
        self.first.clear()
        self.count.clear()

    numbers = tuple(range(64))

    def number(self, place: int) -> int | None:
        return place if place < len(self.numbers) else None

    def take_up(self, numbers: tuple[int, ...]) -> None:
        """It has the numbers already."""

    def narrow(self) -> int:
        before = self.width
        self.widen(min(before, 14))
        return before

    def check_port(self) -> None:
        """It has none."""

    def break_off(self) -> None:
        """Nothing is left unfinished."""

    def widen(self, width: int) -> None:
        self.width = self.kept = width

    def room(self, number: int) -> int | None:
        return self.capacity

    def more_room(self, number: int) -> int:
        """All of its memory is in one place."""
        return 0

    def measure(self, capacity: int | None) -> int | None:
        """Its pace is that of the cable."""
        return capacity

    def has_spare(self, number: int, words: int) -> bool:
        """Nothing has to stay free."""
        return True

    def write(self, number: int, values: Values, *, is_new: bool = False) -> Wrote:
        if is_new:
            self.count.pop(number, None)
            self.first[number] = sum(self.count.values())
        self.count[number] = len(values)
        if self.first[number] + len(values) > self.capacity:
            raise NotProvable("more than there is room for")
        first = self.first[number]
        words = np.asarray(values, np.int64) << (self.memory.bits - self.kept)
        self.memory.write(first, self.spoils(first, words))
        self.line.now_ns += packets_for(len(values), self.width) * PACKET_NS
        self.written_ns[number] = self.line.now_ns
        self.bought.append(("write", number))
        self.writes += 1
        return Wrote(whole=True)

    def values(self, part: Part) -> Values | None:
        return self._read(part, part.words) if part.number in self.first else None

    def look(self, part: Part) -> Values | None:
        return self._read(part, min(part.words, GLANCE * 40))

    def _read(self, part: Part, count: int) -> Values:
        first = self.first[part.number]
        lain_s = (self.line.now_ns - self.written_ns[part.number]) / 1e9
        words = self.ages(first, self.memory.read(first, count), lain_s)
        self.line.now_ns += packets_for(count, self.width) * PACKET_NS
        self.bought.append(("read" if count == part.words else "look", part.number))
        return (words >> (self.memory.bits - self.kept)).astype(np.uint32)
