"""What a job needs of a line, simulated or real, and how long it runs one."""

from collections.abc import Callable
from typing import Final, Protocol

from emulator.dump.capture import Capture
from emulator.dump.endpoint import Endpoint

MINUTE_NS: Final = 60_000_000_000
PATIENCE_NS: Final = 10 * MINUTE_NS
"""How long a transfer may stand still, a unit that asked to wait above all (HSK-09); our choice."""
_SLICE_NS: Final = 10_000_000_000  # a line that is never quiet is looked at this often


class Line(Protocol):
    """The host's end of a cable."""

    @property
    def now_ns(self) -> int:
        """Return the time."""
        ...

    @property
    def capture(self) -> Capture:
        """Return everything that passed so far."""
        ...

    def connect(self, endpoint: Endpoint) -> None:
        """Put an endpoint at the host's end."""
        ...

    def run(self, is_over: Callable[[], bool], *, until_ns: int | None = None) -> bool:
        """Run until `is_over` and the line is quiet; False when it never will be."""
        ...

    def advance(self, by_ns: int) -> None:
        """Let time pass."""
        ...


def run_patiently(
    line: Line,
    is_over: Callable[[], bool],
    signs: Callable[[], int],
    *,
    wants_stop: Callable[[], bool],
    patience_ns: int,
) -> None:
    """Run until `is_over`, until the user stops it, or until no sign of life came for so long.

    `signs` grows with every sign of life.
    """
    seen, since_ns = signs(), line.now_ns
    while not wants_stop():
        until_ns = line.now_ns + _SLICE_NS
        if line.run(lambda: is_over() or wants_stop(), until_ns=until_ns):
            return
        if line.now_ns < until_ns:
            return  # nothing will ever happen any more
        if signs() > seen:
            seen, since_ns = signs(), line.now_ns
        elif line.now_ns - since_ns >= patience_ns:
            return


def never() -> bool:
    """Want nothing: what is asked where nobody can stop a job."""
    return False
