"""The one exception a user may see: what is wrong with what was asked, where, and what to do."""

from typing import Final

USAGE: Final = 2
RIG: Final = 3
INTERRUPTED: Final = 130  # as shells have it: 128 and the number of the signal


class Problem(Exception):  # noqa: N818  # what a user has, not what went wrong in the program
    """Ends a command with one clear line; never for what a peer or a dump did wrong (a finding).

    `code` is the exit code: 2 the command could not be run as asked, 3 the rig (port, device) is at
    fault.
    """

    def __init__(self, what: str, *, do: str = "", code: int = USAGE) -> None:
        super().__init__(what)
        self.what = what
        self.do = do
        self.code = code

    def __str__(self) -> str:
        """Return the whole line."""
        gap = "" if self.what.endswith("\n") else " "  # a list ends with its last line
        return f"{self.what}{gap}{self.do}".rstrip()


class NoDump(Problem):
    """A file that can be read but holds no dump.

    `is_other` says that it is clearly something else, such as a text; otherwise it may be the
    remains of a dump.
    """

    def __init__(self, what: str, *, do: str = "", is_other: bool) -> None:
        super().__init__(what, do=do)
        self.is_other = is_other
