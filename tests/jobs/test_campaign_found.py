"""What campaigns have found: runs that broke a rule, each with what was wrong, and not again."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from dryload.harness.jobs.campaign_case import Case
from dryload.harness.jobs.campaign_run import run_of
from dryload.harness.jobs.invariants import INVARIANTS, Run, acknowledged_is_right

BASE = Case(
    number=1829,
    seed=202,
    profile="old-curtain",
    content="noise",
    frames=71,
    bits=8,
    channels=1,
    rate=44_100,
    header="auto",
    loop="none",
    sample_number=3,
    disturbances=(),
    group="",
    kind="",
)


def test_two_flips_in_different_packets_are_seen_both() -> None:
    case = replace(BASE, profile="lantern-desk", bits=16, frames=400, sample_number=1)
    wrong = ("flip a bit in packet 1", "flip a bit in packet 3")
    run = run_of(replace(case, disturbances=wrong))
    assert (len(run.struck), run.transfer.resent) == (2, 2)
    slot = run.unit.slots.addressed(1)
    assert slot is not None
    assert slot.sample is not None
    slot.written = replace(slot.sample, words=slot.sample.words ^ 1)
    assert acknowledged_is_right(run).startswith("word 0 should be")  # it is still looked at


def broken(run: Run) -> list[str]:
    return [found for rule in INVARIANTS if (found := rule.found(run))]


# Two flips of one column in one packet cancel in its checksum (PKT-05), whoever made them.
TWO_FLIPS = replace(
    BASE,
    number=6139,
    profile="property-chest",
    content="silence",
    frames=439,
    bits=16,
    rate=22_050,
    loop="back and forth",
    sample_number=103,
    disturbances=(
        "flip a bit in packets with chance 1 in 6, seed 6713",
        "flip a bit in packets with chance 1 in 4, seed 80",
    ),
)
# A unit that never answers the last packet says nothing of what becomes of it (HSK-13).
LAST_PACKET = replace(BASE, disturbances=("flip a bit in packet 1", "slow line at 5 percent"))
PULLEY = replace(BASE, profile="slow-pulley")
# A copy that was on its way when the packet was answered has an answer of its own (HSK-14), and a
# unit that counts one ahead says with it the number that is due.
COPIES = (
    replace(
        PULLEY,
        number=3345,
        content="silence",
        frames=395,
        bits=12,
        rate=11_025,
        sample_number=7,
        disturbances=("cut packets with chance 1 in 2, seed 8210",),
    ),
    replace(
        PULLEY,
        number=4185,
        frames=654,
        bits=11,
        rate=11_025,
        disturbances=("cut packets with chance 1 in 7, seed 8452",),
    ),
    replace(
        PULLEY,
        number=309,
        content="ramp",
        frames=411,
        bits=9,
        disturbances=(
            "cut packet 1 after 47 bytes",
            "lose a byte in packets with chance 1 in 5, seed 291",
        ),
    ),
    replace(
        PULLEY,
        number=1629,
        content="extremes",
        frames=630,
        bits=12,
        disturbances=(
            "repeat every 3rd packet",
            "set a high bit in packets with chance 1 in 2, seed 903",
        ),
    ),
    replace(
        PULLEY,
        number=1929,
        frames=415,
        bits=13,
        rate=32_000,
        loop="numbered",
        sample_number=6,
        disturbances=("cut packets with chance 1 in 2, seed 3437",),
    ),
    # The line made the copy, and the sender never knew of it.
    replace(
        BASE,
        number=3088,
        profile="narrow-wings",
        frames=427,
        bits=16,
        rate=11_025,
        loop="numbered",
        sample_number=7,
        disturbances=("lose packets with chance 1 in 7, seed 19", "repeat every 3rd packet"),
    ),
)


@pytest.mark.parametrize("case", [TWO_FLIPS, LAST_PACKET, *COPIES], ids=lambda c: str(c.number))
def test_what_was_found_is_found_no_more(case: Case) -> None:
    assert broken(run_of(case)) == []


@pytest.mark.parametrize(
    "case", [c for c in COPIES if c.number != 1629], ids=lambda c: str(c.number)
)
def test_with_copies_on_their_way_the_dump_arrives_whole(case: Case) -> None:
    # In 1629 one packet fails three times, and the unit cancels (HSK-17).
    run = run_of(case)
    assert acknowledged_is_right(run) == ""
    slot = run.unit.slots.addressed(case.sample_number)
    assert slot is not None
    assert slot.sample is not None
    assert len(slot.sample.words) == case.frames * case.channels
