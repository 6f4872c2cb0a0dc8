"""The plain table."""

import pytest

from harness.report.table import Column, table

COLUMNS = (
    Column("slot", right=True),
    Column("from"),
    Column("sound", spare=2),
    Column("n", spare=1),
)
ROWS = (("1", "bell.syx", "2.00 s", "7"), ("12", "鐘", "40 ms", "0"))


def test_cells_stand_in_line_whatever_their_width() -> None:
    assert table(COLUMNS, ROWS) == [
        "slot  from      sound   n",
        "   1  bell.syx  2.00 s  7",
        "  12  鐘        40 ms   0",  # two cells wide (common practice of terminals)
    ]


@pytest.mark.parametrize(
    ("width", "heading"),
    [
        (25, "slot  from      sound   n"),
        (24, "slot  from      n"),
        (16, "slot  from"),
        (3, "slot  from"),
    ],
)
def test_spare_columns_go_where_the_terminal_is_narrow(width: int, heading: str) -> None:
    assert table(COLUMNS, ROWS, width)[0] == heading
