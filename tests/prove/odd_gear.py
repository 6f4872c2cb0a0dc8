"""Gear with a plain memory that works, and a manner of its own that a proof may take for a fault.

What M1 pp. 35-39 leave open, or forbid and some gear does all the same: made up, of no real unit.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeAlias

import numpy as np

from tests.foreign import wire
from tests.foreign.habits import Habits
from tests.foreign.player import Player
from tests.foreign.unit import Held
from tests.prove.faulty_gear import FaultyGear
from tests.prove.plain_memory import PlainMemory

WORDS = 4_096
Levels: TypeAlias = np.ndarray[Any, np.dtype[np.float64]]
"""Words as shares of full level."""


def plain(words: int = WORDS) -> PlainMemory:
    return PlainMemory("in a row", banks=2, size=words // 2, start=0, seed=4)


class Odd(FaultyGear):
    """A unit of 16 bits whose memory works."""

    def __init__(self, words: int = WORDS, habits: Habits | None = None) -> None:
        super().__init__(plain(words), habits or Habits(bits=16))


class Converting(Odd):
    """Changes the words of each sample before it stores them."""

    def __init__(self, change: Callable[[Levels], Levels]) -> None:
        super().__init__()
        self._change = change

    def _keep(self, head: wire.Head) -> None:
        level = 1 << head.bits - 1
        changed = self._change(np.array(self._words, np.int64) / level)
        self._words = [int(word) for word in np.clip(changed * level, -level, level - 1)]
        super()._keep(head)


class Noisy(Odd):
    """Sends noise in place of the lowest four bits, each time anew."""

    def __init__(self) -> None:
        super().__init__()
        self._noise = np.random.default_rng(2)

    def _take_request(self, raw: bytes, now_s: float) -> None:
        super()._take_request(raw, now_s)
        number = wire.number(raw[4:6])
        if number in self.held and self.player is not None:
            head, words = self.held[number]
            noisy = (np.array(words) >> 4 << 4) + self._noise.integers(0, 16, len(words))
            packets = wire.packets(noisy.tolist(), head.bits, self.habits.device)
            self.player = Player(wire.header(head, self.habits.device), packets)
            self.player.start(now_s)


class Stretching(Odd):
    """Stores each word twice, as for twice the rate."""

    def _hole(self, length: int) -> int | None:
        return super()._hole(2 * length)

    def _keep(self, head: wire.Head) -> None:
        self._words = [word for word in self._words for _ in range(2)]
        super()._keep(head._replace(length=len(self._words)))


class Refusing(Odd):
    """Takes no samples shorter than `least`, longer than `most`, or with one of these numbers."""

    def __init__(
        self, words: int = WORDS, *, least: int = 0, most: int = 1 << 21, numbers: str = ""
    ) -> None:
        super().__init__(words)
        self._least, self._most, self._refused = least, most, numbers.split()

    def _take_header(self, raw: bytes, now_s: float) -> None:
        head = wire.head_of(raw)
        assert head is not None
        if self._least <= head.length <= self._most and str(head.sample) not in self._refused:
            super()._take_header(raw, now_s)
        else:
            self.player = self._head = None
            self._answer(wire.CANCEL, 0, now_s)


class Headed(Odd):
    """Says something else in the headers of what it sends back."""

    def __init__(self, says: Callable[[wire.Head], wire.Head]) -> None:
        super().__init__()
        self._says = says

    def due(self, now_s: float) -> list[bytes]:
        messages = super().due(now_s)
        for at, raw in enumerate(messages):
            if raw[3] == wire.HEADER and (head := wire.head_of(raw)) is not None:
                messages[at] = wire.header(self._says(head), self.habits.device)
        return messages


class Slow(Odd):
    """Thinks for so many seconds before it answers a request."""

    def __init__(self, wait_s: float) -> None:
        super().__init__()
        self._wait_s = wait_s
        self._asked: list[tuple[float, bytes]] = []

    def _take_request(self, raw: bytes, now_s: float) -> None:
        self._asked.append((now_s + self._wait_s, raw))

    def due_s(self) -> float | None:
        times = [at_s for at_s, _ in self._asked]
        if (other_s := super().due_s()) is not None:
            times.append(other_s)
        return min(times, default=None)

    def due(self, now_s: float) -> list[bytes]:
        while self._asked and self._asked[0][0] <= now_s:
            super()._take_request(self._asked.pop(0)[1], now_s)
        return super().due(now_s)


class Late(Odd):
    """Sends what a number held before until it has rested for so long; `inf`: for ever."""

    def __init__(self, rests_s: float) -> None:
        super().__init__()
        self._rests_s, self._kept_s = rests_s, 0.0
        self._before: dict[int, Held] = {}

    def _take_packet(self, raw: bytes, now_s: float) -> None:
        self._kept_s = now_s
        super()._take_packet(raw, now_s)

    def _take_header(self, raw: bytes, now_s: float) -> None:
        number = wire.number(raw[4:6])
        if number in self.held:
            self._before[number] = self.held[number]
        super()._take_header(raw, now_s)

    def _take_request(self, raw: bytes, now_s: float) -> None:
        old = self._before.get(wire.number(raw[4:6]))
        if old is None or now_s - self._kept_s > self._rests_s:
            super()._take_request(raw, now_s)
            return
        packets = wire.packets(old.words, old.head.bits, self.habits.device)
        self.player = Player(wire.header(old.head, self.habits.device), packets)
        self.player.start(now_s)


class OnlyLast(Odd):
    """Answers every request with the sample that came last, and says that it is the one."""

    _newest = _asked = 0

    def _keep(self, head: wire.Head) -> None:
        super()._keep(head)
        self._newest = head.sample

    def _take_request(self, raw: bytes, now_s: float) -> None:
        self._asked = wire.number(raw[4:6])
        super()._take_request(raw[:4] + wire.groups(self._newest, 2) + raw[6:], now_s)

    def due(self, now_s: float) -> list[bytes]:
        return [
            raw[:4] + wire.groups(self._asked, 2) + raw[6:] if raw[3] == wire.HEADER else raw
            for raw in super().due(now_s)
        ]


class Doubling(Odd):
    """Stores the 100th packet that comes to it twice: its answer was lost, and it came again."""

    _seen = 0

    def _store(self, raw: bytes, head: wire.Head, at_s: float) -> None:
        self._seen += 1
        if self._seen == 100 and head.length > 400:
            self._words += wire.words_in(raw, head.bits)
        super()._store(raw, head, at_s)
