"""A plan and the file that keeps it: written from the one, and made ready again from the other."""

from collections.abc import Callable
from fractions import Fraction
from functools import cache
from typing import Final

from dryload.emulator.unit.possible import ProfileError
from dryload.emulator.unit.profile import load_profile, profile_names
from dryload.emulator.wire.prose import counted, duration
from dryload.harness.files.opening import shown
from dryload.harness.files.problem import Problem
from dryload.harness.jobs.convert import loop_from
from dryload.harness.jobs.transfer import Settings
from dryload.harness.plan.change import Change
from dryload.harness.plan.evening import (
    ENDING,
    EveningFile,
    EveningPlan,
    PlannedSample,
    SampleRow,
    load,
    path_from,
    path_in,
    written,
)
from dryload.harness.plan.gather import Candidate, sounds_of
from dryload.harness.plan.keys import Keys
from dryload.harness.plan.make import Wanted
from dryload.harness.plan.rehearsed import Bench, Chosen

_CHANGES: Final = ("bits", "rate", "channel", "start", "length", "loop")


def content_of(plan: EveningPlan, path: str) -> bytes:
    """Return the file of a plan, for a place where it is to lie."""
    unit = plan.unit if plan.unit in profile_names() else path_in(path, plan.unit)
    file = EveningFile(
        schema="dryload/evening/1",
        unit=unit,
        banks=plan.banks,
        holds=None if plan.holds is None else path_in(path, plan.holds),
        samples=tuple(_row(each, path) for each in plan.samples),
    )
    behind = [f"Not in the plan: {each.file} {each.why}." for each in plan.left_out]
    about = f"An evening with {plan.profile.name}: {duration(plan.total_ns)}"
    return written(file, about, [_comment(each) for each in plan.samples], behind)


def ready(path: str, settings: Settings) -> tuple[Bench, Chosen]:
    """Return the unit and the samples of the plan in a file; a Problem where they are not there."""
    file = load(path)
    if not file.samples:
        raise Problem(f"{shown(path)} has no [[sample]], so there is nothing to send.")
    unit = path_from(path, file.unit) if file.unit.endswith(ENDING) else file.unit
    try:
        profile = load_profile(unit)
    except ProfileError as problem:
        raise Problem(f"{shown(path)}: unit: {shown(str(problem))}.") from problem
    bench = Bench(
        unit=unit,
        profile=profile,
        banks=file.banks,
        holds=None if file.holds is None else path_from(path, file.holds),
        device_id=file.device_id,
        settings=settings,
    )
    found = cache(sounds_of)
    wanted = tuple(_wanted(each, at, path, found) for at, each in enumerate(file.samples))
    return bench, Chosen(wanted=wanted, left_out=())


def _wanted(row: SampleRow, at: int, path: str, found: Callable[[str], list[Candidate]]) -> Wanted:
    file = path_from(path, row.file)
    which = 1 if row.dump is None else row.dump
    try:
        candidates = [each for each in found(file) if each.dump == which]
        if not candidates:
            raise Problem(f"{shown(file)} has no dump {which} that can be sent.")
        loop = None if row.loop is None else loop_from(row.loop)
    except Problem as problem:
        what = f"{shown(path)}, [[sample]] {at + 1}: {problem.what}"
        raise Problem(what, do=problem.do) from problem
    change = Change(
        bits=row.bits,
        rate=None if row.rate is None else Fraction(str(row.rate)),
        channel=row.channel,
        start=row.start,
        length=row.length,
        loop=loop,
        why=tuple(f"{key} {set_to}" for key in _CHANGES if (set_to := getattr(row, key))),
    )
    keys = None
    if row.root is not None and row.low is not None and row.high is not None:
        keys = Keys(row.root, row.low, row.high)
    return Wanted(
        candidate=candidates[0],
        change=change,
        number=row.number,
        name=candidates[0].name if row.name is None else row.name,
        keys=keys,
    )


def _row(sample: PlannedSample, path: str) -> SampleRow:
    change, loop, keys = sample.change, sample.change.loop, sample.keys
    return SampleRow(
        file=path_in(path, sample.file),
        dump=None if sample.own_number is None else sample.dump,
        number=sample.number,
        name=sample.name,
        bits=change.bits,
        rate=None if change.rate is None else float(change.rate),
        channel=change.channel,
        start=change.start,
        length=change.length,
        loop=None if loop is None else f"{loop.start}-{loop.end}:{loop.loop_type:02X}",
        root=sample.root if keys is None else keys.root,
        low=None if keys is None else keys.low,
        high=None if keys is None else keys.high,
    )


def _comment(sample: PlannedSample) -> str:
    words = counted(sample.frames * sample.channels, "word")
    slot = "no slot" if sample.slot is None else f"slot {sample.slot}"
    parts = [f"{slot}, {words}, {duration(sample.time_ns)}", *sample.change.why]
    return "; ".join(parts)
