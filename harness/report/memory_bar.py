"""The memory of a unit as one bar of signs: what lies where, readable without colour.

Every bank gets the same number of cells, give or take one, and every piece of it cells by its
share; a piece that is smaller than a cell still gets one where there are enough.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import groupby, pairwise
from typing import Final, NamedTuple


class Kind(Enum):
    """What a cell of the bar stands for."""

    FREE = "free"
    TAKEN = "taken"
    FILLING = "being filled"
    SEVERAL = "several"
    EDGE = "edge"


class Piece(NamedTuple):
    """Words `start` to `start + words` - 1; `slot` is None where they belong to none."""

    start: int
    words: int
    kind: Kind
    slot: int | None = None

    @property
    def end(self) -> int:
        """The first word behind it."""
        return self.start + self.words


class Run(NamedTuple):
    """Neighbouring cells of one piece."""

    text: str
    kind: Kind
    slot: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Signs:
    """What the cells look like."""

    taken: str
    free: str
    filling: str
    several: str
    edge: str

    def of(self, kind: Kind) -> str:
        """Return the sign of a kind."""
        return {
            Kind.TAKEN: self.taken,
            Kind.FREE: self.free,
            Kind.FILLING: self.filling,
            Kind.SEVERAL: self.several,
            Kind.EDGE: self.edge,
        }[kind]


BLOCKS: Final = Signs(taken="█", free="·", filling="░", several="▒", edge="│")
PLAIN: Final = Signs(taken="#", free=".", filling="+", several="*", edge="|")
"""For terminals that have only ASCII."""


def memory_bar(
    pieces: Sequence[Piece], edges: Sequence[int], width: int, signs: Signs = BLOCKS
) -> list[Run]:
    """Return the runs of a bar that is exactly `width` cells wide.

    `edges` are the words at which a bank begins and, last, the end of the memory.  Where there is
    not room for an edge and a cell a bank, edges are left out.
    """
    banks = list(pairwise(edges))
    if not banks or edges[-1] <= edges[0] or width < 1:
        return []
    if width < 2 * len(banks) + 1:
        return _cells(pieces, edges[0], edges[-1], width, signs)
    edge = Run(signs.edge, Kind.EDGE)
    runs = [edge]
    for (start, end), cells in zip(banks, bank_cells(len(banks), width), strict=True):
        runs += _cells(pieces, start, end, cells, signs)
        runs.append(edge)
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


def _cells(pieces: Sequence[Piece], start: int, end: int, cells: int, signs: Signs) -> list[Run]:
    """Return the runs of one stretch of memory."""
    within = [piece for piece in pieces if piece.start < end and piece.end > start]
    lengths = [min(piece.end, end) - max(piece.start, start) for piece in within]
    if not within:
        return [Run(signs.free * cells, Kind.FREE)]
    if len(within) <= cells:
        return [
            _run(piece, count, signs)
            for piece, count in zip(within, shares(lengths, cells), strict=True)
        ]
    size = end - start
    marks = []
    for cell in range(cells):
        low, high = start + size * cell // cells, start + size * (cell + 1) // cells
        met = [piece for piece in within if piece.start < high and piece.end > low]
        marks.append(met[0] if len(met) == 1 else Piece(low, high - low, Kind.SEVERAL))
    return [
        _run(piece, len(list(same)), signs)
        for piece, same in groupby(marks, key=lambda piece: piece._replace(start=0, words=0))
    ]


def _run(piece: Piece, cells: int, signs: Signs) -> Run:
    label = "" if piece.slot is None else str(piece.slot)
    text = signs.of(piece.kind) * cells
    if label and len(label) <= cells:
        text = label + text[len(label) :]
    return Run(text, piece.kind, piece.slot)
