"""The worksheet for the front panel: what has to be done and typed in at the unit, as text or HTML.

No message of the standard carries key ranges or levels, so somebody stands at the unit with this
sheet and a pencil.  Both forms are made of one `Worksheet`.  The text is ASCII and 80 columns wide;
the page is made for A4 paper and needs nothing but itself.
"""

from collections.abc import Iterable, Iterator, Sequence
from html import escape
from os.path import basename, splitext
from textwrap import wrap
from typing import Final

from msgspec import Struct

from dryload.emulator.dump.sample import Loop
from dryload.emulator.unit.possible import Profile
from dryload.emulator.wire.constants import EXTENDED_LOOP_TYPES
from dryload.emulator.wire.prose import capitalised, counted, duration, listed
from dryload.harness.files.opening import escaped, quoted, shown
from dryload.harness.files.problem import Problem
from dryload.harness.jobs.listen import RATE
from dryload.harness.judge.headers import NO_LOOP_TYPES
from dryload.harness.plan.evening import EveningPlan, PlannedSample
from dryload.harness.plan.keys import (
    MIDDLE_C,
    MIDDLE_OCTAVE,
    folds_from,
    gaps,
    key_name,
    overlaps,
    root_in_name,
)
from dryload.harness.report.memory_bar import ASCII, pieces_in
from dryload.harness.report.memory_picture import (
    MemoryState,
    legend,
    letters_of,
    picture,
    planned_states,
    planned_title,
)
from dryload.harness.report.table import Column, table

_NOTES, _LEFT_OUT = "Look at this before you assign keys", "Not in the plan"
ENDINGS: Final = (".txt", ".html")
_WIDTH: Final = 80
_NAME: Final = 18  # signs of a name in the table of the text
_MOST: Final = 6  # parts of a list
_SECOND_NS: Final = 1_000_000_000
_COLUMNS: Final = (
    Column("slot", right=True),
    Column("number", right=True),
    *(Column(heading) for heading in ("name", "root", "lowest", "highest")),
)
_CELLS: Final = (
    *(("number", each) for each in ("slot", "no.")),
    ("name", "name"),
    *(("key", each) for each in ("root", "lowest", "highest")),
    ("small", "loop"),
    *(("level", each) for each in ("level", "length")),
)
"""Class and heading of the cells of the page."""
_STYLE: Final = """
@page { size: A4; margin: 14mm 12mm; @bottom-right { content: counter(page) "/" counter(pages) } }
* { print-color-adjust: exact }
body { max-width: 186mm; margin: 0 auto; font: 9.5pt/1.35 sans-serif; color: #000 }
@media screen { body { padding: 8mm } }
h1 { font-size: 17pt; margin: 0 0 2mm; border-bottom: 1.5pt solid }
h2 { font-size: 12pt; margin: 5mm 0 1.5mm; break-after: avoid }
p, ul { margin: 1mm 0 }
ul { padding-left: 6mm }
li { break-inside: avoid }
.box { display: inline-block; flex: none; width: 3.6mm; height: 3.6mm; border: 0.8pt solid }
.steps { list-style: none; padding: 0 }
.steps li { display: flex; gap: 2mm; margin-bottom: 1mm }
table { border-collapse: collapse; width: 100% }
thead { display: table-header-group }
tr { break-inside: avoid }
th { font-size: 7.5pt; font-weight: normal; text-align: left; vertical-align: bottom }
th, td { border-bottom: 0.4pt solid; padding: 1.2mm 0.8mm }
.tick { text-align: center }
.number { text-align: right }
.name { min-width: 30mm; padding-left: 2mm; overflow-wrap: anywhere }
.key, .number, .level { white-space: nowrap }
td.key { font-weight: bold }
td.small, p.small { font-size: 8pt }
.part { display: inline-block; margin-right: 3mm }
.bank { display: flex; margin: 1mm 0; break-inside: avoid }
.bank > span { width: 14mm; font: 8pt/6mm sans-serif }
.bank > div { display: flex; flex: 1; border: 0.8pt solid; height: 6mm; min-width: 0 }
.bank i { flex-basis: 0; min-width: 0; border-right: 0.4pt solid; font: 8pt/6mm sans-serif }
.bank i.sample { min-width: 2.6mm; background: #ddd; text-align: center; font-weight: bold }
.bank i:last-child { border-right: 0 }
"""


class SheetRow(Struct, frozen=True, kw_only=True):
    """What is said of one sample, in words."""

    slot: str
    number: str
    name: str
    root: str
    low: str
    high: str
    loop: str
    level: str
    length: str
    folds: str
    """From which key up it may come out wrong, "" where no key of its own is so high."""


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
    plan: EveningPlan, file: str | None = None, middle_octave: int = MIDDLE_OCTAVE
) -> Worksheet:
    """Return the worksheet of a plan; `file` is where the plan is kept, if anywhere."""
    profile = plan.profile
    confirms = profile.panel.confirm != "never"
    memory, before = planned_states(plan)
    middle = key_name(MIDDLE_C, middle_octave)
    other = key_name(MIDDLE_C, 7 - middle_octave)
    return Worksheet(
        title=f"Worksheet: {shown(profile.name)}",
        about=(
            *([] if file is None else [f"The plan: {shown(file)}."]),
            f"{counted(len(plan.samples), 'sample')}. Middle C, key {MIDDLE_C}, is called {middle} "
            f"here; some units call it {other}.",
        ),
        steps=tuple(_steps(plan, file, confirms=confirms)),
        ticks=("sent", *(["confirmed"] if confirms else []), "assigned"),
        rows=tuple(_row(each, profile, middle_octave) for each in plan.samples),
        notes=tuple(_notes(plan.samples, middle_octave)),
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


def _row(sample: PlannedSample, profile: Profile, middle_octave: int) -> SheetRow:
    keys = sample.keys
    root, low, high = (
        ("-",) * 3
        if keys is None
        else tuple(_key(key, middle_octave) for key in (keys.root, keys.low, keys.high))
    )
    return SheetRow(
        slot="-" if sample.slot is None else str(sample.slot),
        number=str(sample.number),
        name=escaped(sample.name[: profile.slots.name_length]),
        root=root,
        low=low,
        high=high,
        loop=_loop(sample.loop),
        level="silence" if sample.peak_db is None else f"{round(sample.peak_db, 1) or 0.0} dB",
        length=duration(round(sample.duration_s * _SECOND_NS)),
        folds=_folds(sample, middle_octave),
    )


def _folds(sample: PlannedSample, middle_octave: int) -> str:
    keys = sample.keys
    first = None if keys is None else folds_from(sample.rate, keys.root, RATE)
    if keys is None or first is None or first > keys.high:
        return ""
    return f"folds from {_key(max(first, keys.low), middle_octave)} up"


def _key(key: int, middle_octave: int) -> str:
    return f"{key_name(key, middle_octave)} ({key})"


def _loop(loop: Loop) -> str:
    if loop.loop_type in NO_LOOP_TYPES:
        return "none"
    kind = EXTENDED_LOOP_TYPES.get(loop.loop_type, f"of the unknown type {loop.loop_type:02X}")
    return f"{loop.start:,} to {loop.end:,}, {kind}"


def _notes(samples: Sequence[PlannedSample], middle_octave: int) -> Iterator[str]:
    for each in samples:
        if each.remark:
            yield f"{capitalised(planned_title(each))}: {each.remark}."
    if without := [planned_title(each) for each in samples if each.keys is None]:
        yield f"Without keys: {_some(without)}."
    laid = [(each, each.keys) for each in samples if each.keys is not None]
    ranges = [keys for _, keys in laid]
    for double in overlaps(ranges):
        who = _some([planned_title(laid[at][0]) for at in double.players])
        where = capitalised(_stretch(double.low, double.high, middle_octave))
        yield f"{where}: more than one sample plays, {who}."
    if silent := gaps(ranges) if laid else []:
        where = _some([_stretch(gap.low, gap.high, middle_octave) for gap in silent])
        yield f"No sample is played by {where}."
    unknown = [
        planned_title(each) for each, keys in laid if keys.low < keys.high and not _tells(each)
    ]
    if unknown:
        yield (
            f"Neither file nor name tells the root of {_some(unknown)}: find it by ear (dryload "
            "listen)."
        )
    if any(_folds(each, middle_octave) for each in samples):
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


def _stretch(low: int, high: int, middle_octave: int) -> str:
    if low == high:
        return f"key {_key(low, middle_octave)}"
    return f"keys {_key(low, middle_octave)} to {_key(high, middle_octave)}"


def check_name(path: str) -> None:
    """Raise a Problem if the ending of a name is not that of a worksheet."""
    if splitext(path)[1].lower() not in ENDINGS:
        raise Problem(
            f"{shown(path)}: a worksheet is written as {listed(ENDINGS)}.",
            do="Give a name with one of these endings.",
        )


def written(sheet: Worksheet, path: str) -> bytes:
    """Return a worksheet in the format of the name's ending."""
    is_page = splitext(path)[1].lower() == ".html"
    return (page_of(sheet) if is_page else text_of(sheet)).encode()


def text_of(sheet: Worksheet) -> str:
    """Return a worksheet as text for any printer: ASCII, 80 columns."""
    marks = [each[0].upper() for each in sheet.ticks]
    said = listed([f"{mark} {what}" for mark, what in zip(marks, sheet.ticks, strict=True)], "and")
    lines = [sheet.title, "=" * len(sheet.title), "", *_folded_all("", sheet.about), ""]
    for number, step in enumerate(sheet.steps, 1):
        lines += _folded(f"[ ] {number}. ", step)
    lines += _text_list(_NOTES, sheet.notes)
    lines += ["", f"Samples, in the order of sending ({said})", ""]
    lines += _text_rows(sheet, marks)
    lines += _text_list(_LEFT_OUT, sheet.left_out)
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
        parts = [row.length, f"level {row.level}", f"loop {row.loop}", row.folds]
        if len(row.name) > _NAME:
            parts.insert(0, row.name)
        yield from _folded(front, "; ".join(filter(None, parts)))


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


def page_of(sheet: Worksheet) -> str:
    """Return a worksheet as a page of HTML for A4 paper."""
    steps = (
        f'<li><span class="box"></span><b>{number}.</b><span>{escape(step)}</span></li>'
        for number, step in enumerate(sheet.steps, 1)
    )
    parts = [
        f"<h1>{escape(sheet.title)}</h1>",
        *(f"<p>{escape(each)}</p>" for each in sheet.about),
        f'<h2>Steps</h2><ul class="steps">{"".join(steps)}</ul>',
        _html_list(_NOTES, sheet.notes),
        "<h2>Samples, in the order of sending</h2>",
        _html_table(sheet),
        _html_list(_LEFT_OUT, sheet.left_out),
        *_html_memory(sheet),
    ]
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f"<title>{escape(sheet.title)}</title><style>{_STYLE}</style></head>\n<body>\n"
        + "\n".join(parts)
        + "\n</body></html>\n"
    )


def _html_list(heading: str, texts: Iterable[str]) -> str:
    items = "".join(f"<li>{escape(each)}</li>" for each in texts)
    return f"<h2>{heading}</h2><ul>{items}</ul>" if items else ""


def _html_table(sheet: Worksheet) -> str:
    heads = [*(("tick", each) for each in sheet.ticks), *_CELLS]
    box = '<td class="tick"><span class="box"></span></td>' * len(sheet.ticks)
    rows = []
    for row in sheet.rows:
        loop = "; ".join(filter(None, (row.loop, row.folds)))
        said = (row.slot, row.number, row.name, row.root, row.low, row.high, loop)
        cells = zip(_CELLS, (*said, row.level, row.length), strict=True)
        told = (f'<td class="{kind}">{escape(cell)}</td>' for (kind, _), cell in cells)
        rows.append(f"<tr>{box}{''.join(told)}</tr>")
    head = "".join(f'<th class="{kind}">{name}</th>' for kind, name in heads)
    body = "\n".join(rows)
    return f"<table><thead><tr>{head}</tr></thead>\n<tbody>{body}</tbody></table>"


def _html_memory(sheet: Worksheet) -> Iterator[str]:
    states = [("Memory", sheet.memory)]
    if sheet.before is not None:
        states = [("Memory before", sheet.before), ("Memory afterwards", sheet.memory)]
    letters = letters_of(*(state for _, state in reversed(states)))
    for heading, state in states:
        if not state.pieces:
            continue
        yield f"<h2>{heading}</h2>"
        for bank, start in enumerate(range(0, state.pieces[-1].region.end, sheet.bank_words), 1):
            end = start + sheet.bank_words
            drawn = []
            for each in pieces_in(state.pieces, start, end):
                words = min(each.region.end, end) - max(each.region.start, start)
                letter = "" if each.slot is None else letters[each.slot]
                drawn.append(f'<i class="{each.kind}" style="flex-grow:{words}">{letter}</i>')
            yield f'<div class="bank"><span>bank {bank}</span><div>{"".join(drawn)}</div></div>'
    said = [
        f'<span class="part"><b>{letter}</b> {escape(what)}</span>'
        for letter, what in legend(letters, sheet.memory, sheet.before)
    ]
    yield f'<p class="small">{"".join(said)}</p>'
    yield '<p class="small">Each sample is drawn wide enough for its letter.</p>'
