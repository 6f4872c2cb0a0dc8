"""Plans made by hand: what the checks of this room begin with."""

from __future__ import annotations

from fractions import Fraction
from functools import cache
from typing import Any

from dryload.emulator.dump.sample import NO_LOOP
from dryload.emulator.unit.memory import Region
from dryload.emulator.unit.panel import MapLine
from dryload.emulator.unit.profile import load_profile
from dryload.harness.plan.change import Change
from dryload.harness.plan.evening import EveningPlan, PlannedSample
from dryload.harness.plan.keys import Keys
from dryload.harness.plan.pause import Amount

SECOND = 1_000_000_000
profile_of = cache(load_profile)


def planned(slot: int | None = 1, **fields: Any) -> PlannedSample:
    """One second of thunder, unless something else is said."""
    usual: dict[str, Any] = {
        "file": "sounds/thunder.wav",
        "dump": 1,
        "own_number": None,
        "number": 0 if slot is None else slot - 1,
        "name": "Thunder",
        "bits": 16,
        "rate": Fraction(44_100),
        "channels": 1,
        "frames": 44_100,
        "packets": 1_103,
        "loop": NO_LOOP,
        "root": None,
        "keys": Keys(60, 0, 127),
        "regions": (),
        "duration_s": 1.0,
        "is_walk": False,
        "start_ns": 0,
        "time_ns": 90 * SECOND,
        "read_back_ns": 45 * SECOND,
        "change": Change(),
        "peak_db": -3.14,
        "remark": "",
    }
    return PlannedSample(slot=slot, **(usual | fields))


def evening(*samples: PlannedSample, unit: str = "lantern-desk", **fields: Any) -> EveningPlan:
    """A plan of these samples, one behind the other from word 0 on."""
    profile = profile_of(unit)
    pieces, at = [], 0
    for each in samples:
        if each.slot is not None:
            pieces.append(MapLine(Region(at, each.frames), "sample", each.slot))
            at += each.frames
    words = profile.memory.bank_words * len(profile.memory.fitted)
    usual: dict[str, Any] = {
        "banks": None,
        "holds": None,
        "spent": (),
        "amount": Amount(dumps=len(samples), packets=1, line_ns=SECOND),
        "left_out": (),
        "offers": (),
        "weight": len(samples),
        "bound": len(samples),
        "savings": (),
        "before": (MapLine(Region(0, words), "free"),),
        "after": (*pieces, MapLine(Region(at, words - at), "free")),
        "edges": tuple(range(0, words + 1, profile.memory.bank_words)),
        "free_slots": profile.slots.count,
        "is_read_back": True,
        "walk_ns": None,
        "visits": 0,
        "total_ns": sum(each.time_ns for each in samples),
    }
    return EveningPlan(unit=unit, profile=profile, samples=samples, **(usual | fields))
