"""Count what the decision says of faults in plain memories."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Final

import numpy as np
from msgspec import Struct, field

from dryload.harness.prove.decide import NamedFault, decide
from dryload.harness.prove.evidence import PassEvidence
from dryload.harness.prove.passes import doubling
from dryload.harness.prove.words import code
from tests.prove.plain_memory import ARRANGEMENTS, LISTED, Array, Made, PlainMemory

Put = Callable[[PlainMemory], Made]
NEAR: Final = 0.02
"""Of the memory: how near the ends of a place have to be told."""


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
        lines=bits,
        bad_checksums=0,
    )


def said_of(put: Put, memory: PlainMemory) -> tuple[Made, tuple[NamedFault, ...]]:
    """What is said of one memory with one fault, after one pass, or two where one shows nothing."""
    made = put(memory)
    faults: tuple[NamedFault, ...] = ()
    for inverted in (False, True):
        faults = faults or decide(one_pass(memory, inverted=inverted))
    return made, faults


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


class Tally(Struct):
    """What was said of many memories with one fault."""

    right: int = 0
    others: Counter[str] = field(default_factory=Counter)
    asked: Counter[str] = field(default_factory=Counter)
    """Of how many that were named right lines, a distance and a place are known."""
    met: Counter[str] = field(default_factory=Counter)
    """In how many of these the report had them so."""


def count(put: Put, runs: int, seed: int, *, size: int = 1 << 15) -> Tally:
    """How many were named right, what was said of the others, and what the names came with."""
    tally = Tally()
    for run in range(runs):
        memory = memory_of(seed * 1_000_003 + run, size=size)
        made, faults = said_of(put, memory)
        first = faults[0].kind if faults else ""
        if (faults or made.answers) and first not in made.answers:
            tally.others[f"{first or 'nothing wrong'} ({memory.arrangement})"] += 1
            continue
        tally.right += 1
        if faults and first == made.kind:
            for what, is_met in compared(memory, made, faults[0]).items():
                tally.asked[what] += 1
                tally.met[what] += is_met
    return tally


def compared(memory: PlainMemory, made: Made, fault: NamedFault) -> dict[str, bool]:
    """Whether lines, distance and place of a fault are those that were put in."""
    found = {}
    if made.lines:
        found["lines"] = fault.lines == made.lines
    if made.distance is not None:  # of less than a word: the two bytes of one
        found["distance"] = abs((fault.distance or 0) - max(made.distance, 1)) <= 1
    if made.spot is not None:
        found["place"] = _is_place(memory, memory.concerned(made.spot), made, fault)
    return found


def _is_place(memory: PlainMemory, words: Array, made: Made, fault: NamedFault) -> bool:
    """Whether a fault is told where it lies.

    Of words that an address fault mixes up the one that was written last is right: the wrong ones
    lie within the place, and with the distance they reach over half of it at least.
    """
    first, last, near = int(words[0]), int(words[-1]), NEAR * memory.words
    is_every = len(words) > 0.9 * (last - first + 1)
    if not is_every and fault.stride == 1:
        return False
    if made.distance is None:
        return abs(fault.first - first) <= near and abs(fault.last - last) <= near
    reach = fault.last + (fault.distance or 0) - fault.first
    return fault.first >= first - near and fault.last <= last + near and 2 * reach >= last - first
