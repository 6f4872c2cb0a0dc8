"""Ctrl-C as a flag that a job checks between two messages."""

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class Interrupted:
    """Whether the user has pressed Ctrl-C; the second time ends the program immediately."""

    def __init__(self) -> None:
        self._count = 0

    def __call__(self) -> bool:
        """Return whether it was pressed."""
        return self._count > 0

    def press(self, number: int, frame: FrameType | None) -> None:
        """Count one press: a signal handler."""
        self._count += 1
        if self._count > 1:
            raise KeyboardInterrupt


@contextmanager
def interrupts() -> Iterator[Interrupted]:
    """Yield an object that records Ctrl-C, so that a job can end cleanly and report."""
    interrupted = Interrupted()
    before = signal.signal(signal.SIGINT, interrupted.press)
    try:
        yield interrupted
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def ends() -> Iterator[Interrupted]:
    """Do the same for Ctrl-C and the signals that end a program, so that it can clean up first."""
    with interrupts() as interrupted:
        wanted = [getattr(signal, name, None) for name in ("SIGTERM", "SIGHUP")]
        # A signal that was switched off, as nohup does, stays off.
        numbers = [n for n in wanted if n is not None and signal.getsignal(n) is signal.SIG_DFL]
        before = {number: signal.signal(number, interrupted.press) for number in numbers}
        try:
            yield interrupted
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
