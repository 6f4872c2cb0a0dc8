"""The plan of an evening: which samples go into a unit, in which order, and what comes of it.

Theory of operation.  The plan that is kept is a small TOML file with what is to be done: the unit,
and a table for each sample with its file, its number and how it is changed.  All that follows from
that (slots, times, what fits) is found out anew when the file is read, by a rehearsal, so that
whoever edits the file changes the plan.  Figures stand in the file as comments.
"""

import os
import re
from collections.abc import Sequence
from fractions import Fraction
from typing import Annotated, Final, Literal

import msgspec.toml
from msgspec import Meta, Struct
from msgspec.structs import replace

from dryload.emulator.dump.sample import Loop
from dryload.emulator.unit.memory import Region
from dryload.emulator.unit.panel import MapLine
from dryload.emulator.unit.possible import Profile
from dryload.harness.files import toml_file
from dryload.harness.files.opening import head_of, shown
from dryload.harness.files.problem import Problem
from dryload.harness.plan.change import Change, Offer
from dryload.harness.plan.keys import Keys
from dryload.harness.plan.pause import Amount

ENDING: Final = ".toml"
_MARK: Final = re.compile(rb'^\s*schema\s*=\s*"dryload/evening/', re.MULTILINE)

_Key = Annotated[int, Meta(ge=0, le=127)]
_Count = Annotated[int, Meta(ge=1, le=1 << 35)]
_Number = Annotated[int, Meta(ge=0, le=16_383)]  # HDR-02
_Id = Annotated[int, Meta(ge=0, le=127)]  # DEV-01


class PlannedSample(Struct, frozen=True, kw_only=True):
    """A sample as the unit will hold it, and how it gets there."""

    file: str
    dump: int
    """Which dump of its file, counted from 1; 1 for an audio file."""
    own_number: int | None
    """The sample number that it has in its file; None for an audio file."""
    number: int
    """The sample number that it is sent under."""
    name: str
    """As the unit keeps it, "" for none."""
    bits: int
    rate: Fraction
    """In Hz."""
    channels: int
    frames: int
    packets: int
    loop: Loop
    """NO_LOOP where it has none."""
    root: int | None
    """The MIDI note number at which it has its own pitch, where the file says so."""
    keys: Keys | None
    """The keys that it is to be typed in for at the unit."""
    slot: int | None
    """None where the rehearsal did not load it."""
    regions: tuple[Region, ...]
    """Where it lies in the memory."""
    duration_s: float
    """How long it sounds at its own pitch, played once."""
    is_walk: bool
    """Whether somebody has to walk to the unit before it, to confirm the one before."""
    start_ns: int
    """When it begins, with that walk, counted from the beginning of the evening."""
    time_ns: int
    """How long it takes: the walk, sending, and reading back."""
    read_back_ns: int
    """How much of that is reading back."""
    change: Change
    peak_db: float | None
    """The loudest word, against full scale; None for silence."""
    notes: tuple[str, ...] = ()
    """What was odd about its file or had to be done for the unit, each without a full stop."""
    remark: str
    """What the rehearsal came to, where that is not that the unit holds just what was sent; without
    a full stop."""


class NotPlanned(Struct, frozen=True, kw_only=True):
    """A file, or a dump of one, that is not in the plan."""

    file: str
    dump: int | None
    """Which dump of its file, counted from 1; None where the whole file is meant."""
    why: str
    """In plain words, without a full stop."""
    is_well: bool
    """Whether nothing is missing because of it: a text is no sample, and a dump that is there
    twice is sent once."""


class Saving(Struct, frozen=True, kw_only=True):
    """What would save time."""

    what: str
    """In plain words, without a full stop."""
    time_ns: int


class EveningPlan(Struct, frozen=True, kw_only=True):
    """What goes into a unit, in the order of sending, and what does not."""

    unit: str
    """As it was given: the name of a profile, or a path."""
    profile: Profile
    banks: int | None
    """How many are fitted; None: those of the profile."""
    holds: str | None
    """Where it says what the unit has and keeps; None: the memory is initialised first."""
    samples: tuple[PlannedSample, ...]
    left_out: tuple[NotPlanned, ...]
    offers: tuple[tuple[str, tuple[Offer, ...]], ...]
    """Of each sound that does not fit as it is: what it is called, and what could be done."""
    weight: int
    """Of the samples that fit as they are."""
    bound: int
    """No set of samples that fit as they are has a greater weight."""
    savings: tuple[Saving, ...]
    """The greatest first."""
    spent: tuple[tuple[str, int], ...]
    """Where the time goes, in words and nanoseconds, the most first."""
    amount: Amount
    before: tuple[MapLine, ...]
    """The memory before the first sample."""
    after: tuple[MapLine, ...]
    edges: tuple[int, ...]
    """The words at which a bank begins and, last, the end of the memory."""
    free_slots: int
    """Slots in which a sample may be put, before the first one."""
    is_read_back: bool
    walk_ns: int | None
    """How long a walk to the unit takes; None: nobody walks."""
    visits: int
    """How often somebody has to walk to the unit, after the last sample too."""
    total_ns: int
    """How long all of it takes."""

    @property
    def is_well(self) -> bool:
        """Whether all that is right is in it and is shown to load."""
        return all(each.is_well for each in self.left_out) and not any(
            each.remark for each in self.samples
        )


class SampleRow(Struct, frozen=True, kw_only=True, omit_defaults=True, forbid_unknown_fields=True):
    """A table of the file: what is to be sent, and how it is changed."""

    file: str
    """From the folder of the plan on."""
    dump: _Count | None = None
    number: _Number
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
    device_id: _Id | None = None
    banks: Annotated[int, Meta(ge=0, le=16)] | None = None
    holds: str | None = None
    """What the unit holds already and keeps, from the folder of the plan on."""
    samples: tuple[SampleRow, ...] = ()

    def __post_init__(self) -> None:
        """Refuse numbers that stand twice."""
        numbers = [each.number for each in self.samples]
        for number in numbers:
            if numbers.count(number) > 1:
                raise ValueError(f"number {number} stands in several samples: a unit keeps one")


def is_evening(path: str) -> bool:
    """Return whether a file is a plan."""
    return path.endswith(ENDING) and os.path.isfile(path) and bool(_MARK.search(head_of(path)))


def written(
    evening: EveningFile, about: str, comments: Sequence[str], behind: Sequence[str]
) -> bytes:
    """Return the file, with comments: on the first line, in front of each sample, and at the end.

    A Problem for names that no TOML file can hold.
    """
    try:
        parts = [
            f"# {about}\n".encode(),
            msgspec.toml.encode(replace(evening, samples=())),
        ]
        for row, comment in zip(evening.samples, comments, strict=True):
            parts += [f"\n# {shown(comment)}\n[[sample]]\n".encode(), msgspec.toml.encode(row)]
        parts += [b"\n", *(f"# {shown(comment)}\n".encode() for comment in behind)]
    except UnicodeEncodeError as problem:
        raise Problem(
            "a file name that is not UTF-8 can't stand in a plan.", do="Rename the file."
        ) from problem
    return b"".join(parts)


def load(path: str) -> EveningFile:
    """Return what a plan says; a Problem where it can't be read, or says what can't be."""
    return toml_file.read(path, EveningFile, "a plan")


def path_from(plan: str, file: str) -> str:
    """Return where a file that a plan names is, from here."""
    return os.path.join(os.path.dirname(plan), file)


def path_in(plan: str, file: str) -> str:
    """Return how a plan in another folder names a file."""
    folder = os.path.dirname(os.path.abspath(plan))
    try:
        return os.path.relpath(os.path.abspath(file), folder).replace(os.sep, "/")
    except ValueError:  # on another drive
        return os.path.abspath(file)
