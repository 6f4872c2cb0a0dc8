"""A plain table: columns in line, no frame, nothing cut."""

from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len


@dataclass(frozen=True, slots=True)
class Column:
    """A column's heading and whether its cells stand to the right."""

    heading: str
    right: bool = False


def table(columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return the lines of a table, the heading first; widths are those of a terminal's cells."""
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
