"""Twelve kinds of damage by very many seeds: every one found, and the right packet named.

`python -m tests.judge.acceptance` runs the full numbers and prints a table; the tests run fewer.
"""

from __future__ import annotations

import random
import sys
import time

from msgspec import Struct

from dryload.harness.judge.finding import Verdict
from dryload.harness.judge.stream import DumpVerdict, judge_stream
from tests import damage

SEEDS = 200
UNDAMAGED = 2_000


class Tried(Struct, frozen=True):
    """What the judge made of one damaged dump."""

    kind: str
    seed: int
    packet: int | None
    named: frozenset[int]
    """Packets that broken findings name."""
    told: str

    @property
    def is_found(self) -> bool:
        """Whether something broken was found and the damaged packet named."""
        return self.packet in self.named

    @property
    def blames_others(self) -> bool:
        """Whether a broken finding names a packet that nothing was done to.

        No kind of damage makes another packet break a must: what is lost with a packet is told at
        that packet, and a swap is told at the first of the two.
        """
        return bool(self.named - {self.packet})


def try_damage(name: str, seed: int) -> Tried:
    """Damage a random dump in one way and judge it."""
    kind = damage.KINDS[name]
    rng = random.Random(f"{name}/{seed}")
    clean = damage.random_dump(rng, minimum_packets=kind.minimum_packets)
    damaged = kind(clean.data, rng)
    verdicts = list(judge_stream(damaged.data))
    broken = [
        finding
        for verdict in verdicts
        for finding in verdict.findings
        if finding.verdict is Verdict.BROKEN
    ]
    places = (finding.at.packet for finding in broken)
    named = frozenset(place for place in places if place is not None)
    told = "; ".join(f"{finding.clause} {finding.message}" for finding in broken)
    return Tried(name, seed, damaged.packet, named, told)


def try_undamaged(seed: int) -> tuple[damage.RandomDump, DumpVerdict]:
    """Judge a clean random dump; the widths go round."""
    clean = damage.random_dump(random.Random(f"undamaged/{seed}"))
    (verdict,) = judge_stream(clean.data)
    return clean, verdict


def main() -> int:
    """Run everything and print a table."""
    begun = time.perf_counter()
    bad = 0
    print(f"{'damage':24}{'seeds':>7}{'found':>7}{'wrong packet':>14}")
    for name in damage.KINDS:
        tried = [try_damage(name, seed) for seed in range(SEEDS)]
        found = sum(one.is_found for one in tried)
        blamed = sum(one.blames_others for one in tried)
        print(f"{name:24}{len(tried):>7}{found:>7}{blamed:>14}")
        bad += len(tried) - found + blamed
    faulty = sum(bool(try_undamaged(seed)[1].findings) for seed in range(UNDAMAGED))
    print(f"{'undamaged':24}{UNDAMAGED:>7}{faulty:>7}")
    print(f"{time.perf_counter() - begun:.1f} s")
    return 1 if bad or faulty else 0


if __name__ == "__main__":
    sys.exit(main())
