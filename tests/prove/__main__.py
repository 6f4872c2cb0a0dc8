"""Long counts: `python -m tests.prove [PART ...] --runs N --seed S`; no part means all of them."""

from __future__ import annotations

import argparse
from typing import Final

from dryload.harness.prove.passes import planned
from tests.prove.counting import count, count_two
from tests.prove.detection import DECODER, IN_CELLS, ROWS, expected, shares, shares_in_cells
from tests.prove.plain_memory import LISTED, UNLISTED

PARTS = {**LISTED, **UNLISTED}
WORDS: Final = 1 << 19


def tell_shares(count: int) -> None:
    """Print which faults of single cells and addresses each of five passes finds, in per cent.

    Of each first what is to be expected, then what was found in a plain memory, and in the cells of
    an emulated unit, where that has such a fault.
    """
    lengths = [part.words for part in planned(WORDS)]
    for name, near in ROWS:
        for bits in (16, 12, 8) if name in DECODER else (16,):
            found = {
                "expected": expected(name, near, lengths, bits),
                "plain": shares(name, near, size=WORDS, count=count, bits=bits),
            }
            if name in IN_CELLS:
                cells = shares_in_cells(name, size=WORDS, count=min(count // 2, 10_000))
                found["cells"] = cells[near]
            for of, row in found.items():
                told = "".join(f"{each:8.2f}" for each in row)
                print(f"{name:24}{near:11}{bits:3} bits  {of:9}{told}", flush=True)


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
