"""What stands behind several --disturb: disturbances and everyday situations, all together."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from difflib import get_close_matches
from functools import lru_cache
from typing import Final

from harness.files.opening import shown
from harness.jobs.disturb_asked import Asked, Disturbances
from harness.jobs.disturb_reading import NotUnderstood, read_words
from harness.jobs.disturb_scenes import SITUATIONS, Situation

_BY_NAME: Final = {situation.name: situation for situation in SITUATIONS}
_SEED: Final = re.compile(r"[\s,]+seed\s+([0-9]{1,9})")


def read_all(texts: Sequence[str]) -> Disturbances:
    """Return everything that was asked for; NotUnderstood says what is wrong with which text."""
    return _read(tuple(texts))


@lru_cache(maxsize=256)  # a campaign asks several times for each of its runs
def _read(texts: tuple[str, ...]) -> Disturbances:
    asked: list[Asked] = []
    for text in texts:
        try:
            asked += _asked(text)
        except NotUnderstood as wrong:
            raise NotUnderstood(shown(f'"{text}": {wrong}')) from wrong
    try:
        return Disturbances(tuple(asked))
    except ValueError as wrong:
        raise NotUnderstood(f"{wrong}.") from wrong


def _asked(text: str) -> Iterator[Asked]:
    lower = " ".join(text.lower().split())
    for name, situation in _BY_NAME.items():
        if lower == name or lower.startswith((f"{name} ", f"{name},")):
            yield from _of_situation(situation, lower[len(name) :])
            return
    try:
        yield read_words(text)
    except NotUnderstood as wrong:
        near = get_close_matches(lower, _BY_NAME, n=1, cutoff=0.75)
        if near:
            raise NotUnderstood(f'there is no such situation: did you mean "{near[0]}"?') from wrong
        raise


def _of_situation(situation: Situation, rest: str) -> Iterator[Asked]:
    seed = _SEED.fullmatch(rest)
    if rest and seed is None:
        raise NotUnderstood(
            f'behind "{situation.name}" a seed may follow, as in: {situation.name}, seed 3.'
        )
    for said in situation.disturbances:
        asked = read_words(
            said if seed is None or "chance" not in said else f"{said}, seed {seed[1]}"
        )
        yield replace(asked, situation=situation.name)
