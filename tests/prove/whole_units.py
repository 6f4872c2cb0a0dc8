"""Every emulated unit with the whole of its memory: `python -m tests.prove.whole_units [UNIT ...]`.

A line for each: what the proof says, and how long it took beside what was announced, both from the
announcement on and in the unit's own time.  All twelve take 15 s.
"""

from __future__ import annotations

import sys

from dryload.emulator.unit.profile import load_profile, profile_names
from dryload.emulator.wire.prose import duration
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.prove.proof import Proof, ProofRequest, Proven, Verdict
from dryload.harness.prove.tested import TestedUnit


def proved(name: str) -> Proven:
    """The proof of a unit, as the command makes it."""
    profile = load_profile(name)
    rehearsal = Rehearsal(profile)
    unit = TestedUnit(rehearsal, rehearsal.line, device_id=profile.unit.device_id)
    return Proof(unit, ProofRequest()).run()


def off_by(got: Proven) -> float:
    """By what share of the announced time the proof was longer."""
    assert got.announced_ns is not None
    return (got.total_ns - got.announced_at_ns) / got.announced_ns - 1


def line_of(name: str, got: Proven) -> str:
    """One line of the table."""
    if got.announced_ns is None:
        return f"{name:16}{got.verdict}: {got.why}"
    room = "it says not" if got.capacity is None else f"{got.capacity:,}"
    took = duration(got.total_ns - got.announced_at_ns)
    told = f"{name:16}{got.verdict:12}{got.words:10,}{room:>14}{got.passes:8}"
    return f"{told}{duration(got.announced_ns):>17}{took:>17}{off_by(got):9.2%}  {got.why}".rstrip()


def main(names: list[str]) -> None:
    head = f"{'unit':16}{'result':12}{'words':>10}{'room':>14}{'passes':>8}"
    print(f"{head}{'announced':>17}{'took':>17}{'off by':>9}")
    found = {}
    for name in names or sorted(profile_names()):
        found[name] = proved(name)
        print(line_of(name, found[name]), flush=True)
    right = [each for each in found.values() if each.verdict is Verdict.PROVED]
    most = max((abs(off_by(each)) for each in right), default=0)
    print(f"{len(right)} of {len(found)} proved, in the announced time to within {most:.2%}")


if __name__ == "__main__":
    main(sys.argv[1:])
