"""Long counts: `python -m tests.prove [PART ...] --runs N --seed S`; no part means all of them."""

from __future__ import annotations

import argparse

from tests.prove.counting import count
from tests.prove.plain_memory import LISTED, UNLISTED

PARTS = {**LISTED, **UNLISTED}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("parts", nargs="*", metavar="PART")
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", type=int, default=1 << 15)
    given = parser.parse_args()
    for name in given.parts or PARTS:
        right, others = count(PARTS[name], given.runs, given.seed, size=given.size)
        said = ", ".join(f"{what} {often}" for what, often in others.most_common(5))
        print(f"{name:24} {right:6} of {given.runs:6}  {said}", flush=True)


if __name__ == "__main__":
    main()
