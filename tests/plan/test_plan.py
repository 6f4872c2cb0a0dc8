"""A folder with 64 files, planned for every unit; a replay comes to just what the plan said."""

from __future__ import annotations

import json
from collections.abc import Callable
from fractions import Fraction
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dryload.emulator.dump.sample import Sample
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.image import image_of
from dryload.emulator.unit.memory import Holding
from dryload.emulator.unit.profile import load_profile, profile_names
from dryload.emulator.wire.words import word_dtype
from dryload.harness.cli.options import command_of
from dryload.harness.cli.replay import replay
from dryload.harness.jobs.transfer import Settings
from dryload.harness.plan.evening import EveningPlan
from dryload.harness.plan.kept import content_of
from dryload.harness.plan.plan import plan_evening
from dryload.harness.plan.rehearsed import Bench
from tests import oracle
from tests.plan import folder

REPLAY = command_of(replay)


@pytest.fixture(scope="module")
def theatre(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("theatre")
    folder.fill(place)
    return place


@cache
def planned(theatre: Path, unit: str, **how: Any) -> EveningPlan:
    bench = Bench(unit=unit, profile=load_profile(unit), settings=Settings(), **how)
    return plan_evening([str(theatre)], bench, weights={})


Played = Callable[..., dict[str, Any]]


@pytest.fixture
def played(capsys: pytest.CaptureFixture[str]) -> Played:
    """The command replay, and its document."""

    def go(*words: str) -> dict[str, Any]:
        capsys.readouterr()
        REPLAY.main([*words, "--json"], standalone_mode=False)
        document = json.loads(capsys.readouterr().out)
        assert isinstance(document, dict)
        return document

    return go


@pytest.mark.parametrize("unit", profile_names())
def test_a_replay_of_the_plan_comes_to_what_the_plan_said(
    theatre: Path, unit: str, tmp_path: Path, played: Played
) -> None:
    plan = planned(theatre, unit)
    path = tmp_path / "evening.toml"
    path.write_bytes(content_of(plan, str(path)))
    assert path.read_text().count("\n[[sample]]\n") == len(plan.samples) > 0
    document = played(str(path))
    assert document["target"]["given"] == f"unit:{unit}"
    assert [
        (
            each["sample_number"],
            each["slot"],
            each["emulated_memory"],
            each["packets"]["planned"],
            each["time"]["total_ns"] + each["time"]["read_back_ns"],
        )
        for each in document["transfers"]
    ] == [
        (
            each.number,
            each.slot,
            None
            if each.slot is None
            else {"words": each.frames * each.channels, "bits": each.bits},
            each.packets,
            each.time_ns,
        )
        for each in plan.samples
    ]
    # thunder-sheet never answers: that a sample arrived is seen in its memory alone.
    well = ("loaded", "unconfirmed") if unit == "thunder-sheet" else ("loaded",)
    assert [bool(each.remark) for each in plan.samples] == [
        each["outcome"] not in well for each in document["transfers"]
    ]
    assert document["lasted_ns"] == plan.total_ns
    assert document["operator"]["visits"] == plan.visits
    free = [each.region.words for each in plan.after if each.kind == "free"]
    assert document["memory"]["free_words"] == sum(free)
    assert document["memory"]["largest_free_words"] == max(free, default=0)


@pytest.mark.parametrize("unit", profile_names())
def test_a_plan_is_possible_and_tells_of_every_file(theatre: Path, unit: str) -> None:
    plan = planned(theatre, unit)
    profile = plan.profile
    told = {each.file for each in plan.samples} | {each.file for each in plan.left_out}
    seen = {
        str(path) for path in theatre.rglob("*") if path.is_file() and not path.name.startswith(".")
    }
    assert told == seen
    assert len(seen) == 64
    numbers = [each.number for each in plan.samples]
    assert len(set(numbers)) == len(numbers)
    first = profile.slots.first_number
    slots = {number - first + 1 for number in numbers}
    assert slots <= set(range(1, profile.slots.count + 1)) - set(profile.slots.protected)
    regions = sorted(region for each in plan.samples for region in each.regions)
    assert all(one.end <= other.start for one, other in pairwise(regions))
    assert all(each.words % profile.memory.block_words == 0 for each in regions)
    for each in plan.samples:
        words = each.frames * each.channels
        if profile.habits.filler != "keep":
            # HDR-07: as many packets as the words fill (the plain codec's count).
            sent = each.change.bits or each.bits
            assert each.packets == oracle.packet_count(words, sent)
        assert each.bits in profile.words.accepts
        assert each.channels in profile.words.channels
        if each.slot is not None and profile.memory.contiguous:
            assert len(each.regions) == 1
    why = {Path(each.file).name: each for each in plan.left_out}
    assert "is a text file" in why["notes.txt"].why
    assert "is a JPEG picture" in why["foyer.jpg"].why
    assert "is broken: The checksum of packet 1 is wrong" in why["torn.syx"].why
    is_full = len(plan.samples) == plan.free_slots
    too_long = "finds no slot" if is_full else "does not fit: it needs 20,000,000 words"
    assert too_long in why["whole show.wav"].why
    assert "is not a readable audio file" in why["torn.wav"].why
    assert why["cue-04.syx"].why.startswith("is the same dump as ")
    well = [why[name].is_well for name in ("notes.txt", "foyer.jpg", "cue-04.syx", "torn.syx")]
    assert well == [True, True, True, False]
    assert not plan.is_well


def with_holes(unit: str) -> RackUnit:
    """A unit that holds three samples; a fourth between two of them was deleted."""
    profile = load_profile(unit)
    rack = RackUnit(profile)
    size = rack.memory.capacity // 8
    bits = max(each for each in profile.words.accepts if each <= 16)
    free = [slot for slot in rack.slots if not slot.protected]
    for slot in free[:4]:
        words = np.arange(size, dtype=word_dtype(bits)) % 100
        sample = Sample(words=words.astype(word_dtype(bits)), bits=bits, rate=Fraction(22_050))
        holding = rack.memory.allocate(size)
        assert isinstance(holding, Holding)
        slot.put(sample, holding)
    rack.panel.delete(free[1].number, 0)
    return rack


@pytest.mark.parametrize("unit", profile_names())
def test_what_a_unit_holds_stays_as_it_is(
    theatre: Path, unit: str, tmp_path: Path, played: Played
) -> None:
    rack = with_holes(unit)
    image, path = tmp_path / "held.image", tmp_path / "evening.toml"
    image.write_bytes(image_of(rack))
    bench = Bench(
        unit=unit, profile=rack.profile, holds=str(image), settings=Settings(read_back=False)
    )
    plan = plan_evening([str(theatre / "dumps")], bench, weights={})
    held = {each.region: each.slot for each in plan.before if each.slot is not None}
    assert len(held) == 3
    assert held.items() <= {each.region: each.slot for each in plan.after}.items()
    assert not {each.slot for each in plan.samples} & set(held.values())
    hole = next(each.region for each in plan.before if each.slot is None)
    assert any(region.start == hole.start for each in plan.samples for region in each.regions)
    path.write_bytes(content_of(plan, str(path)))
    document = played(str(path), "--no-read-back")
    assert document["lasted_ns"] == plan.total_ns
    slots = {each["slot"]: each["regions"] for each in document["memory"]["slots"]}
    for each in plan.samples:
        if each.slot is not None:
            assert slots[each.slot] == [
                {"start": region.start, "words": region.words} for region in each.regions
            ]
