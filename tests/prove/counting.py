"""Count what the decision says of faults in plain memories."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

import numpy as np

from dryload.harness.prove.decide import NamedFault, decide
from dryload.harness.prove.evidence import PassEvidence
from dryload.harness.prove.passes import doubling
from dryload.harness.prove.words import code
from tests.prove.plain_memory import ARRANGEMENTS, LISTED, Made, PlainMemory

Put = Callable[[PlainMemory], Made]


def memory_of(seed: int, *, size: int) -> PlainMemory:
    """A memory drawn from a seed: arrangement, banks and where the test begins."""
    rng = np.random.default_rng([seed, 7])
    arrangement = list(ARRANGEMENTS)[int(rng.integers(len(ARRANGEMENTS)))]
    start = int(rng.choice([0, 0, 64, 256, 1000, size // 8]))
    start = min(start, size // 8) // 2 * 2
    return PlainMemory(arrangement, banks=2, size=size, start=start, seed=seed)


def one_pass(memory: PlainMemory, *, inverted: bool = False) -> PassEvidence:
    """Write all, read all, and read once more."""
    count, bits, starts, at = memory.words // 2 * 2, memory.bits, list[int](), 0
    written = code(0, count, bits, inverted=inverted)
    while at < count:
        starts.append(at)
        at += doubling(count, given=at)
    for first, end in zip(starts, [*starts[1:], count], strict=True):
        memory.write(first, written[first:end])
    read = memory.read(0, count).astype(np.uint32)
    again = read if (read == written).all() else memory.read(0, count).astype(np.uint32)
    nothing = np.zeros(count, np.bool_)
    return PassEvidence(
        bits=bits,
        written=written,
        read=read,
        again=again,
        known=~nothing,
        weight=np.ones(count, np.float32),
        tried=nothing,
        at_once=nothing,
        mended=nothing,
        others_right=True,
        starts=tuple(starts),
        width=bits,
        bad_checksums=0,
    )


def said_of(
    put: Put, seed: int, *, size: int = 1 << 15
) -> tuple[Made, tuple[NamedFault, ...], str]:
    """What is said of one memory with one fault, after one pass, or two where one shows nothing."""
    memory = memory_of(seed, size=size)
    made = put(memory)
    faults: tuple[NamedFault, ...] = ()
    for inverted in (False, True):
        faults = faults or decide(one_pass(memory, inverted=inverted))
    return made, faults, memory.arrangement


def both(memory: PlainMemory, one: Put, other: Put) -> tuple[Made, Made]:
    """Put two faults into a memory, so that each does what it does alone."""
    first = one(memory)
    carry, route, reading, after = memory.carry, memory.route, memory.reading, memory.after
    plain = PlainMemory.bare(memory)
    second = other(memory)
    second_carry, second_route, second_after = memory.carry, memory.route, memory.after
    memory.carry = lambda bank, at, value, writing: second_carry(
        bank, at, carry(bank, at, value, writing), writing
    )
    memory.route = lambda bank, at, writing: second_route(*route(bank, at, writing), writing)
    memory.after = lambda words, writing: second_after(after(words, writing), writing)
    if memory.reading == plain:
        memory.reading = reading
    return first, second


def count_two(runs: int, seed: int, *, size: int = 1 << 15) -> tuple[int, Counter[str]]:
    """How many of two faults at random have one of the two named first."""
    right, others = 0, Counter[str]()
    names = sorted({*LISTED} - {"nothing"})
    for run in range(runs):
        dice = np.random.default_rng([seed, run])
        one, other = (names[each] for each in dice.choice(len(names), 2, replace=False))
        memory = memory_of(seed * 1_000_003 + run, size=size)
        made = both(memory, LISTED[one], LISTED[other])
        faults = decide(one_pass(memory)) or decide(one_pass(memory, inverted=True))
        first = faults[0].kind if faults else "nothing wrong"
        answers = made[0].answers | made[1].answers
        if all(each.kind.startswith("data line") for each in made):
            answers |= {"data lines"}
        if first in answers:
            right += 1
        else:
            others[f"{first} ({one}, {other})"] += 1
    return right, others


def count(put: Put, runs: int, seed: int, *, size: int = 1 << 15) -> tuple[int, Counter[str]]:
    """How many were named right, and what was said of the others."""
    right, others = 0, Counter[str]()
    for run in range(runs):
        made, faults, arrangement = said_of(put, seed * 1_000_003 + run, size=size)
        first = faults[0].kind if faults else ""
        if (not faults and not made.answers) or first in made.answers:
            right += 1
        else:
            others[f"{first or 'nothing wrong'} ({arrangement})"] += 1
    return right, others
