"""Line input and output for a command that must never block on a pipe or a terminal."""

import os
import queue
import signal
import sys
import threading
import time
from collections.abc import Callable
from typing import Final

_LINES: Final = 10_000  # that may wait for a slow reader; further ones are dropped and counted
_LONGEST: Final = 1_000  # characters of an input line; the rest is ignored
_AT_ONCE: Final = 4_096
_BACKGROUND_S: Final = 0.5  # between two checks whether we own the terminal
_FULL_S: Final = 0.01


class LineWriter:
    """Prints lines from its own thread, so that a slow reader does not block the command."""

    def __init__(self) -> None:
        self.lost = 0
        """Lines that were not printed because too many waited."""
        self.is_closed = False
        """Whether the reader has gone."""
        self._lines: Final[queue.Queue[str | None]] = queue.Queue(_LINES)
        self._thread: Final = threading.Thread(target=self._work, daemon=True, name="lines")
        self._thread.start()

    def put(self, line: str) -> None:
        """Queue a line for printing."""
        try:
            self._lines.put_nowait(line)
        except queue.Full:
            self.lost += 1

    def finish(self, patience_s: float) -> None:
        """Print the remaining lines; give up after `patience_s` if the reader does not read."""
        try:
            self._lines.put(None, timeout=patience_s)
        except queue.Full:
            return
        self._thread.join(patience_s)

    def _work(self) -> None:
        while (line := self._lines.get()) is not None:
            if self.is_closed:
                continue
            try:
                sys.stdout.write(line + "\n")
                sys.stdout.flush()
            except (OSError, ValueError):
                self.is_closed = True


class LineReader:
    """Reads lines of standard input in its own thread; the end of input ends nothing else."""

    def __init__(self, take: Callable[[str], bool]) -> None:
        """Call `take` with each line, and again after a pause while it returns False."""
        self._take: Final = take
        if hasattr(signal, "SIGTTIN"):
            # In the background a terminal is not ours to read: that must not stop the program.
            signal.signal(signal.SIGTTIN, signal.SIG_IGN)
        threading.Thread(target=self._work, daemon=True, name="actions").start()

    def _work(self) -> None:
        text, is_passed_over = b"", False
        while (data := _read()) is not None:
            *whole, text = (text + data).split(b"\n")
            for line in whole:
                if not is_passed_over:
                    self._hand_over(line[:_LONGEST])
                is_passed_over = False
            if len(text) > _LONGEST:
                if not is_passed_over:
                    self._hand_over(text[:_LONGEST])
                text, is_passed_over = b"", True
        if text and not is_passed_over:
            self._hand_over(text)

    def _hand_over(self, data: bytes) -> None:
        line = data.decode("utf-8", "replace").strip()
        while line and not self._take(line):
            time.sleep(_FULL_S)


def _read() -> bytes | None:
    """Return the next bytes of standard input, None at its end.

    Not by `sys.stdin`: a thread that blocks there prevents the interpreter from exiting.
    """
    while True:
        try:
            return os.read(0, _AT_ONCE) or None
        except OSError:
            try:
                is_terminal = os.isatty(0)
            except OSError:
                is_terminal = False
            if not is_terminal:
                return None
            time.sleep(_BACKGROUND_S)
