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
    """Collect Ctrl-C and the signals that end programs: others can be told before it ends."""
    with interrupts() as interrupted:
        wanted = [getattr(signal, name, None) for name in ("SIGTERM", "SIGHUP")]
        # Who has switched one off, as nohup does, has a reason.
        numbers = [n for n in wanted if n is not None and signal.getsignal(n) is signal.SIG_DFL]
        before = {number: signal.signal(number, interrupted.press) for number in numbers}
        try:
            yield interrupted
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


@contextmanager
def unheard() -> Iterator[None]:
    """Keep Ctrl-C back until the end; processes that are started here never hear of it."""
    if not hasattr(signal, "pthread_sigmask"):  # Windows has no such mask
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
