"""The unit of an evening: foreign gear that can be switched off, hang up and have odd ways."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

from tests.foreign import wire
from tests.foreign.habits import Habits
from tests.foreign.unit import Gear


@dataclass(frozen=True, slots=True, kw_only=True)
class Manners:
    """What a unit may do beside its habits."""

    has_battery: bool = False
    """Its memory outlives a power cut."""
    hangs_up: bool = False
    """Closes its connection when a dump is complete."""
    own_numbers: bool = False
    """Puts every sample under the first number that is free."""
    other_number_back: bool = False
    """Sends a sample back under another number than it was asked for."""
    key_s: float = 0.0
    """Somebody has to press a key before it sends a sample: so long it asks to wait."""
    deaf_s: float = 0.0
    """Takes no request for so long after a dump."""


class Happened(NamedTuple):
    """Something that became of its memory."""

    at_s: float
    what: str
    """"stored", or "emptied"."""
    sample: int


class Rack(Gear):
    """Gear with `manners`."""

    def __init__(self, habits: Habits, manners: Manners) -> None:
        super().__init__(habits)
        self.manners: Final = manners
        self.is_on = True
        self.history: list[Happened] = []
        self.hung_up_s: float | None = None
        """When it closes its connection."""
        self.headers: list[tuple[float, int]] = []
        """The sample number of each header that came, with its time."""
        self.asked: list[tuple[float, int]] = []
        """The same of requests."""
        self._now_s = 0.0
        self._hears_from_s = 0.0
        self._key: tuple[float, bytes] | None = None  # when it is pressed, for which request

    def take(self, raw: bytes, now_s: float) -> None:
        """Take one message from F0 to F7."""
        self._now_s = now_s
        if not self.is_on:
            return
        if wire.said(raw, self.habits.device) == wire.HEADER and len(raw) == 21:
            self.headers.append((now_s, wire.number(raw[4:6])))
            self._key = None
        super().take(raw, now_s)

    def due(self, now_s: float) -> list[bytes]:
        """Return the messages to send now."""
        if not self.is_on:
            return []
        if self._key is not None and self._key[0] <= now_s:
            at_s, raw = self._key
            self._key = None
            self._give(raw, at_s)
        return super().due(now_s)

    def due_s(self) -> float | None:
        """Return when `due` has something to give at the earliest."""
        if not self.is_on:
            return None
        times = [super().due_s(), None if self._key is None else self._key[0]]
        return min((each for each in times if each is not None), default=None)

    def switch_off(self, now_s: float) -> None:
        """Lose power: what it was doing, and without a battery what it holds."""
        self.is_on = False
        self._head, self._last, self.player = None, None, None
        self._words, self._index = [], 0
        self._answers.clear()
        self._key = None
        if not self.manners.has_battery:
            self.history += [Happened(now_s, "emptied", number) for number in self.held]
            self.held.clear()

    def switch_on(self) -> None:
        """Have power again."""
        self.is_on = True

    def _keep(self, head: wire.Head) -> None:
        if self.manners.own_numbers:
            head = head._replace(sample=next(n for n in range(1 << 14) if n not in self.held))
        super()._keep(head)
        self.history.append(Happened(self._now_s, "stored", head.sample))
        self._hears_from_s = self._now_s + self.manners.deaf_s
        if self.manners.hangs_up:
            self.hung_up_s = self._now_s + self.habits.delay + 0.05

    def _take_request(self, raw: bytes, now_s: float) -> None:
        number = wire.number(raw[4:6])
        self.asked.append((now_s, number))
        if now_s < self._hears_from_s:
            return
        if self.manners.key_s and number in self.held and not self.habits.no_requests:
            self._answer(wire.WAIT, 0, now_s)
            self._key = now_s + self.manners.key_s, raw
            return
        self._give(raw, now_s)

    def _give(self, raw: bytes, now_s: float) -> None:
        super()._take_request(raw, now_s)
        if self.player is not None and self.manners.other_number_back and self.player.to_send:
            held = self.held[wire.number(raw[4:6])].head
            other = held._replace(sample=held.sample ^ 1)
            self.player.to_send[0] = wire.header(other, self.habits.device)
