"""Gear that knows the standard alone, with a plain memory that may be faulty behind it."""

from __future__ import annotations

from typing import Final

import numpy as np

from tests.foreign import wire
from tests.foreign.habits import Habits
from tests.foreign.unit import Gear, Held
from tests.prove.plain_memory import PlainMemory


class FaultyGear(Gear):
    """Keeps words in a memory of `capacity` words, first fit, one piece a sample."""

    def __init__(self, memory: PlainMemory, habits: Habits | None = None) -> None:
        super().__init__(habits or Habits(bits=memory.bits))
        self.memory: Final = memory
        self.capacity = memory.words // 2 * 2
        self.places: dict[int, tuple[int, int]] = {}
        self._first = 0

    def _take_header(self, raw: bytes, now_s: float) -> None:
        head = wire.head_of(raw)
        self.player = None
        if head is not None:
            self.places.pop(head.sample, None)
            self.held.pop(head.sample, None)
            first = self._hole(head.length)
            if first is None:
                self._head = None
                self._answer(wire.CANCEL, 0, now_s)
                return
            self._first = first
        super()._take_header(raw, now_s)

    def _hole(self, length: int) -> int | None:
        at = 0
        for first, count in sorted(self.places.values()):
            if first - at >= length:
                break
            at = first + count
        return at if at + length <= self.capacity else None

    def _keep(self, head: wire.Head) -> None:
        super()._keep(head)
        kept = self.held[head.sample]
        up = self.memory.bits - kept.head.bits
        middle = 1 << (kept.head.bits - 1)
        words = (np.array(kept.words, np.int64) + middle) << max(up, 0) >> max(-up, 0)
        self.places[head.sample] = self._first, len(words)
        self.memory.write(self._first, words)

    def _take_request(self, raw: bytes, now_s: float) -> None:
        number = wire.number(raw[4:6])
        if number in self.held:
            first, count = self.places[number]
            head = self.held[number].head
            up = self.memory.bits - head.bits
            words = self.memory.read(first, count) >> max(up, 0) << max(-up, 0)
            words -= 1 << (head.bits - 1)
            self.held[number] = Held(head, [int(word) for word in words])
        super()._take_request(raw, now_s)
