"""What foreign gear does with messages: takes dumps and gives them, by M1 pp. 35-39 alone."""

from __future__ import annotations

import random
from collections import deque
from typing import Any, Final, NamedTuple

from tests.foreign import wire
from tests.foreign.habits import Habits
from tests.foreign.player import Player

_COUNTS: Final = (
    *("headers", "packets", "repeated", "jumps", "damaged", "lost", "during_wait", "outside"),
    *("ack", "nak", "cancel", "wait", "requests", "cancelled", "not_known", "other_device"),
)


class Held(NamedTuple):
    """A sample in its memory."""

    head: wire.Head
    words: list[int]


class Gear:
    """Takes whole messages with their time in seconds; `due` gives what has to be sent then."""

    def __init__(self, habits: Habits | None = None) -> None:
        self.habits: Final = habits or Habits()
        self.held: dict[int, Held] = {}
        self.saw = dict.fromkeys(_COUNTS, 0)
        self.has_died = False
        self.player: Player | None = None
        self._is_mute = False
        self._answers: deque[tuple[float, bytes]] = deque()
        self._waits_until_s = 0.0
        self._head: wire.Head | None = None
        self._words: list[int] = []
        self._index = 0  # of the packet that is due
        self._last: bytes | None = None  # the packet that was stored last
        self._done_once: set[tuple[str, int]] = set()
        self._answered = 0  # packets
        self._heard_s = 0.0
        self._dice = random.Random(20_261)

    def take(self, raw: bytes, now_s: float) -> None:
        """Take one message from F0 to F7."""
        if self._is_mute:
            return
        match wire.said(raw, self.habits.device):
            case None:
                self.saw["other_device"] += 1
            case wire.HEADER:
                self._take_header(raw, now_s)
            case wire.PACKET:
                self._take_packet(raw, now_s)
            case wire.REQUEST:
                self._take_request(raw, now_s)
            case kind if kind in wire.HANDSHAKES and len(raw) == 6:
                self._take_handshake(raw, now_s)
            case _:  # loop points, names and extended headers among them
                self.saw["not_known"] += 1

    def due(self, now_s: float) -> list[bytes]:
        """Return the messages to send now."""
        messages = []
        while self._answers and self._answers[0][0] <= now_s:
            messages.append(self._answers.popleft()[1])
        if self.player is not None and not self._is_mute:
            self.player.tick(now_s)
            messages += self.player.to_send
            self.player.to_send.clear()
        return messages

    def due_s(self) -> float | None:
        """Return when `due` has something to give at the earliest."""
        times = [at_s for at_s, _ in self._answers]
        if self.player is not None and self.player.due_s is not None:
            times.append(self.player.due_s)
        return min(times, default=None)

    @property
    def partial(self) -> int | None:
        """Words of a dump that is not complete."""
        return None if self._head is None else len(self._words)

    def summary(self) -> dict[str, Any]:
        """Return all of it, for JSON."""
        held = {
            number: {**sample.head._asdict(), "words": sample.words}
            for number, sample in self.held.items()
        }
        given = None if self.player is None else {"end": self.player.end, **self.player.counts}
        return {"samples": held, "partial": self.partial, "saw": self.saw, "gave": given}

    def _take_header(self, raw: bytes, now_s: float) -> None:
        self.saw["headers"] += 1
        self._heard_s = now_s
        self.player = None
        self._head, self._last = wire.head_of(raw), None
        self._words, self._index = [], 0
        if self._head is None:
            self.saw["not_known"] += 1
            return
        memory = self.habits.memory
        if self.habits.refuses and memory is not None and self._head.length > memory:
            self._head = None
            self._answer(wire.CANCEL, 0, now_s + self.habits.header_delay)
            return
        self._accept(0, -1, now_s + self.habits.header_delay)

    def _take_packet(self, raw: bytes, now_s: float) -> None:
        habits, index, count = self.habits, self._index, raw[4]
        at_s = now_s + habits.delay
        self.saw["packets"] += 1
        if habits.idle_limit and now_s - self._heard_s > habits.idle_limit:
            self._head = self._last = None
        self._heard_s = now_s
        if now_s < self._waits_until_s:
            self.saw["during_wait"] += 1
        if self._head is None:
            if raw == self._last:  # the ACK of the very last packet was lost
                self.saw["repeated"] += 1
                self._answer_packet(count, at_s)
            else:
                self.saw["outside"] += 1
        elif self._dies(index) or self._loses(index):
            pass
        elif not wire.is_sound(raw):
            self.saw["damaged"] += 1
            self._answer(wire.NAK, count, at_s)
        elif self._last is not None and count == self._last[4] and not habits.store_twice:
            self.saw["repeated"] += 1  # what packet numbers are for: M1 p. 39
            self._answer_packet(count, at_s)
        elif self._rejects(index):
            self._answer(wire.NAK, count, at_s)
        else:
            self._store(raw, self._head, at_s)

    def _store(self, raw: bytes, head: wire.Head, at_s: float) -> None:
        """Keep a good packet; one with an unexpected number is a good one too (M1 p. 39)."""
        index, count = self._index, raw[4]
        self.saw["jumps"] += count != index & 0x7F
        words = wire.words_in(raw, head.bits)[: head.length - len(self._words)]
        memory = self.habits.memory
        if memory is not None and len(self._words) + len(words) > memory:
            self._head = None
            self._answer(wire.CANCEL, count, at_s)
            return
        self._words += words
        self._last = raw
        self._index += 1
        if len(self._words) >= head.length:
            self._keep(head)
        if index == self.habits.lose_ack and self._once("lose_ack", index):
            return
        self._accept(count, index, at_s)

    def _keep(self, head: wire.Head) -> None:
        words = wire.narrowed(self._words, head.bits, self.habits.bits)
        if self.habits.wrong_bit is not None:
            words[self.habits.wrong_bit] ^= 1
        kept = head._replace(bits=min(head.bits, self.habits.bits))
        self.held[head.sample] = Held(kept, words)
        self._head = None

    def _take_request(self, raw: bytes, now_s: float) -> None:
        self.saw["requests"] += 1
        sample = self.held.get(wire.number(raw[4:6]))
        if sample is None or self.habits.no_requests or self._head is not None:
            return  # M1 p. 37: not answered
        device = self.habits.device
        self.player = Player(
            wire.header(sample.head, device),
            wire.packets(sample.words, sample.head.bits, device),
        )
        self.player.start(now_s)

    def _take_handshake(self, raw: bytes, now_s: float) -> None:
        if self.player is not None:
            self.player.take(raw, now_s)
        elif raw[3] == wire.CANCEL and self._head is not None:
            self.saw["cancelled"] += 1
            self._head = None

    def _accept(self, count: int, index: int, at_s: float) -> None:
        """Acknowledge, or ask to wait first."""
        habits = self.habits
        if habits.wait and index == habits.wait_at and self._once("wait", index):
            self._answer(wire.WAIT, count, at_s)
            at_s += habits.wait
            self._waits_until_s = at_s
        if index < 0:
            if not (habits.lose_header_ack and self._once("lose_header_ack", 0)):
                self._ack(count, at_s)
        elif index % habits.ack_every == 0 or self._head is None:
            self._answer_packet(count, at_s)

    def _answer_packet(self, count: int, at_s: float) -> None:
        """Acknowledge a packet, with a number of its own making."""
        self._answered += 1
        self._ack(self._numbered(count), at_s)

    def _numbered(self, count: int) -> int:
        rule = self.habits.ack_number
        if rule == "random":
            return self._dice.randrange(128)
        if rule == "counted":
            return self._answered & 0x7F
        if rule.startswith("packet"):
            return (count + int(rule.removeprefix("packet") or 0)) & 0x7F
        return int(rule)

    def _ack(self, count: int, at_s: float) -> None:
        habits = self.habits
        if habits.wait_each:
            self._answer(wire.WAIT, count, at_s)
            at_s += habits.wait_each
            self._waits_until_s = at_s
        for turn in range(habits.ack_times):
            self._answer(wire.ACK, count, at_s + turn * habits.ack_gap)

    def _answer(self, kind: int, count: int, at_s: float) -> None:
        if self.habits.silent:
            return
        if kind == wire.NAK and self.habits.nak_number is not None:
            count = self.habits.nak_number
        names = {wire.ACK: "ack", wire.NAK: "nak", wire.CANCEL: "cancel", wire.WAIT: "wait"}
        self.saw[names[kind]] += 1
        if self._answers:  # none overtakes another
            at_s = max(at_s, self._answers[-1][0])
        self._answers.append((at_s, wire.handshake(kind, count, self.habits.device)))

    def _dies(self, index: int) -> bool:
        self.has_died = index == self.habits.dies_at
        self._is_mute = self.has_died or index == self.habits.falls_silent_at
        return self._is_mute

    def _loses(self, index: int) -> bool:
        is_lost = index == self.habits.deaf_to and self._once("deaf_to", index)
        self.saw["lost"] += is_lost
        return is_lost

    def _rejects(self, index: int) -> bool:
        every = self.habits.nak_every
        if index == self.habits.nak_always:
            return True
        return every is not None and index % every == every - 1 and self._once("nak", index)

    def _once(self, what: str, index: int) -> bool:
        """Whether this is the first time."""
        is_first = (what, index) not in self._done_once
        self._done_once.add((what, index))
        return is_first
