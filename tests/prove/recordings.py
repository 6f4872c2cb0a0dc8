"""Long counts of the judge of recordings: `python -m tests.prove.recordings --runs N --seed S`.

Every run draws a way to play and to record the tone, a second of it.  Damage lies 45 ms or more
away from the ends, which a recording does not show.
"""

from __future__ import annotations

import argparse
from fractions import Fraction
from typing import Any

import numpy as np

from dryload.harness.prove.recording import ToneHeard, judge
from tests.prove.played import Array, Played, any_way, recorded, tone_words, word_at

WORDS = 22_050
AWAY = 1_000
HUMS: dict[str, dict[str, Any]] = {
    "no hum": {"hum_db": None},
    "50 Hz hum at -50 dB": {"hum_db": -50.0, "hum_hz": 50.0},
    "60 Hz hum at -50 dB": {"hum_db": -50.0, "hum_hz": 60.0},
}
_TOLD = 5
DAMAGE = ("clean", "elsewhere", "bit 8", "bit 9 or higher")


def damaged(kind: str, words: Array, rng: np.random.Generator) -> int:
    """Change one word, and return which; -1 where none is."""
    at = int(rng.integers(AWAY, len(words) - AWAY))
    if kind == "elsewhere":
        words[at] = word_at(at + int(rng.choice((-1, 1))) * 2 ** int(rng.integers(3, 19)))
    elif kind.startswith("bit"):
        bit = 8 if kind == "bit 8" else int(rng.integers(9, 16))
        words[at] = ((int(words[at]) + 32_768) ^ (1 << bit)) - 32_768
    return -1 if kind == "clean" else at


def heard_of(words: Array, how: Played, rng: np.random.Generator) -> ToneHeard:
    """Play and record words, and judge that."""
    frames = recorded(words, how, rng)
    return judge(frames.reshape(-1, 1), Fraction(how.rate_hz), len(words))


def one(
    kind: str, rng: np.random.Generator, *, words: int = WORDS, **given: Any
) -> tuple[bool, str]:
    """Return whether one draw is judged right, and what to say of it where it is not."""
    how, tone = any_way(rng, **given), tone_words(words)
    at = damaged(kind, tone, rng)
    heard = heard_of(tone, how, rng)
    if at < 0:
        return heard.is_right, f"{how} {heard}"
    near = [each for each in heard.wrong if abs(each.word - at) < AWAY]
    return bool(near) and len(heard.wrong) == len(near), f"word {at}: {how} {heard}"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("kinds", nargs="*", metavar="KIND", help=", ".join(DAMAGE))
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--words", type=int, default=WORDS)
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    for hum, settings in HUMS.items():
        for kind in given.kinds or DAMAGE:
            done = [one(kind, rng, words=given.words, **settings) for _ in range(given.runs)]
            right = sum(is_right for is_right, _ in done)
            print(f"{hum:22} {kind:16} right in {right:5} of {given.runs}", flush=True)
            for what in [what for is_right, what in done if not is_right][:_TOLD]:
                print(f"  {what}", flush=True)


if __name__ == "__main__":
    main()
