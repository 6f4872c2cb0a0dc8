"""A plan and the file that keeps it: written from the one, and made ready again from the other.

Theory of operation.  The file is small, TOML, and says what is to be done: the unit, and a table
for each sample with its file, its number and how it is changed; files are named from the folder of
the plan on.  All that follows from that (slots, times, what fits) is found out anew when the file
is read, so that whoever edits it changes the plan.  Figures stand in it as comments.
"""

import os
import re
from collections import Counter
from collections.abc import Callable
from fractions import Fraction
from functools import cache
from typing import Annotated, Final, Literal

import msgspec.toml
from msgspec import Meta, Struct

from dryload.emulator.unit.possible import ProfileError
from dryload.emulator.unit.profile import load_profile, profile_names
from dryload.emulator.wire.prose import counted, duration
from dryload.harness.files import toml_file
from dryload.harness.files.opening import head_of, shown
from dryload.harness.files.problem import Problem
from dryload.harness.jobs.convert import loop_from
from dryload.harness.jobs.transfer import Settings
from dryload.harness.plan.change import Change
from dryload.harness.plan.evening import EveningPlan, PlannedSample
from dryload.harness.plan.gather import Candidate, sounds_of
from dryload.harness.plan.keys import Keys
from dryload.harness.plan.make import PlanItem
from dryload.harness.plan.rehearsed import Bench, Chosen

ENDING: Final = ".toml"
_MARK: Final = re.compile(rb'^\s*schema\s*=\s*"dryload/evening/', re.MULTILINE)
_CHANGES: Final = ("bits", "rate", "channel", "start", "length", "loop")

_Key = Annotated[int, Meta(ge=0, le=127)]
_Count = Annotated[int, Meta(ge=1, le=1 << 35)]


class SampleRow(Struct, frozen=True, kw_only=True, omit_defaults=True, forbid_unknown_fields=True):
    """A table of the file: what is to be sent, and how it is changed."""

    file: str
    """From the folder of the plan on."""
    dump: _Count | None = None
    number: Annotated[int, Meta(ge=0, le=16_383)]  # HDR-02
    name: Annotated[str, Meta(max_length=127, pattern="^[ -~]*$")] | None = None
    """None: as it is in the file."""
    bits: Annotated[int, Meta(ge=8, le=28)] | None = None
    rate: Annotated[float, Meta(gt=0, le=1 << 28)] | None = None
    channel: _Count | Literal["mix", "both"] | None = None
    start: Annotated[int, Meta(ge=0)] = 0
    length: _Count | None = None
    loop: str | None = None
    root: _Key | None = None
    low: _Key | None = None
    high: _Key | None = None

    def __post_init__(self) -> None:
        """Refuse keys that are no range."""
        if len({self.low is None, self.high is None, self.low is None or self.root is None}) > 1:
            raise ValueError("low and high must stand together, beside root")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError("low must not be above high")


class EveningFile(
    Struct,
    frozen=True,
    kw_only=True,
    omit_defaults=True,
    forbid_unknown_fields=True,
    rename={"samples": "sample"},
):
    """The file."""

    schema: Literal["dryload/evening/1"]
    unit: str
    device_id: Annotated[int, Meta(ge=0, le=127)] | None = None  # DEV-01
    banks: Annotated[int, Meta(ge=0, le=16)] | None = None
    holds: str | None = None
    """What the unit holds already and keeps, from the folder of the plan on."""
    samples: tuple[SampleRow, ...] = ()

    def __post_init__(self) -> None:
        """Refuse numbers that stand twice."""
        for number, often in Counter(each.number for each in self.samples).most_common(1):
            if often > 1:
                raise ValueError(f"number {number} stands in several samples: a unit keeps one")


def is_evening(path: str) -> bool:
    """Return whether a file is a plan."""
    return path.endswith(ENDING) and os.path.isfile(path) and bool(_MARK.search(head_of(path)))


def content_of(plan: EveningPlan, path: str) -> bytes:
    """Return the file of a plan, for a place where it is to lie.

    A Problem for names that no TOML file can hold.
    """
    file = EveningFile(
        schema="dryload/evening/1",
        unit=plan.unit if plan.unit in profile_names() else _in(path, plan.unit),
        device_id=plan.device_id,
        banks=plan.banks,
        holds=None if plan.holds is None else _in(path, plan.holds),
    )
    about = f"# An evening with {shown(plan.profile.name)}: {duration(plan.total_ns)}\n"
    try:
        parts = [about.encode(), msgspec.toml.encode(file)]
        for each in plan.samples:
            comment = f"\n# {shown(_comment(each))}\n[[sample]]\n"
            parts += [comment.encode(), msgspec.toml.encode(_row(each, path))]
        left_out = [shown(f"{each.file} {each.why}.") for each in plan.left_out]
        parts += [b"\n", *(f"# Not in the plan: {each}\n".encode() for each in left_out)]
    except UnicodeEncodeError as problem:
        raise Problem(
            "a file name that is not UTF-8 can't stand in a plan.", do="Rename the file."
        ) from problem
    return b"".join(parts)


def ready(path: str, settings: Settings) -> tuple[Bench, Chosen]:
    """Return the unit and the samples of the plan in a file; a Problem where they are not there."""
    file = toml_file.read(path, EveningFile, "a plan")
    if not file.samples:
        raise Problem(f"{shown(path)} has no [[sample]], so there is nothing to send.")
    unit = _from(path, file.unit) if file.unit.endswith(ENDING) else file.unit
    try:
        profile = load_profile(unit)
    except ProfileError as problem:
        raise Problem(f"{shown(path)}: unit: {shown(str(problem))}.") from problem
    bench = Bench(
        unit=unit,
        profile=profile,
        banks=file.banks,
        holds=None if file.holds is None else _from(path, file.holds),
        device_id=file.device_id,
        settings=settings,
    )
    found = cache(sounds_of)
    wanted = tuple(_wanted(each, at, path, found) for at, each in enumerate(file.samples))
    return bench, Chosen(wanted=wanted, left_out=())


def _from(plan: str, file: str) -> str:
    """Return where a file that a plan names is, from here."""
    return os.path.join(os.path.dirname(plan), file)


def _in(plan: str, file: str) -> str:
    """Return how a plan in another folder names a file."""
    folder = os.path.dirname(os.path.abspath(plan))
    try:
        return os.path.relpath(os.path.abspath(file), folder).replace(os.sep, "/")
    except ValueError:  # on another drive
        return os.path.abspath(file)


def _wanted(
    row: SampleRow, at: int, path: str, found: Callable[[str], list[Candidate]]
) -> PlanItem:
    file = _from(path, row.file)
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
    return PlanItem(
        candidate=candidates[0],
        change=change,
        number=row.number,
        name=candidates[0].name if row.name is None else row.name,
        keys=keys,
    )


def _row(sample: PlannedSample, path: str) -> SampleRow:
    change, loop, keys = sample.change, sample.change.loop, sample.keys
    return SampleRow(
        file=_in(path, sample.file),
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
    return "; ".join([f"{slot}, {words}, {duration(sample.time_ns)}", *sample.change.why])
