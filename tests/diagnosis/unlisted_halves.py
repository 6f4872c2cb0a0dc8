"""Both halves of the kinds that no list has."""

from __future__ import annotations

from tests.diagnosis.unlisted import Half, Score, score_of
from tests.diagnosis.unlisted_seen import SEEN
from tests.diagnosis.unlisted_unseen import UNSEEN_HALF

HALVES = (SEEN, UNSEEN_HALF)


def half_of(*, unseen: bool) -> Half:
    """Return the half that may be looked at, or the other one."""
    return HALVES[unseen]


def score_in(task: tuple[bool, int, range, int]) -> tuple[str, Score]:
    """Diagnose captures of one kind: what a worker does."""
    unseen, at, numbers, seed = task
    kind = half_of(unseen=unseen).kinds[at]
    return kind.name, score_of(kind, numbers, seed)
