"""A unit that has manners of its own, and a memory that works: its memory is blamed for none."""

from __future__ import annotations

from collections.abc import Callable
from itertools import count
from math import inf
from typing import cast

import numpy as np
import pytest

from dryload.emulator.line.simulate import SimulatedLine
from dryload.harness.jobs.line import never
from dryload.harness.jobs.transfer import Replay, Settings
from dryload.harness.prove import proof as proof_module
from dryload.harness.prove import tested as tested_module
from dryload.harness.prove.proof import Proof, ProofRequest, Proven, Verdict
from dryload.harness.prove.quick import QuickProof
from dryload.harness.prove.tested import TestedUnit, Wrote
from dryload.harness.prove.words import Values
from dryload.harness.report.prove import lines_of
from tests.foreign import wire
from tests.foreign.endpoint import GearEndpoint
from tests.foreign.habits import Habits
from tests.prove.faulty_gear import FaultyGear
from tests.prove.odd_gear import (
    WORDS,
    Converting,
    Doubling,
    Headed,
    Late,
    Levels,
    Noisy,
    Odd,
    OnlyLast,
    Refusing,
    Slow,
    Stretching,
)
from tests.prove.plain_memory import LISTED, PlainMemory
from tests.prove.plain_unit import PlainUnit

Makes = Callable[[], FaultyGear]


def proved(
    gear: FaultyGear,
    asked: ProofRequest | None = None,
    *,
    quick: bool = False,
    power: Callable[[int], bool] | None = None,
    wants_stop: Callable[[], bool] = never,
) -> Proven:
    line = SimulatedLine(GearEndpoint(gear), listener=lambda _, events: replay.hear(events))
    replay = Replay(line, settings=Settings(operator_ns=None))
    unit = TestedUnit(replay, line, device_id=0, last_number=20)
    make = QuickProof if quick else Proof
    return make(unit, asked or ProofRequest(), power=power, wants_stop=wants_stop).run()


GOOD: dict[str, Makes] = {
    "answers a request after 1.5 s": lambda: Slow(1.5),
    "after 3 s": lambda: Slow(3),
    "after 10 s": lambda: Slow(10),
    "says the number after it": lambda: Headed(lambda h: h._replace(sample=h.sample + 1)),
    "says 0 for every number": lambda: Headed(lambda h: h._replace(sample=0)),
    "says another period": lambda: Headed(lambda h: h._replace(period_ns=h.period_ns + 13)),
    "has loops of its own": lambda: Headed(lambda h: h._replace(loop_end=9, loop_type=0)),
    "keeps 14 bits": lambda: Odd(habits=Habits(bits=14)),
    "sends what was there before until it has rested": lambda: Late(1.0),
    "sends it for longer than one waits for a look": lambda: Late(5.0),
    "takes 1,024 words at most": lambda: Refusing(2 * WORDS, most=1_024),
    "takes 64 words at least": lambda: Refusing(least=64),
    "has protected numbers": lambda: Refusing(numbers="1 2 3 9"),
    "takes half a second for a packet": lambda: Odd(habits=Habits(bits=16, delay=0.5)),
    "takes 3 s for a header": lambda: Odd(habits=Habits(bits=16, header_delay=3.0)),
    "has it wait at every answer": lambda: Odd(habits=Habits(bits=16, wait_each=0.05)),
}


@pytest.mark.parametrize("manner", GOOD)
def test_a_manner_that_a_proof_can_bear_is_no_hindrance(manner: str) -> None:
    gear = GOOD[manner]()
    got = proved(gear)

    assert (got.verdict, got.faults, got.why) == (Verdict.PROVED, (), "")
    assert got.words == gear.capacity


@pytest.mark.parametrize("at", [165, 390])
def test_a_packet_that_is_lost_in_a_reading_is_asked_for_again(at: int) -> None:
    gear, given = Odd(), count(1)
    due = gear.due
    gear.due = lambda now_s: [  # type: ignore[method-assign]
        raw for raw in due(now_s) if raw[3] != wire.PACKET or next(given) != at
    ]
    got = proved(gear)

    assert (got.verdict, got.faults, got.damaged) == (Verdict.PROVED, (), 1)


def ends_in(last: int) -> Callable[[Levels], Levels]:
    def change(words: Levels) -> Levels:
        return np.concatenate([words[:-last], np.zeros(last)])

    return change


def rounded(bits: int) -> Callable[[Levels], Levels]:
    return lambda words: np.round(words * (1 << bits - 1)) / (1 << bits - 1)


def in_steps_of_level(words: Levels) -> Levels:
    """As telephones do: 8 bits, small values in small steps."""
    steps: Levels = (
        np.round(np.sign(words) * np.log1p(255 * np.abs(words)) / np.log(256) * 127) / 127
    )
    words = np.sign(steps) * np.expm1(np.abs(steps) * np.log(256)) / 255
    return words


def with_noise(words: Levels) -> Levels:
    """Twelve bits, and something else in the four below."""
    dice = np.random.default_rng(3)
    return rounded(12)(words) + dice.integers(0, 16, len(words)) / 32_768


def delayed(words: Levels) -> Levels:
    return np.concatenate([[0, 0], words[:-2]])


ENDS, MOVES, CONVERTS = "beginning or end", "moves each sample", "the unit converts them"
CHANGES: dict[str, tuple[Makes, str]] = {
    "last word 0": (lambda: Converting(ends_in(1)), ENDS),
    "last 8 words 0": (lambda: Converting(ends_in(8)), ENDS),
    "two words late": (lambda: Converting(delayed), MOVES),
    "quieter": (lambda: Converting(lambda words: words * 0.9), CONVERTS),
    "as loud as can be": (lambda: Converting(lambda words: words / np.abs(words).max()), CONVERTS),
    "without an offset": (lambda: Converting(lambda words: words - words.mean()), CONVERTS),
    "upside down": (lambda: Converting(lambda words: -words), CONVERTS),
    "the sign taken otherwise": (
        lambda: Converting(lambda words: words - np.copysign(1, words)),
        CONVERTS,
    ),
    "rounded to 12 bits": (lambda: Converting(rounded(12)), CONVERTS),
    "cut to 12 bits": (
        lambda: Converting(lambda words: np.floor(words * 2048) / 2048),
        "--bits 12",
    ),
    "12 bits sent with noise below": (Noisy, "--bits 12"),
    "12 bits with noise below": (lambda: Converting(with_noise), CONVERTS),
    "8 bits with small steps": (lambda: Converting(in_steps_of_level), CONVERTS),
    "only the last one can be read": (OnlyLast, "asked for test sample 0, the unit sent"),
    "never the new one": (lambda: Late(inf), "one of 40 words"),
    "a length of its own": (
        lambda: Headed(lambda h: h._replace(length=h.length - 1)),
        "one of 511 words, and not of 512",
    ),
    "a packet twice": (Doubling, "a packet twice"),
}


@pytest.mark.parametrize("quick", [False, True])
@pytest.mark.parametrize("manner", CHANGES)
def test_what_the_unit_changes_is_told_and_its_memory_is_not_blamed(
    manner: str, quick: bool
) -> None:
    make, says = CHANGES[manner]
    got = proved(make(), ProofRequest(minutes_ns=120_000_000_000) if quick else None, quick=quick)

    assert (got.verdict, got.faults, got.sign) == (Verdict.NOT_PROVED, (), None)
    # A look does not see the end of a sample.
    assert says in got.why or quick
    assert not any("there is a fault" in line for line in lines_of(got))


@pytest.mark.parametrize("name", sorted({*LISTED} - {"nothing"}))
def test_a_memory_with_a_fault_is_blamed_all_the_same(name: str) -> None:
    gear = Odd()
    made = LISTED[name](gear.memory)
    got = proved(gear)

    assert got.verdict is Verdict.FAULT, got.why
    # A row or column of so small a memory is a few cells.
    assert got.faults[0].kind in {*made.answers, "cells", "unknown"}


def test_a_unit_that_brings_samples_to_another_rate_is_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(tested_module, "FIRST", 256)
    got = proved(Stretching())

    assert (got.verdict, got.faults) == (Verdict.NOT_PROVED, ())
    assert "and not of" in got.why


def test_what_takes_more_than_it_has_room_for_is_not_called_faulty(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(proof_module, "_MOST_WORDS", 1 << 14)

    class Boasting(Odd):
        """Acknowledges what has no room, and has only zeros of it."""

        def __init__(self, words: int) -> None:
            super().__init__(words)
            self.capacity = 1 << 40

    gear = Boasting(1 << 15)
    gear.memory.carry = lambda bank, at, value, writing: np.where(at < WORDS, value, 0)
    got = proved(gear)
    assert (got.verdict, got.faults, got.sign) == (Verdict.NOT_PROVED, (), None)
    assert "--words N" in got.why

    assert proved(Boasting(WORDS), ProofRequest(words=WORDS)).verdict is Verdict.PROVED


class Endless(PlainUnit):
    """Says nothing of its room, takes everything, and keeps what has room; as a computer may."""

    def room(self, number: int) -> int | None:
        return None

    def write(self, number: int, values: Values, *, is_new: bool = False) -> Wrote:
        self.memory = PlainMemory("in a row", banks=1, size=len(values), start=0, seed=1)
        self.first[number], self.written_ns[number] = 0, self.line.now_ns
        self.memory.write(0, np.asarray(values, np.int64))
        return Wrote(whole=True)


def test_what_takes_everything_is_not_filled_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(proof_module, "_MOST_WORDS", 1 << 15)
    unit = Endless(PlainMemory("in a row", banks=1, size=64, start=0, seed=1))
    got = Proof(cast(TestedUnit, unit), ProofRequest()).run()

    assert (got.verdict, got.faults) == (Verdict.NOT_PROVED, ())
    assert "--words N" in got.why


def test_a_memory_that_is_smaller_than_its_manual_says_is_not_proved() -> None:
    got = proved(Odd(), ProofRequest(words=2 * WORDS))

    assert got.verdict is Verdict.NOT_PROVED
    assert got.why.startswith("the unit took 4,096 words of 8,192 that it has by --words")
