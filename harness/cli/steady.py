"""Lines in and out for a command that must never wait for a reader, a writer or a terminal."""

import os
import queue
import signal
import sys
import threading
import time
from collections.abc import Callable
from typing import Final

_LINES: Final = 10_000  # that may wait for a slow reader; later ones are lost and counted
_LONGEST: Final = 1_000  # signs of a line that is read; the rest of it is passed over
_AT_ONCE: Final = 4_096
_BACKGROUND_S: Final = 0.5  # until it is seen again whether the terminal is ours
_FULL_S: Final = 0.01


class LineWriter:
    """Prints lines from a thread of its own; a reader that does not read holds nobody up."""

    def __init__(self) -> None:
        self.lost = 0
        """Lines that were not printed because too many waited."""
        self.is_closed = False
        """Whether the reader has gone."""
        self._lines: Final[queue.Queue[str | None]] = queue.Queue(_LINES)
        self._thread: Final = threading.Thread(target=self._work, daemon=True, name="lines")
        self._thread.start()

    def put(self, line: str) -> None:
        """Have a line printed."""
        try:
            self._lines.put_nowait(line)
        except queue.Full:
            self.lost += 1

    def finish(self, patience_s: float) -> None:
        """Print what waits; who does not read for so long goes without it."""
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
    """Hands over lines of standard input from a thread of its own; its end ends nothing else."""

    def __init__(self, take: Callable[[str], bool]) -> None:
        """Call `take` with each line, again after a while where it returns False."""
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
    """Return what has come on standard input, None at its end.

    Not by `sys.stdin`: a thread that waits in there keeps the interpreter from ending.
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
