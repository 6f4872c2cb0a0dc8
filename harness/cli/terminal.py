"""Text that fits the terminal, where there is one; a pipe or a file gets it as it is."""


def width() -> int | None:
    """Return the columns of the terminal on standard output; None for a pipe or a file."""
    import shutil
    import sys

    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


def fitted(text: str) -> str:
    """Return `text` with long sentences broken between words; tables and indents stay."""
    columns = width()
    if columns is None:
        return text
    return "\n".join(_folded(line, columns) for line in text.split("\n"))


def _folded(line: str, columns: int) -> str:
    import textwrap

    bare = line.lstrip(" ")
    if len(line) <= columns or "  " in bare:  # two spaces part the columns of a table
        return line
    indent = " " * (len(line) - len(bare))
    return textwrap.fill(
        bare,
        max(columns, len(indent) + 20),
        initial_indent=indent,
        subsequent_indent=indent + "  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
