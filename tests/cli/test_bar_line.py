"""A message that comes while a bar is on the screen stands on a line of its own."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.runs import ROOT, environment
from tests.cli.screen import on_screen, run_on_screen

MESSAGES = """
from dryload.harness.cli.terminal import say
from dryload.harness.cli.terminal import bar_line, note
with bar_line("{task.description}") as bar:
    bar.add_task("sample 4 comes, 1 of 2 packets, about 1 s left, Ctrl-C ends it")
    bar.refresh()
    note("a note of which the beginning is to stand at the left, and the rest below it, too")
    bar.refresh()
    say(["a result", "and another"])
    bar.refresh()
print("the end")
"""


def test_what_is_said_beside_a_bar_has_lines_of_its_own(tmp_path: Path) -> None:
    assert run_on_screen(MESSAGES, folder=tmp_path) == [
        "dryload: a note of which the beginning is to stand at the left, and the rest",
        "  below it, too",
        "a result",
        "and another",
        "the end",
        "",
    ]


NARROW = """
import os
from dryload.harness.cli.terminal import bar_line
text = "{task.description} {task.completed:,.0f} of {task.total:,.0f}  Ctrl-C ends it"
with bar_line(text) as bar:
    bar.add_task("dump 1 of 4, sending", total=1103)
    bar.refresh()
    os._exit(0)  # and the bar stays on the screen
"""


@pytest.mark.parametrize(
    ("columns", "shown"),
    [
        (30, "dump 1 of 4, sending 0 of 1,1…"),
        (44, "dump 1 of 4, sending 0 of 1,103  Ctrl-C end…"),
        (79, "dump 1 of 4, sending 0 of 1,103  Ctrl-C ends it"),
        (80, "━━━━ dump 1 of 4, sending 0 of 1,103  Ctrl-C ends it"),
        (200, "━━━━━━━━━━━━━━━━━━━━ dump 1 of 4, sending 0 of 1,103  Ctrl-C ends it"),
    ],
)
def test_a_narrow_terminal_loses_the_bar_first_and_then_the_end_of_the_text(
    columns: int, shown: str, tmp_path: Path
) -> None:
    lines = run_on_screen(NARROW, folder=tmp_path, columns=columns)
    assert [line for line in lines if line] == [shown]


def test_a_pipe_has_no_bar_and_every_line_whole(tmp_path: Path) -> None:
    code = MESSAGES.replace("    bar.", "    assert bar is None  # ")
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=environment(),
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == "a result\nand another\nthe end\n"
    assert done.stderr.startswith("dryload: a note of which")
    assert done.stderr.endswith("the rest below it, too\n")


LINES = """
import os
from dryload.harness.cli.terminal import bar_line, note, say
with bar_line("{task.description}", has_bar=False) as bar:
    bar.add_task("first\\nsecond\\nthird")
    bar.refresh()
    note("a note of which the beginning is to stand at the left, and the rest below it, too")
    note("another one")
    say(["a result"])
    END
print("the end")
"""
SAID = [
    "dryload: a note of which the beginning is to stand at the left, and the rest",
    "  below it, too",
    "dryload: another one",
    "a result",
]


def test_what_is_said_beside_several_lines_stays_above_them(tmp_path: Path) -> None:
    shown = run_on_screen(LINES.replace("END", "os._exit(0)"), folder=tmp_path)
    assert shown == [*SAID, "first", "second", "third"]


def test_of_several_lines_nothing_is_left_at_the_end(tmp_path: Path) -> None:
    shown = run_on_screen(LINES.replace("END", ""), folder=tmp_path)
    assert [line for line in shown if line] == [*SAID, "the end"]


def test_commands_write_to_standard_error_in_one_way_only() -> None:
    allowed = {"terminal.py", "app.py", "main.py"}
    for path in (ROOT / "harness" / "cli").glob("*.py"):
        code = path.read_text(encoding="utf-8")
        if path.name not in allowed:
            assert not re.search(r"\berr=True|file=sys\.stderr|stderr\.write", code), path.name


def test_the_little_screen_knows_what_bars_write() -> None:
    assert on_screen("bar 1 of 2\r\x1b[2Kdryload: x\n\r") == ["dryload: x", ""]
    assert on_screen("bar 1 of 2\n\rdryload: x") == ["bar 1 of 2", "dryload: x"]
    assert on_screen("a\n\rb\r\x1b[2K\x1b[1A\x1b[2Kc") == ["c", ""]
