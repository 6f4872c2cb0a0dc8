"""The plain account of one evening: what was done, what was said, what was held."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from tests.evenings.check import holds
from tests.evenings.evening import Lived, Turn
from tests.evenings.plan import Evening

_S: Final = 1_000_000_000
_MOST: Final = 60


def account(lived: Lived) -> Iterator[str]:
    """Yield the account, line by line."""
    yield from _bench(lived.evening)
    for at, turn in enumerate(lived.turns):
        yield ""
        yield f"Run {at + 1}: dryload {' '.join(turn.ran.arguments)}"
        yield from _went(lived.evening, turn)
        for fault in lived.faults:
            if fault.turn == at:
                yield f"  FALSE  {fault.kind}: {fault.told}"
    if not lived.faults:
        yield "Nothing that was said is false."


def _bench(evening: Evening) -> Iterator[str]:
    yield f"python -m tests.evenings {evening.seed}"
    line = "a line of 31,250 baud" if evening.has_line else "no line behind the port"
    odd = ", ".join(evening.odd) or "keeps to the standard"
    battery = "with a battery" if evening.manners.has_battery else "without a battery"
    yield f"The unit ({evening.target}, {line}, {battery}): {odd}."
    yield f"  {evening.habits}"
    yield f"  {evening.manners}"
    for dump in evening.dumps:
        broken = f", broken: {dump.damage}" if dump.damage else ""
        yield (
            f"  {dump.file}, dump {dump.index + 1}: sample {dump.number}, {len(dump.words):,} "
            f"words of {dump.bits} bits, {dump.packets} packets{broken}"
        )
    yield f"  The unit holds something else as sample {evening.held_before} before."


def _went(evening: Evening, turn: Turn) -> Iterator[str]:
    log = turn.ran.log
    if turn.run.before:
        yield f"  before it: the unit is switched {turn.run.before}"
    for trouble in turn.run.troubles:
        yield f"  planned: {trouble}"
    events = [(passed.at_ns, passed.told()) for passed in log.passed]
    events += [(at_ns, f"{at_ns / _S:10.3f} s  *** {told}") for at_ns, told in log.told]
    events.sort(key=lambda each: each[0])
    lines = [told for _, told in events]
    if len(lines) > _MOST:
        marked = [line for line in lines[20:-30] if "***" in line or line.endswith(("lost", "d"))]
        lines = [*lines[:20], "      ...", *marked, "      ...", *lines[-30:]]
    yield from (f"  {line}" for line in lines)
    yield f"  ended: {log.ended or 'by itself'}, exit code {turn.ran.code}"
    for name, text in (("stdout", turn.ran.out), ("stderr", turn.ran.err)):
        if turn.run.as_json and name == "stdout" and turn.said.document is not None:
            continue
        yield from (f"  {name} | {line}" for line in text.splitlines())
    for claim in (*turn.said.claims, *turn.journal):
        yield (
            f"  said   {claim.by}: {claim.file}, dump {(claim.dump or 0) + 1}: {claim.outcome}, "
            f"verified {claim.verified}; {claim.reason}"
        )
        yield from (f"         blames the unit: {blame}" for blame in claim.blames)
    for dump in evening.dumps:
        has_it = "is" if holds(turn.ran.rack.held, dump) else "is NOT"
        yield f"  held   sample {dump.number} of {dump.file} {has_it} in the unit"
