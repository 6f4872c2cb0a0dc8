"""The plan of an evening: which samples go into a unit, in which order, and what comes of it.

Theory of operation.  The plan that is kept is a small TOML file with what is to be done: the unit,
and a table for each sample with its file, its number and how it is changed.  All that follows from
that (slots, times, what fits) is found out anew when the file is read, by a rehearsal, so that
whoever edits the file changes the plan.  Figures stand in the file as comments.
"""

import os
import re
from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from fractions import Fraction
from typing import Annotated, Any, Final, Literal, get_type_hints

import msgspec
import tomli_w
from msgspec import Meta, Struct
from msgspec.structs import fields

from dryload.emulator.dump.sample import Loop
from dryload.emulator.unit.memory import Region
from dryload.emulator.unit.panel import MapLine
from dryload.emulator.unit.possible import Profile, ProfileError
from dryload.emulator.unit.schema import toml_document
from dryload.emulator.wire.prose import listed
from dryload.harness.files.opening import head_of, open_file, read_all, shown
from dryload.harness.files.problem import Problem
from dryload.harness.plan.change import Change, Offer
from dryload.harness.plan.keys import Keys
from dryload.harness.plan.pause import Amount

SCHEMA: Final = "dryload/evening/1"
ENDING: Final = ".toml"
_LARGEST: Final = 1 << 20
_MARK: Final = re.compile(rb'^\s*(?:#[^\n]*\n\s*)*schema\s*=\s*"dryload/evening/')
_TABLE: Final = re.compile(r"^\s*\[\[\s*(sample|left_out)\s*\]\]", re.MULTILINE)

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


class SampleRow(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A table of the file: what is to be sent, and how it is changed."""

    file: str
    """From the folder of the plan on."""
    dump: _Count | None = None
    number: _Number
    name: Annotated[str, Meta(max_length=127, pattern="^[ -~]*$")] | None = None
    bits: Annotated[int, Meta(ge=8, le=28)] | None = None
    rate: Annotated[float, Meta(gt=0, le=1 << 28)] | None = None
    channel: _Count | Literal["mix", "both"] | None = None
    start: Annotated[int, Meta(ge=0)] = 0
    length: _Count | None = None
    loop: str | None = None
    root: _Key | None = None
    low: _Key | None = None
    high: _Key | None = None


class LeftOutRow(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A table of the file: what was left out, and why; nothing is done with it."""

    file: str
    dump: _Count | None = None
    why: str = ""


class EveningFile(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The file."""

    schema: str = ""
    unit: str
    device_id: _Id | None = None
    banks: Annotated[int, Meta(ge=0, le=16)] | None = None
    holds: str | None = None
    """What the unit holds already and keeps, from the folder of the plan on."""
    sample: tuple[SampleRow, ...] = ()
    left_out: tuple[LeftOutRow, ...] = ()


_LEGAL: Final = {
    "file": "a file name in quotes",
    "dump": "a whole number from 1 on",
    "number": "a whole number from 0 to 16383",
    "name": "a text of at most 127 plain letters, digits and signs, in quotes",
    "bits": "a whole number from 8 to 28",
    "rate": "a number of Hz above 0",
    "channel": 'a whole number from 1 on, "mix" or "both"',
    "start": "a whole number from 0 on",
    "length": "a whole number from 1 on",
    "loop": 'a text such as "1000-1999"',
    "root": "a MIDI note number, 0 to 127",
    "low": "a MIDI note number, 0 to 127",
    "high": "a MIDI note number, 0 to 127",
    "why": "a text in quotes",
    "schema": f'"{SCHEMA}"',
    "unit": "the name of a profile or a path, in quotes",
    "device_id": "a whole number from 0 to 127",
    "banks": "a whole number from 0 to 16",
    "holds": "a file or a folder in quotes",
}
"""What each key may be, in words."""


def is_evening(path: str) -> bool:
    """Return whether a file is a plan."""
    return path.endswith(ENDING) and os.path.isfile(path) and bool(_MARK.match(head_of(path)))


def written(evening: EveningFile, comments: Sequence[str], about: str) -> bytes:
    """Return the file; `comments` stand in front of the samples, `about` on the first line.

    A Problem for names that no TOML file can hold.
    """
    rows = msgspec.to_builtins(evening)
    samples, left_out = rows.pop("sample", ()), rows.pop("left_out", ())
    parts = [f"# {about}\n", tomli_w.dumps({"schema": SCHEMA, **_known(rows)})]
    for row, comment in zip(samples, comments, strict=True):
        parts.append(f"\n# {shown(comment)}\n[[sample]]\n{tomli_w.dumps(_known(row))}")
    parts += [f"\n[[left_out]]\n{tomli_w.dumps(_known(row))}" for row in left_out]
    try:
        return "".join(parts).encode()
    except UnicodeEncodeError as problem:
        raise Problem(
            "a file name that is not UTF-8 can't stand in a plan.", do="Rename the file."
        ) from problem


def load(path: str) -> EveningFile:
    """Return what a plan says; a Problem with every mistake in it, each with its line."""
    name = shown(path)
    with open_file(path) as file:
        content = read_all(file, name, _LARGEST)
    try:
        text = content.decode()
        document = toml_document(text, name, "a plan")
    except UnicodeDecodeError as problem:
        raise Problem(f"{name} is not a plan: a plan is text in UTF-8.") from problem
    except ProfileError as problem:
        raise Problem(f"{problem}.") from problem
    wrong = list(_mistakes(document, text))
    if wrong:
        raise Problem("\n".join(f"{name}: {each}." for each in wrong))
    return msgspec.convert(document, EveningFile)


def _known(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return what of a table is said: TOML has no word for nothing."""
    return {key: value for key, value in row.items() if value is not None}


def _mistakes(document: Mapping[str, Any], text: str) -> Iterator[str]:
    plain = {key: value for key, value in document.items() if key not in ("sample", "left_out")}
    yield from _wrong_keys("", plain, EveningFile)
    if document.get("schema") != SCHEMA:
        yield f'schema must be "{SCHEMA}": another version of dryload has written it'
    lines: dict[str, list[int]] = {"sample": [], "left_out": []}
    for found in _TABLE.finditer(text):
        lines[found[1]].append(text.count("\n", 0, found.start(1)) + 1)
    kinds: dict[str, type] = {"sample": SampleRow, "left_out": LeftOutRow}
    for kind, shape in kinds.items():
        tables = document.get(kind, [])
        if not isinstance(tables, list) or not all(isinstance(each, dict) for each in tables):
            yield f"{kind} must be tables, each written as [[{kind}]] with its keys below"
            continue
        for at, table in enumerate(tables):
            where = f", line {lines[kind][at]}" if len(lines[kind]) == len(tables) else ""
            yield from _wrong_keys(f"[[{kind}]] {at + 1}{where}: ", table, shape)
            if kind == "sample":
                yield from _wrong_range(f"[[{kind}]] {at + 1}{where}: ", table)
    samples = document.get("sample", [])
    numbers = [each.get("number") for each in samples if isinstance(each, dict)]
    for number in sorted({each for each in numbers if isinstance(each, int)}):
        if numbers.count(number) > 1:
            yield f"number {number} stands in {numbers.count(number)} samples: a unit keeps one"


def _wrong_range(where: str, table: Mapping[str, Any]) -> Iterator[str]:
    """Yield what is wrong with the keys of the keyboard."""
    low, high = table.get("low"), table.get("high")
    if (low is None) != (high is None) or (low is not None and "root" not in table):
        yield f"{where}low and high must stand together, beside root"
    elif isinstance(low, int) and isinstance(high, int) and low > high:
        yield f"{where}low must not be above high"


def _wrong_keys(where: str, table: Mapping[str, Any], shape: type) -> Iterator[str]:
    """Yield what is wrong with the keys of a table."""
    hints = get_type_hints(shape, include_extras=True)
    inner = ("sample", "left_out")
    for key in table:
        if key not in hints:
            near = get_close_matches(key[:60], hints, n=1)
            known = [each for each in hints if each not in inner]
            hint = f"did you mean {near[0]}?" if near else f"the keys are {listed(known, 'and')}"
            yield f"{where}{shown(key[:60])} is not a key of a plan: {hint}"
    for field in fields(shape):
        if field.name in inner:
            continue
        if field.name not in table:
            if field.required:
                yield f"{where}{field.name} is missing: it must be {_LEGAL[field.name]}"
            continue
        try:
            msgspec.convert(table[field.name], hints[field.name])
        except msgspec.ValidationError:
            value = shown(repr(table[field.name])[:60])
            yield f"{where}{field.name} must be {_LEGAL[field.name]}, not {value}"


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
