"""How wide the terminal is, where there is one."""


def width() -> int | None:
    """Return the columns of the terminal on standard output; None for a pipe or a file."""
    import shutil
    import sys

    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None
