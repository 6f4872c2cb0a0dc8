"""The plain table."""

import pytest

from dryload.harness.report.table import Column, table

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


FOLDING = (Column("what"), Column("says", folds=True), Column("clause"))
LONG = (
    ("length", "41 words in 2 packets, 1.86 ms of sound", "HDR-06"),
    ("end", "System Exclusive ends", "FRM-01"),
)


@pytest.mark.parametrize("width", range(34, 80))
def test_a_column_of_words_is_folded_between_words_and_nothing_is_lost(width: int) -> None:
    lines = table(FOLDING, LONG, width)
    assert width - len("packets,") <= max(map(len, lines)) <= width or width > 62
    where = lines[0].index("says")
    said = " ".join(line[where : lines[0].index("clause")].strip() for line in lines[1:])
    assert said.split() == " ".join(row[1] for row in LONG).split()
    assert [line.endswith(("HDR-06", "FRM-01")) for line in lines].count(True) == 2


def test_words_are_folded_only_where_no_spare_column_is_left() -> None:
    columns = (Column("a", folds=True), Column("b", spare=1))
    assert table(columns, [("one two three four", "x")], 18) == ["a", "one two three four"]
    assert table(columns, [("one two three four", "x")], 17) == ["a", "one two three", "four"]
    assert table(columns, [("one two three four", "x")]) == table(
        columns, [("one two three four", "x")], 21
    )
