"""Print the table of measurements; exit code 1 where something is slower than it must be."""

import sys
from importlib import import_module

from rich.console import Console
from rich.table import Table

from tests.bench import growth
from tests.bench.measure import Row

PARTS = ("codec", "rehearsal", "start", "port", "plan")
"""Modules of this package with `run() -> list[Row]`."""


def table(rows: list[Row]) -> Table:
    """Return the rows as a table for people."""
    shown = Table(box=None)
    shown.add_column("what", no_wrap=True)
    for title in ("ours, µs", "other, µs", "ratio", "rounds", "needed", "of copy speed"):
        shown.add_column(title, justify="right", no_wrap=True)
    for row in rows:
        shown.add_row(
            row.what,
            f"{row.ours_us:.1f}",
            "" if row.other_us is None else f"{row.other} {row.other_us:.1f}",
            "" if row.ratio is None else _times(row.ratio),
            f"{_times(min(row.rounds))} to {_times(max(row.rounds))}" if row.rounds else "",
            "" if row.needed is None else f"{row.needed:g}",
            "" if row.share_of_copy is None else f"{row.share_of_copy:.1%}",
            style=None if row.enough else "bold red",
        )
    return shown


def _times(ratio: float) -> str:
    return f"{ratio:.1f}" if ratio >= 10 else f"{ratio:.2f}"


def main(names: list[str]) -> int:
    """Run the named parts, all of them by default."""
    if names[:1] == ["growth"]:
        return growth.main(names[1:])
    unknown = set(names) - set(PARTS)
    if unknown:
        print(f"no such part: {', '.join(sorted(unknown))}; there are {', '.join(PARTS)}")
        return 2
    rows: list[Row] = []
    for name in names or PARTS:
        rows += import_module(f"tests.bench.{name}").run()
    Console(width=120).print(table(rows))
    slow = [row.what for row in rows if not row.enough]
    if slow:
        print(f"too slow: {', '.join(slow)}")
    return 1 if slow else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
