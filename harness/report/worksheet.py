"""The worksheet for the front panel: what has to be done and typed in at the unit, and as text.

No message of the standard carries key ranges, so somebody stands at the unit with this sheet and a
pencil.  The text is ASCII and 80 columns wide; `worksheet_page` makes a page of the same.
"""

from collections.abc import Iterable, Iterator, Sequence
from os.path import basename, splitext
from textwrap import wrap
from typing import Final, NamedTuple

from msgspec import Struct

from dryload.emulator.unit.possible import Profile
from dryload.emulator.wire.prose import capitalised, counted, duration, listed
from dryload.harness.files.opening import escaped, quoted, shown
from dryload.harness.jobs.listen import RATE
from dryload.harness.plan.evening import EveningPlan, PlannedSample
from dryload.harness.plan.keys import (
    MIDDLE_C,
    MiddleC,
    folds_from,
    gaps,
    key_name,
    overlaps,
    root_in_name,
)
from dryload.harness.report.memory_bar import ASCII
from dryload.harness.report.memory_picture import (
    MemoryState,
    picture,
    planned_states,
    planned_title,
)
from dryload.harness.report.samples import loop_said
from dryload.harness.report.table import Column, table

_WIDTH: Final = 80
_NAME: Final = 18  # signs of a name in the table of the text
NOTES: Final = "Look at this before you assign keys"
LEFT_OUT: Final = "Not in the plan"
_MOST: Final = 6  # parts of a list
_SECOND_NS: Final = 1_000_000_000
_COLUMNS: Final = (
    Column("slot", right=True),
    Column("number", right=True),
    *(Column(heading) for heading in ("name", "root", "lowest", "highest")),
)


class SheetRow(NamedTuple):
    """What is said of one sample, in words."""

    slot: str
    number: str
    name: str
    root: str
    low: str
    high: str
    loop: str
    """And from which key up it folds, where one of its keys is so high."""
    level: str
    length: str


class Worksheet(Struct, frozen=True, kw_only=True):
    """All that is on a worksheet."""

    title: str
    about: tuple[str, ...]
    steps: tuple[str, ...]
    """In their order, each to be ticked."""
    ticks: tuple[str, ...]
    """What is to be ticked for each sample."""
    rows: tuple[SheetRow, ...]
    notes: tuple[str, ...]
    """What should be looked at before anything is typed in."""
    memory: MemoryState
    before: MemoryState | None
    """None where nothing was there."""
    bank_words: int
    left_out: tuple[str, ...]


def worksheet(
    plan: EveningPlan, file: str | None = None, middle: MiddleC = MiddleC.C4
) -> Worksheet:
    """Return the worksheet of a plan; `file` is where the plan is kept, if anywhere."""
    profile = plan.profile
    confirms = profile.panel.confirm != "never"
    memory, before = planned_states(plan)
    return Worksheet(
        title=f"Worksheet: {shown(profile.name)}",
        about=(
            *([] if file is None else [f"The plan: {shown(file)}."]),
            f"{counted(len(plan.samples), 'sample')}. Middle C, key {MIDDLE_C}, is called {middle} "
            "here; units differ by an octave.",
        ),
        steps=tuple(_steps(plan, file, confirms=confirms)),
        ticks=("sent", *(["confirmed"] if confirms else []), "assigned"),
        rows=tuple(_row(each, profile, middle) for each in plan.samples),
        notes=tuple(_notes(plan, middle)),
        memory=memory,
        before=before,
        bank_words=profile.memory.bank_words,
        left_out=tuple(
            f"{shown(each.file)}{'' if each.dump is None else f', dump {each.dump}'} {each.why}."
            for each in plan.left_out
            if not each.is_well
        ),
    )


def _steps(plan: EveningPlan, file: str | None, *, confirms: bool) -> Iterator[str]:
    if plan.holds is not None:
        yield "Do not initialise the memory: the plan keeps what is there."
    else:
        yield (
            "Initialise the memory at the unit's panel. CAUTION: this wipes every sample in it. "
            "Save what it holds before: dryload read --from midi:PORT --sample all -o FOLDER."
        )
    also = " with reading back" if plan.is_read_back else ""
    if plan.visits:
        also += f" and {counted(plan.visits, 'walk')} to the unit"
    command = f"dryload replay {quoted(file or 'PLAN')} --to midi:PORT"
    yield f"Send: {command}. It takes {duration(plan.total_ns)}{also}."
    if confirms:
        yield "Confirm each sample at the panel when the unit asks for it."
    named = plan.profile.knows.names and plan.profile.slots.name_length > 0
    what = "" if named else "the name, "
    yield (
        f"Assign: type in {what}the root, the lowest and the highest key of each sample. No "
        "message of the standard carries them."
    )
    yield "Turn the volume down before you press the first key, then up little by little."


def _row(sample: PlannedSample, profile: Profile, middle: MiddleC) -> SheetRow:
    keys = sample.keys
    typed_in = (sample.root, None, None) if keys is None else (keys.root, keys.low, keys.high)
    root, low, high = ("-" if key is None else _key(key, middle) for key in typed_in)
    folds = _folds_from(sample)
    loop = loop_said(sample.loop) or "none"
    return SheetRow(
        "-" if sample.slot is None else str(sample.slot),
        str(sample.number),
        _name(sample, profile),
        root,
        low,
        high,
        loop if folds is None else f"{loop}; folds from {_key(folds, middle)} up",
        "silence" if sample.peak_db is None else f"{round(sample.peak_db, 1) or 0.0} dB",
        duration(round(sample.duration_s * _SECOND_NS)),
    )


def _name(sample: PlannedSample, profile: Profile) -> str:
    """Return the name as the unit shows it, or else the file's in brackets."""
    if sample.name and profile.slots.name_length:
        return escaped(sample.name[: profile.slots.name_length])
    return f"({shown(basename(sample.file))})"


def _folds_from(sample: PlannedSample) -> int | None:
    """Return the lowest of its keys from which a sample folds."""
    keys = sample.keys
    first = None if keys is None else folds_from(sample.rate, keys.root, RATE)
    if keys is None or first is None or first > keys.high:
        return None
    return max(first, keys.low)


def _key(key: int, middle: MiddleC) -> str:
    return f"{key_name(key, middle)} ({key})"


def _notes(plan: EveningPlan, middle: MiddleC) -> Iterator[str]:
    samples = plan.samples
    if plan.holds is not None:
        yield "On which keys the samples lie that are there already, only the unit can show."
    for each in samples:
        if each.remark:
            yield f"{capitalised(planned_title(each))}: {each.remark}."
    if without := [planned_title(each) for each in samples if each.keys is None]:
        yield f"Without keys: {_some(without)}; dryload plan --keys lays them by a rule."
    laid = [(each, each.keys) for each in samples if each.keys is not None]
    ranges = [keys for _, keys in laid]
    for double in overlaps(ranges):
        who = _some([planned_title(laid[at][0]) for at in double.players])
        where = capitalised(_stretch(double.low, double.high, middle))
        yield f"{where}: more than one sample plays, {who}."
    if silent := gaps(ranges) if laid else []:
        where = _some([_stretch(gap.low, gap.high, middle) for gap in silent])
        yield f"No sample is played by {where}."
    unknown = [
        planned_title(each) for each, keys in laid if keys.low < keys.high and not _tells(each)
    ]
    if unknown:
        yield (
            f"Neither file nor name tells the root of {_some(unknown)}: find it by ear (dryload "
            "listen)."
        )
    if any(_folds_from(each) is not None for each in samples):
        yield (
            f"A sample folds where a key plays it faster than {RATE:,} words a second: its highest "
            "tones may come out as other, lower ones. No profile says how fast a unit plays; "
            f"{RATE:,} Hz is assumed, as by dryload listen."
        )


def _tells(sample: PlannedSample) -> bool:
    stem = splitext(basename(sample.file))[0]
    return sample.root is not None or any(
        root_in_name(each) is not None for each in (sample.name, stem)
    )


def _some(parts: Sequence[str]) -> str:
    """Return a list in words, cut where it is long."""
    if len(parts) <= _MOST:
        return listed(parts, "and")
    return f"{', '.join(parts[:_MOST])} and {len(parts) - _MOST:,} more"


def _stretch(low: int, high: int, middle: MiddleC) -> str:
    if low == high:
        return f"key {_key(low, middle)}"
    return f"keys {_key(low, middle)} to {_key(high, middle)}"


def text_of(sheet: Worksheet) -> str:
    """Return a worksheet as text for any printer: ASCII, 80 columns."""
    marks = [each[0].upper() for each in sheet.ticks]
    said = listed([f"{mark} {what}" for mark, what in zip(marks, sheet.ticks, strict=True)], "and")
    lines = [sheet.title, "=" * len(sheet.title), "", *_folded_all("", sheet.about), ""]
    for number, step in enumerate(sheet.steps, 1):
        lines += _folded(f"[ ] {number}. ", step)
    lines += _text_list(NOTES, sheet.notes)
    lines += ["", f"Samples, in the order of sending ({said})", ""]
    lines += _text_rows(sheet, marks)
    lines += _text_list(LEFT_OUT, sheet.left_out)
    drawn = picture(
        sheet.memory,
        bank_words=sheet.bank_words,
        before=sheet.before,
        width=_WIDTH,
        signs=ASCII,
    )
    if drawn:
        lines += ["", "Memory", "", *drawn]
    return ("\n".join(lines) + "\n").encode("ascii", "replace").decode("ascii")


def _text_list(heading: str, parts: Sequence[str]) -> list[str]:
    return ["", heading, "", *_folded_all("- ", parts)] if parts else []


def _text_rows(sheet: Worksheet, marks: Sequence[str]) -> Iterator[str]:
    boxes = ["[ ]"] * len(marks)
    rows = [
        (*boxes, row.slot, row.number, _short(row.name), row.root, row.low, row.high)
        for row in sheet.rows
    ]
    ticks = [Column(f" {mark}") for mark in marks]
    head, *lines = table((*ticks, *_COLUMNS), rows)
    yield head
    front = " " * head.index("name")
    for line, row in zip(lines, sheet.rows, strict=True):
        yield line
        whole = f"{row.name}; " if len(row.name) > _NAME else ""
        yield from _folded(front, f"{whole}{row.length}; level {row.level}; loop {row.loop}")


def _short(name: str) -> str:
    return name if len(name) <= _NAME else f"{name[: _NAME - 1]}~"


def _folded(front: str, text: str) -> list[str]:
    """Return a text in lines, the first one behind `front`."""
    return wrap(
        text,
        _WIDTH,
        initial_indent=front,
        subsequent_indent=" " * len(front),
        break_on_hyphens=False,
    )


def _folded_all(front: str, texts: Iterable[str]) -> list[str]:
    return [line for text in texts for line in _folded(front, text)]
