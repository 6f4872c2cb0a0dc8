"""Ctrl-C as a question that a job asks between two messages."""

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class Interrupted:
    """Whether the user has pressed Ctrl-C; a second time ends the program at once."""

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
    """Collect Ctrl-C in what is yielded, so that a job can end cleanly and report."""
    interrupted = Interrupted()
    before = signal.signal(signal.SIGINT, interrupted.press)
    try:
        yield interrupted
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def ends() -> Iterator[Interrupted]:
    """Collect Ctrl-C and the signal that ends programs: the unit is told before it ends."""
    with interrupts() as was_interrupted:
        before = signal.signal(signal.SIGTERM, was_interrupted.press)
        try:
            yield was_interrupted
        finally:
            signal.signal(signal.SIGTERM, before)
