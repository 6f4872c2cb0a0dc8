"""Long counts: `python -m tests.prove [PART ...] --runs N --seed S`; no part means all of them."""

from __future__ import annotations

import argparse

from dryload.harness.prove.passes import OVERNIGHT
from tests.prove.counting import count, count_two
from tests.prove.detection import FAULTS, share
from tests.prove.plain_memory import LISTED, UNLISTED

PARTS = {**LISTED, **UNLISTED}


def tell_shares(count: int) -> None:
    """Print which faults of single cells and addresses the passes find, in per cent."""
    for name in FAULTS:
        for bits in (16, 12, 8):
            found = [share(name, OVERNIGHT[:n], count=count, bits=bits) for n in (1, 2, 3)]
            print(f"{name:20} {bits:2} bits, 1 to 3 passes: {found}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("parts", nargs="*", metavar="PART")
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", type=int, default=1 << 15)
    given = parser.parse_args()
    for name in given.parts or [*PARTS, "two", "shares"]:
        if name == "shares":
            tell_shares(20 * given.runs)
            continue
        if name == "two":
            right, others = count_two(given.runs, given.seed, size=given.size)
            said = ", ".join(f"{what} {often}" for what, often in others.most_common(8))
            print(f"two faults               {right:6} of {given.runs:6}  {said}", flush=True)
            continue
        tally = count(PARTS[name], given.runs, given.seed, size=given.size)
        notes = [f"{what} {often}" for what, often in tally.others.most_common(5)]
        notes += [f"{what} {tally.met[what]} of {of}" for what, of in tally.asked.items()]
        print(f"{name:24} {tally.right:6} of {given.runs:6}  {', '.join(notes)}", flush=True)


if __name__ == "__main__":
    main()
