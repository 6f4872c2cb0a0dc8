"""Units whose memory works, with habits and leftovers drawn from a seed: none is called faulty.

Very many of them: `python -m tests.prove.test_habits 1000`.
"""

from __future__ import annotations

import random
import sys
from collections import Counter

import pytest
from msgspec.structs import replace

from dryload.emulator.unit.possible import Profile
from dryload.emulator.unit.profile import load_profile
from dryload.harness.jobs.rehearse import Rehearsal
from dryload.harness.prove.proof import Proof, ProofRequest, Proven, Verdict
from dryload.harness.prove.tested import TestedUnit
from tests.jobs.bench import dump


def drawn(dice: random.Random) -> Profile:
    """A unit that answers, with habits of its own."""
    plain = load_profile("lantern-desk")
    is_whole = dice.random() < 0.5
    room = dice.choice(["at header", "as it fills"])
    widths = dice.choice([(12,), (16,), (8, 12, 16), tuple(range(8, 17)), (14, 16), (16, 24)])
    return replace(
        plain,
        memory=replace(
            plain.memory,
            # What stays free for replacing is a larger share of a small memory.
            bank_words=20_480 if is_whole else dice.choice([8_192, 10_240]),
            fitted=tuple(range(1, dice.randrange(1, 4) + 1)),
            block_words=dice.choice([1, 1, 64]),
            contiguous=dice.random() < 0.7,
            room=room,
        ),
        slots=replace(
            plain.slots,
            count=dice.choice([4, 8, 16, 64]),
            first_number=dice.choice([0, 0, 1, 20]),
            protected=dice.choice([(), (), (1,), (2, 3)]),
            replace="when whole" if is_whole else "at once",
        ),
        words=replace(
            plain.words,
            accepts=widths,
            others=dice.choice(["refuse", "cut", "round"]),
            others_to=max(widths),
        ),
        input=replace(
            plain.input,
            store_packet_ns=dice.choice([0, 2_000_000, 30_000_000]),
            store_header_ns=dice.choice([5_000_000, 200_000_000]),
        ),
        habits=replace(
            plain.habits,
            wait_before_ack=dice.random() < 0.3,
            packet_ack_number=dice.choice(["packet", "packet", "next", "zero"]),
            header_ack_number=dice.choice(["zero", "127", "last"]),
            final_ack=dice.random() < 0.8,
            partial=dice.choice(["drop", "keep"]),
            filler=dice.choice(["cut", "cut", "keep"]),
            empty_request=dice.choice(["ignore", "cancel"]),
            active_sensing=dice.random() < 0.1,
        ),
    )


def proved(seed: int) -> tuple[Proven, Rehearsal]:
    """The proof of one of them, in whose memory samples lie about."""
    dice = random.Random(seed)
    profile = drawn(dice)
    rehearsal = Rehearsal(profile)
    first, bits = profile.slots.first_number, max(profile.words.accepts)
    for _ in range(dice.randrange(4)):
        number = first + dice.randrange(profile.slots.count)
        rehearsal.play(dump([1] * dice.randrange(1, 900), number=number, bits=bits))
    unit = TestedUnit(rehearsal, rehearsal.line, device_id=0)
    return Proof(unit, ProofRequest(words=by_manual(profile))).run(), rehearsal


def by_manual(profile: Profile) -> int | None:
    """The size of a memory that must not be filled to its last word.

    Such a unit keeps what did not fit, and old samples too: nothing has room any more.
    """
    is_stuck = (profile.memory.room, profile.slots.replace, profile.habits.partial) == (
        *("as it fills", "when whole", "keep"),
    )
    return profile.memory.bank_words * len(profile.memory.fitted) if is_stuck else None


@pytest.mark.parametrize("seed", range(8))
def test_no_habit_is_taken_for_a_fault(seed: int) -> None:
    got, _ = proved(seed)

    assert got.faults == ()
    assert got.verdict is Verdict.PROVED, got.why


def main(runs: int) -> None:
    """Count what is said of very many."""
    said: Counter[str] = Counter()
    late, share = 0, 1.0
    for seed in range(1_000, 1_000 + runs):
        got, rehearsal = proved(seed)
        said[str(got.verdict)] += 1
        if got.verdict is not Verdict.PROVED:
            print(seed, got.why, [each.kind for each in got.faults], flush=True)
            continue
        assert got.announced_ns is not None
        took_ns = got.total_ns - got.announced_at_ns
        if abs(took_ns - got.announced_ns) > 0.03 * took_ns:
            late += 1
            print(seed, f"took {took_ns / got.announced_ns:.3f} of what was announced", flush=True)
        share = min(share, got.words / rehearsal.unit.memory.capacity)
    print(f"{dict(said)}; {late} not in the time announced; at least {share:.1%} was tested")


if __name__ == "__main__":
    main(int(sys.argv[1]))
