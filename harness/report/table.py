"""A plain table: columns in line, no frame, nothing cut."""

from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len


@dataclass(frozen=True, slots=True)
class Column:
    """A column's heading and whether its cells stand to the right."""

    heading: str
    right: bool = False
    spare: int = 0
    """Which columns a narrow terminal can do without: the highest goes first, 0 never."""


def table(
    columns: Sequence[Column], rows: Sequence[Sequence[str]], width: int | None = None
) -> list[str]:
    """Return the lines of a table, the heading first; widths are those of a terminal's cells.

    Where `width` is given and they are longer, spare columns are left out.
    """
    lines = _lines(columns, rows)
    spare = max((column.spare for column in columns), default=0)
    if width is None or not spare or max(map(cell_len, lines)) <= width:
        return lines
    kept = [index for index, column in enumerate(columns) if column.spare != spare]
    narrower = [[row[index] for index in kept] for row in rows]
    return table([columns[index] for index in kept], narrower, width)


def _lines(columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> list[str]:
    headings = [column.heading for column in columns]
    widths = [
        max(cell_len(row[index]) for row in (headings, *rows)) for index in range(len(columns))
    ]
    return [
        "  ".join(
            _padded(cell, width, column.right)
            for cell, width, column in zip(row, widths, columns, strict=True)
        ).rstrip()
        for row in (headings, *rows)
    ]


def _padded(cell: str, width: int, right: bool) -> str:
    space = " " * (width - cell_len(cell))
    return space + cell if right else cell + space
