"""Lines that fit the terminal: tables without a frame, folded sentences, blocks set apart."""

from collections.abc import Iterable, Iterator, Sequence
from itertools import zip_longest
from textwrap import wrap
from typing import Final

from msgspec import Struct

_SHORTEST: Final = 12
"""Cells are not broken into pieces that are shorter than this."""


class Column(Struct, frozen=True):
    """A column: its heading, and how its cells are laid out."""

    heading: str
    right: bool = False
    spare: int = 0
    """The order in which a narrow terminal drops columns: the highest first, 0 never."""
    folds: bool = False
    """Whether its cells may be broken between words when no column is left to drop."""


def table(
    columns: Sequence[Column], rows: Sequence[Sequence[str]], width: int | None = None
) -> list[str]:
    """Return the lines of a table, the heading first.

    If they are wider than `width` cells, spare columns are dropped, then the cells of folding
    columns are broken.
    """
    lines = _lines(columns, rows)
    spare = max((column.spare for column in columns), default=0)
    longest = max(map(cells_of, lines))
    if width is None or longest <= width:
        return lines
    if not spare:
        return _lines(columns, list(_folded(columns, rows, longest - width)))
    kept = [index for index, column in enumerate(columns) if column.spare != spare]
    narrower = [[row[index] for index in kept] for row in rows]
    return table([columns[index] for index in kept], narrower, width)


def cells_of(text: str) -> int:
    """Return how many columns of a terminal a text takes."""
    if text.isascii():
        return len(text)
    from rich.cells import cell_len  # costs more to import than most tables to write

    return cell_len(text)


def folded(line: str, width: int | None, indent: int) -> list[str]:
    """Return a line broken between words where it is longer than `width`, the rest indented."""
    if width is None or len(line) <= width:
        return [line]
    return wrap(
        line,
        max(width, 2 * indent),
        subsequent_indent=" " * indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def apart(blocks: Iterable[Sequence[str]]) -> list[str]:
    """Return blocks of lines with an empty line between them."""
    lines: list[str] = []
    for block in blocks:
        lines += ["", *block] if lines else block
    return lines


def _folded(
    columns: Sequence[Column], rows: Sequence[Sequence[str]], excess: int
) -> Iterator[Sequence[str]]:
    """Yield rows that are shorter by `excess`; the rest of a folding cell comes in rows below."""
    folding = [index for index, column in enumerate(columns) if column.folds]
    most = max((cells_of(row[index]) for row in rows for index in folding), default=0) - excess
    for row in rows:
        parts = [
            wrap(cell, max(most, _SHORTEST)) if index in folding else [cell]
            for index, cell in enumerate(row)
        ]
        yield from zip_longest(*parts, fillvalue="")


def _lines(columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> list[str]:
    headings = [column.heading for column in columns]
    widths = [
        max(cells_of(row[index]) for row in (headings, *rows)) for index in range(len(columns))
    ]
    return [
        "  ".join(
            _padded(cell, width, column.right)
            for cell, width, column in zip(row, widths, columns, strict=True)
        ).rstrip()
        for row in (headings, *rows)
    ]


def _padded(cell: str, width: int, right: bool) -> str:
    space = " " * (width - cells_of(cell))
    return space + cell if right else cell + space
