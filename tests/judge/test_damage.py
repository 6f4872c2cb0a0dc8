"""Damage by the independent injector is found at the right packet, and none where none is."""

from __future__ import annotations

import os

import pytest

from tests import damage
from tests.judge.acceptance import SEEDS, UNDAMAGED, try_damage, try_undamaged

_FULL = bool(os.environ.get("DRYLOAD_FULL_ACCEPTANCE"))
SEEDS_HERE = SEEDS if _FULL else 40
UNDAMAGED_HERE = UNDAMAGED if _FULL else 300


@pytest.mark.parametrize("name", sorted(damage.KINDS))
def test_every_damage_is_found_at_its_packet_and_at_no_other(name: str) -> None:
    for seed in range(SEEDS_HERE):
        tried = try_damage(name, seed)
        assert tried.is_found, tried
        assert not tried.blames_others, tried


def test_undamaged_dumps_have_no_finding_and_give_their_words() -> None:
    widths = set()
    for seed in range(UNDAMAGED_HERE):
        clean, verdict = try_undamaged(seed)
        assert verdict.findings == (), (seed, verdict.findings)
        assert verdict.contents.words is not None
        assert verdict.contents.words.tolist() == list(clean.words)
        plan = verdict.contents.plan
        assert plan is not None
        assert (plan.packets, verdict.contents.found) == (clean.packets, clean.packets)
        widths.add(clean.bits)
    assert widths == set(range(8, 29))
