"""Gear that knows the standard alone, with a plain memory that may be faulty behind it.

As a process: python -m tests.prove.faulty_gear.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from typing import Final

import numpy as np

from tests.foreign import wire
from tests.foreign.gear import serve
from tests.foreign.habits import Habits
from tests.foreign.link import Link, MidiLink, TcpListener
from tests.foreign.unit import Gear, Held
from tests.prove.plain_memory import LISTED, PlainMemory

NUMBERS: Final = 12
"""Its sample numbers, from 0 on."""


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
            first = self._hole(head.length) if head.sample < NUMBERS else None
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


class PacedLink:
    """A link that takes as long as a cable does: 31,250 baud, ten bits a byte (M1 p. 1)."""

    def __init__(self, link: Link) -> None:
        self.name, self._link = link.name, link

    def read(self, for_s: float) -> bytes:
        return self._link.read(for_s)

    def write(self, message: bytes) -> None:
        time.sleep(len(message) * 10 / 31_250)
        self._link.write(message)

    def close(self) -> None:
        self._link.close()


def faulty_gear(fault: str, *, size: int, seed: int) -> FaultyGear:
    """Two banks of so many words in a row, with a fault that is drawn from a seed."""
    memory = PlainMemory("in a row", banks=2, size=size, start=0, seed=seed)
    LISTED[fault](memory)
    return FaultyGear(memory)


def main(arguments: list[str]) -> None:
    """Be such gear until standard input ends: --midi NAME | --tcp, --fault NAME --size N --seed N.

    Says what foreign gear says (`tests.foreign.gear`).
    """
    parser = argparse.ArgumentParser()
    parser.add_argument("--midi", metavar="NAME")
    parser.add_argument("--tcp", action="store_true")
    parser.add_argument("--fault", choices=LISTED, required=True)
    parser.add_argument("--size", type=int, required=True)
    parser.add_argument("--seed", type=int, required=True)
    chosen = parser.parse_args(arguments)
    link = PacedLink(MidiLink(chosen.midi, virtual=True) if chosen.midi else TcpListener())
    print(json.dumps({"event": "ready", "port": link.name}), flush=True)
    gear = faulty_gear(chosen.fault, size=chosen.size, seed=chosen.seed)
    serve(gear, link)
    link.close()
    print(json.dumps({"event": "end", **gear.saw}), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
