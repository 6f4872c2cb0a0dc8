"""Output: results and notes that fit the terminal, progress bars, and escaping.

A pipe or a file gets every line unfolded, and no bar.

Theory of operation.  Names come from files, profiles, units and ports, and may contain anything,
such as a sequence that clears the screen or renames the window.  Callers may forget that, so
standard output and standard error themselves escape every unprintable character (\\x1b).
"""

import io
import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Final, TextIO

from dryload.harness.files.opening import escaped

if TYPE_CHECKING:
    from rich.progress import Progress as Bar

    from dryload.harness.report.memory_bar import Signs

_USUAL_COLUMNS: Final = 80
_LONGEST_TEXT: Final = 76
_SHORTEST_BAR: Final = 4
_LONGEST_BAR: Final = 20
_bars: Final[list["Bar"]] = []
"""On the screen now: one, or none."""


class Printed(io.TextIOWrapper):
    """Takes the place of standard output or error, and writes printable signs only."""

    def __init__(self, stream: io.TextIOWrapper) -> None:
        """Write to the same file as `stream`."""
        # A file name need not be UTF-8, and a terminal need not know every sign.
        super().__init__(
            stream.buffer,
            encoding=stream.encoding,
            errors="backslashreplace",
            line_buffering=stream.line_buffering,
            write_through=stream.write_through,
        )
        self.as_it_is: Final = stream
        """For what steers the terminal on purpose: a bar."""

    def write(self, text: str) -> int:
        """Write text, escaped except for line breaks and tabs."""
        return super().write(escaped(text, "\n\t"))


def width() -> int | None:
    """Return the columns of the terminal on standard output; None for a pipe or a file."""
    return _columns_of(sys.stdout)


def is_ascii_only() -> bool:
    """Whether standard output may not be able to write the signs that pictures are made of."""
    return not (sys.stdout.encoding or "").lower().startswith("utf")


def signs() -> "Signs":
    """Return what pictures on standard output are made of."""
    from dryload.harness.report.memory_bar import ASCII, BLOCKS

    return ASCII if is_ascii_only() else BLOCKS


def say(lines: Iterable[str]) -> None:
    """Print the lines of a result, fitted to the terminal."""
    with aside():
        print(fitted("\n".join(lines), width()), flush=True)


def say_json(document: object, *, indent: int | None = 2) -> None:
    """Print one document; on one line where `indent` is None."""
    from dryload.harness.report.document import written

    print(written(document, indent=indent), flush=True)


def show(lines: Iterable[str], document: object, *, as_json: bool) -> None:
    """Print a result as lines, or as one document."""
    if as_json:
        say_json(document)
    else:
        say(lines)


def note(*texts: str) -> None:
    """Print notes, which are not results, on standard error."""
    with aside():
        for text in texts:
            line = fitted(f"dryload: {text}", _columns_of(sys.stderr))
            print(line, file=sys.stderr, flush=True)


@contextmanager
def bar_line(text: str, *, has_bar: bool = True) -> "Iterator[Bar | None]":
    """Yield a progress bar below the output; None where standard error is not a terminal.

    `text` is the template of the text after the bar, filled in from its task.  In a narrow terminal
    the bar is shortened or left out, and the text is cut.  Without a bar it may have several lines.
    """
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    console = Console(file=sys.stderr.as_it_is if isinstance(sys.stderr, Printed) else sys.stderr)
    room = min(console.width - _LONGEST_TEXT, _LONGEST_BAR) if has_bar else 0
    bar = Progress(
        *([BarColumn(bar_width=room)] if room >= _SHORTEST_BAR else []),
        TextColumn(text, markup=False),
        console=console,
        transient=True,
        refresh_per_second=5,
        redirect_stdout=False,
        redirect_stderr=False,
    )
    _bars.append(bar)
    bar.start()
    try:
        yield bar
    finally:
        _bars.remove(bar)
        with suppress(BrokenPipeError):
            bar.stop()


@contextmanager
def aside() -> Iterator[None]:
    """Take the bar away, if there is one, while something is printed."""
    for bar in _bars:
        _set_visible(bar, False)  # or it takes away as many lines when it starts again
        bar.stop()
    try:
        yield
    finally:
        for bar in _bars:
            _set_visible(bar, True)
            bar.start()


def _set_visible(bar: "Bar", is_visible: bool) -> None:
    for task in bar.task_ids:
        bar.update(task, visible=is_visible)


def _columns_of(stream: TextIO) -> int | None:
    if not stream.isatty():
        return None
    asked = os.environ.get("COLUMNS", "")
    if asked.isascii() and asked.isdigit() and int(asked):
        return int(asked)
    with suppress(OSError, ValueError):
        return os.get_terminal_size(stream.fileno()).columns or _USUAL_COLUMNS
    return _USUAL_COLUMNS


def fitted(text: str, columns: int | None) -> str:
    """Return `text` with long sentences broken between words; tables and indents stay."""
    from dryload.harness.report.table import folded

    lines: list[str] = []
    for line in text.split("\n"):
        bare = line.lstrip(" ")
        is_row = "  " in bare  # two spaces part the columns of a table
        lines += [line] if is_row else folded(line, columns, len(line) - len(bare) + 2)
    return "\n".join(lines)
