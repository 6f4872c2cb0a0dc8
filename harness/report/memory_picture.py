"""A picture of a unit's memory: a row for each bank, a letter for each sample, and what they mean.

A piece begins with its letter, so that it can be read however short it is and without colour.  A
bank that has many pieces gets more rows.
"""

from collections.abc import Iterable, Iterator, Mapping
from os.path import basename
from string import ascii_letters
from typing import Final

from msgspec import Struct

from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.memory import Region
from dryload.emulator.unit.panel import MapLine
from dryload.harness.files.opening import shown
from dryload.harness.plan.evening import EveningPlan, PlannedSample
from dryload.harness.report.memory_bar import BLOCKS, Labels, Signs, cell_runs, pieces_in
from dryload.harness.report.table import cells_of

PICTURE_CELLS: Final = 80
"""How wide a picture is where there is no terminal."""
_CELLS_A_PIECE: Final = 3
"""On the average, at least: so the cells that short pieces must have leave the picture true."""


class MemoryState(Struct, frozen=True, kw_only=True):
    """What lies where in the memory, and whose it is."""

    pieces: tuple[MapLine, ...]
    """All of the memory from word 0 on; a `slot` may stand for any number that tells samples apart.
    """
    titles: Mapping[int, str]
    """What is to be said of each `slot`."""


def state_of(unit: RackUnit) -> MemoryState:
    """Return what the memory of an emulated unit holds."""
    titles = {slot.number: shown(slot.title) for slot in unit.slots.used()}
    return MemoryState(pieces=unit.panel.memory_map(), titles=titles)


def laid_out(
    regions: Mapping[int, Iterable[Region]], titles: Mapping[int, str], words: int
) -> MemoryState:
    """Return a memory of so many words with these regions taken and the rest of it free."""
    taken = sorted((region, slot) for slot, each in regions.items() for region in each)
    pieces, at = list[MapLine](), 0
    for region, slot in taken:
        pieces += _free(at, region.start)
        pieces.append(MapLine(region, "sample", slot))
        at = region.end
    return MemoryState(pieces=(*pieces, *_free(at, words)), titles=titles)


def planned_states(plan: EveningPlan) -> tuple[MemoryState, MemoryState | None]:
    """Return what the memory will hold, and what it holds before; None for nothing."""
    sent = {each.slot: planned_title(each) for each in plan.samples if each.slot is not None}
    before, after = (
        {each.slot: f"slot {each.slot}, there already" for each in pieces if each.slot is not None}
        for pieces in (plan.before, plan.after)
    )
    return (
        MemoryState(pieces=plan.after, titles={**after, **sent}),
        MemoryState(pieces=plan.before, titles=before) if before else None,
    )


def planned_title(sample: PlannedSample) -> str:
    """Return what a sample of a plan is called in a sentence."""
    name = shown(sample.name or basename(sample.file))
    place = f"sample {sample.number}" if sample.slot is None else f"slot {sample.slot}"
    return f"{place} ({name})"


def letters_of(*states: MemoryState) -> dict[int, str]:
    """Return a letter for each sample in the order of their places; after Z comes a again."""
    slots = dict.fromkeys(each.slot for state in states for each in state.pieces)
    named = [slot for slot in slots if slot is not None]
    return {slot: ascii_letters[at % len(ascii_letters)] for at, slot in enumerate(named)}


def picture(
    state: MemoryState,
    *,
    bank_words: int | None = None,
    before: MemoryState | None = None,
    width: int | None = None,
    signs: Signs = BLOCKS,
) -> list[str]:
    """Return the lines of a picture, for a terminal of `width` cells if any; [] for no memory.

    Without `bank_words` all of it is one row.
    """
    letters = letters_of(state, *([] if before is None else [before]))
    cells = width or PICTURE_CELLS
    lines = []
    if before is not None:
        lines = ["  Before:", *_banks(before, bank_words, cells, signs, letters), "  Afterwards:"]
    lines += _banks(state, bank_words, cells, signs, letters)
    said = [f"{letter} = {what}" for letter, what in legend(letters, state, before)]
    return lines + packed(said, cells) if lines else []


def legend(
    letters: Labels, state: MemoryState, before: MemoryState | None = None
) -> Iterator[tuple[str, str]]:
    """Yield each letter and what it stands for."""
    for slot, letter in letters.items():
        now = state.titles.get(slot)
        was = None if before is None else before.titles.get(slot)
        if now is None:
            yield letter, f"{was}, no longer there"
        elif was is None or was == now:
            yield letter, now
        else:
            yield letter, f"{now}, before: {was}"


def packed(parts: Iterable[str], cells: int) -> list[str]:
    """Return parts of a list as indented lines that are no wider than they must be."""
    lines: list[str] = []
    for part in parts:
        if lines and cells_of(lines[-1]) + cells_of(part) + 2 <= cells:
            lines[-1] += f"; {part}"
        else:
            lines.append(f"  {part}")
    return lines


def _banks(
    state: MemoryState, bank_words: int | None, cells: int, signs: Signs, letters: Labels
) -> Iterator[str]:
    """Yield the rows of the banks; they need no number where there is only one."""
    words = state.pieces[-1].region.end if state.pieces else 0
    size = bank_words or words or 1
    for bank, start in enumerate(range(0, words, size), 1):
        end = start + size
        label = f"  bank {bank:<3}" if words > size else "  "
        room = max(cells - len(label) - 2, 1)
        rows = -(-_CELLS_A_PIECE * len(pieces_in(state.pieces, start, end)) // room)
        runs = cell_runs(state.pieces, start, end, rows * room, signs, labels=letters)
        row = "".join(run.text for run in runs)
        for at in range(0, len(row), room):
            part = row[at : at + room]
            front = " " * len(label) if at else label
            yield f"{front}{signs['edge']}{part}{signs['edge']}"


def _free(start: int, end: int) -> Iterator[MapLine]:
    if end > start:
        yield MapLine(Region(start, end - start), "free")
