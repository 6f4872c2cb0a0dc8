"""The memory of a unit as one bar of signs: what is where, readable without colour.

Every bank has the same number of cells, give or take one, and every piece of it gets cells by its
share.  A piece that is smaller than a cell still gets one where there are enough.
"""

from collections.abc import Mapping, Sequence
from itertools import groupby, pairwise
from typing import Final, NamedTuple

from dryload.emulator.unit.panel import MapLine

Signs = Mapping[str, str]
"""The signs of the kinds of pieces, of "several" small pieces and of the "edge" of a bank."""
Labels = Mapping[int, str]
"""What stands for a slot, by its number."""
BLOCKS: Final[Signs] = {"sample": "█", "free": "·", "arriving": "░", "several": "▒", "edge": "│"}
ASCII: Final[Signs] = {"sample": "#", "free": ".", "arriving": "+", "several": "*", "edge": "|"}


class CellRun(NamedTuple):
    """Neighbouring cells of one piece; `slot` is None where they belong to none."""

    text: str
    slot: int | None = None


def memory_bar(
    pieces: Sequence[MapLine], edges: Sequence[int], width: int, signs: Signs = BLOCKS
) -> list[CellRun]:
    """Return the runs of a bar that is exactly `width` cells wide.

    `edges` are the words at which a bank begins and, last, the end of the memory.  Where there is
    not room for an edge and a cell for each bank, edges are left out.
    """
    banks = list(pairwise(edges))
    if not banks or edges[-1] <= edges[0] or width < 1:
        return []
    if width < 2 * len(banks) + 1:
        return cell_runs(pieces, edges[0], edges[-1], width, signs)
    edge = CellRun(signs["edge"])
    runs = [edge]
    for (start, end), cells in zip(banks, bank_cells(len(banks), width), strict=True):
        runs += [*cell_runs(pieces, start, end, cells, signs), edge]
    return runs


def bank_cells(banks: int, width: int) -> list[int]:
    """Return how many cells each bank has between its edges."""
    room = width - banks - 1
    return [room * (bank + 1) // banks - room * bank // banks for bank in range(banks)]


def shares(words: Sequence[int], cells: int) -> list[int]:
    """Return how many of `cells` each part gets: by its share, at least one, together all of them.

    ValueError where there are more parts than cells, or none.
    """
    if not 0 < len(words) <= cells:
        raise ValueError(f"{cells} cells cannot be given to {len(words)} parts")
    small: set[int] = set()
    while True:
        large = [index for index in range(len(words)) if index not in small]
        room = cells - len(small)
        total = sum(words[index] for index in large)
        more = {index for index in large if words[index] * room < total}
        if not more or not total:
            break
        small |= more
    given = [1] * len(words)
    for index in large:
        given[index] = words[index] * room // total if total else 1
    by_rest = sorted(large, key=lambda index: -(words[index] * room % total if total else 0))
    for index in by_rest[: cells - sum(given)]:
        given[index] += 1
    given[large[0]] += cells - sum(given)
    return given


def pieces_in(pieces: Sequence[MapLine], start: int, end: int) -> list[MapLine]:
    """Return the pieces of which something lies in the words `start` to `end` - 1."""
    return [each for each in pieces if each.region.start < end and each.region.end > start]


def cell_runs(
    pieces: Sequence[MapLine],
    start: int,
    end: int,
    cells: int,
    signs: Signs,
    *,
    labels: Labels | None = None,
) -> list[CellRun]:
    """Return the runs of one stretch of memory; a piece begins with its label if that fits.

    Without `labels` it is the number of the slot.
    """
    within = pieces_in(pieces, start, end)
    if not within:
        return [CellRun(signs["free"] * cells)]
    if len(within) <= cells:
        regions = [each.region for each in within]
        lengths = [min(each.end, end) - max(each.start, start) for each in regions]
        return [
            _run(each.kind, each.slot, count, signs, labels)
            for each, count in zip(within, shares(lengths, cells), strict=True)
        ]
    size = end - start
    marks: list[tuple[str, int | None]] = []
    for cell in range(cells):
        low, high = start + size * cell // cells, start + size * (cell + 1) // cells
        met = pieces_in(within, low, high)
        marks.append((met[0].kind, met[0].slot) if len(met) == 1 else ("several", None))
    return [_run(*mark, len(list(same)), signs, labels) for mark, same in groupby(marks)]


def _run(kind: str, slot: int | None, cells: int, signs: Signs, labels: Labels | None) -> CellRun:
    label = "" if slot is None else str(slot) if labels is None else labels[slot]
    text = signs[kind] * cells
    return CellRun(label + text[len(label) :] if len(label) <= cells else text, slot)
