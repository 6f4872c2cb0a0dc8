"""The keyboard, one key at a time, with the terminal always restored.

Theory of operation.  With termios, line editing and echo are switched off, and signals stay on:
Ctrl-C and Ctrl-Z keep their usual meaning.  Signal handlers only set a flag; the next poll for a
key, between two frames, acts on it, so nothing is written from inside a handler.
"""

import os
import signal
import sys
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Final, Protocol

ENTER: Final = "enter"
BACKSPACE: Final = "backspace"
ESCAPE: Final = "escape"
REPAINT: Final = "repaint"
GONE: Final = "gone"
"""The terminal was closed, so there is no keyboard any more."""
NAMED: Final = {
    "\r": ENTER,
    "\n": ENTER,
    "\x7f": BACKSPACE,
    "\x08": BACKSPACE,
    "\x1b": ESCAPE,
    "\x0c": REPAINT,
}
_ESC: Final = "\x1b"
_REST_OF_KEY_S: Final = 0.02  # an arrow key sends several bytes, and they come together
_A_READ: Final = 1024


class ReadKey(Protocol):
    """Looks for a key."""

    def __call__(self, wait_s: float = 0.0) -> str:
        """Return the next key, "" where none came in `wait_s` seconds.

        A letter, digit or sign is itself; ENTER, BACKSPACE, ESCAPE, REPAINT (Ctrl-L) and GONE are
        words.  Arrows and the like are passed over.
        """
        ...


def nothing() -> None:
    """Do nothing."""


@contextmanager
def keyboard(
    *, leave: Callable[[], None] = nothing, back: Callable[[], None] = nothing
) -> Iterator[ReadKey]:
    """Yield a function that reads keys from standard input; restore the terminal afterwards.

    On Ctrl-Z, `leave` is called before the terminal is handed to the shell, and `back` when the
    program is in the foreground again.  OSError if standard input is not a terminal.
    """
    if sys.platform == "win32":
        yield _read_windows_key
        return
    keys = _Terminal(sys.stdin.fileno(), leave, back)
    with keys.taken():
        yield keys.read_key


def keys_of(text: str) -> Iterator[str]:
    """Yield the keys that a text from the terminal encodes; an incomplete sequence yields none."""
    at = 0
    while at < len(text):
        sign = text[at]
        if sign == _ESC and (end := _sequence_end(text, at)) > at + 1:
            at = end
            continue
        at += 1
        if name := NAMED.get(sign, sign if sign.isprintable() else ""):
            yield name


def _sequence_end(text: str, at: int) -> int:
    """Return where the sequence that begins with Esc at `at` ends; at + 1 for the key itself."""
    kind = text[at + 1 : at + 2]
    if kind == "O":
        return min(at + 3, len(text))
    if kind != "[":
        return at + 1 if kind in ("", _ESC) else at + 2  # a letter pressed together with Alt
    end = at + 2
    while end < len(text) and not "@" <= text[end] <= "~":
        end += 1
    return min(end + 1, len(text))


def _is_cut(text: str) -> bool:
    """Whether the last key may be incomplete."""
    at = text.rfind(_ESC)
    if at < 0:
        return False
    tail = text[at:]
    return tail in (_ESC, _ESC + "[", _ESC + "O") or (
        tail.startswith(_ESC + "[") and not "@" <= tail[-1] <= "~"
    )


if sys.platform == "win32":

    def _read_windows_key(wait_s: float = 0.0) -> str:
        import msvcrt
        import time

        until = time.monotonic() + wait_s
        while not msvcrt.kbhit():
            if time.monotonic() >= until:
                return ""
            time.sleep(0.01)
        sign = msvcrt.getwch()
        if sign in ("\x00", "\xe0"):  # the first half of an arrow or function key
            msvcrt.getwch()
            return ""
        if sign == "\x03":
            raise KeyboardInterrupt
        return next(keys_of(sign), "")

else:
    import select
    import termios

    class _Terminal:
        """A terminal whose keys are read one at a time."""

        def __init__(self, fd: int, leave: Callable[[], None], back: Callable[[], None]) -> None:
            self._fd: Final = fd
            self._leave: Final = leave
            self._back: Final = back
            self._keys: deque[str] = deque()
            self._to_stop = False
            self._came_back = False
            self._hung_up = False
            try:
                self._before: Final = termios.tcgetattr(fd)
            except termios.error as problem:
                raise OSError("standard input is not a terminal") from problem

        @contextmanager
        def taken(self) -> Iterator[None]:
            """Read keys one at a time; restore the terminal whatever happens."""
            handlers = self._handlers()
            old = {number: signal.getsignal(number) for number in handlers}
            try:
                for number, handler in handlers.items():
                    signal.signal(number, handler)
                self._one_by_one()
                yield
            finally:
                self._as_before()
                for number, handler in old.items():
                    signal.signal(number, handler)

        def read_key(self, wait_s: float = 0.0) -> str:
            """Return the next key."""
            self._look_at_notes()
            if not self._keys and not self._hung_up and self._is_ready(wait_s):
                self._read()
            self._look_at_notes()
            if self._keys:
                return self._keys.popleft()
            return GONE if self._hung_up else ""

        def _read(self) -> None:
            data = b""
            while True:
                try:
                    more = os.read(self._fd, _A_READ)
                except OSError:
                    more = b""
                if not more:
                    self._hung_up = True
                    return
                data += more
                text = data.decode("utf-8", "replace")
                if not (_is_cut(text) and self._is_ready(_REST_OF_KEY_S)):
                    self._keys.extend(keys_of(text))
                    return

        def _is_ready(self, wait_s: float) -> bool:
            return bool(select.select([self._fd], [], [], wait_s)[0])

        def _handlers(self) -> dict[int, "signal._HANDLER"]:
            """Return the handlers that set flags, by signal; signals that the program handles are
            left.
            """
            handlers: dict[int, signal._HANDLER] = {
                signal.SIGTSTP: lambda *_: setattr(self, "_to_stop", True),
                signal.SIGCONT: lambda *_: setattr(self, "_came_back", True),
            }
            if signal.getsignal(signal.SIGHUP) is signal.SIG_DFL:
                handlers[signal.SIGHUP] = lambda *_: setattr(self, "_hung_up", True)
            if signal.getsignal(signal.SIGTERM) is signal.SIG_DFL:
                handlers[signal.SIGTERM] = _end
            return handlers

        def _look_at_notes(self) -> None:
            if self._to_stop:
                self._to_stop = False
                self._stop()
            if self._came_back:
                self._came_back = False
                try:
                    self._one_by_one()
                except termios.error:
                    self._hung_up = True
                else:
                    self._back()

        def _stop(self) -> None:
            """Hand the terminal to the shell and suspend the process until it is continued."""
            self._leave()
            self._as_before()
            note = signal.signal(signal.SIGTSTP, signal.SIG_DFL)
            signal.raise_signal(signal.SIGTSTP)  # the process is suspended in this line
            signal.signal(signal.SIGTSTP, note)
            self._came_back = True

        def _one_by_one(self) -> None:
            mode = termios.tcgetattr(self._fd)
            mode[3] &= ~(termios.ECHO | termios.ICANON)
            mode[6][termios.VMIN], mode[6][termios.VTIME] = 1, 0
            termios.tcsetattr(self._fd, termios.TCSANOW, mode)

        def _as_before(self) -> None:
            with suppress(termios.error):  # the terminal may have gone
                # Not TCSAFLUSH: that waits until the terminal has taken all that was written.
                termios.tcsetattr(self._fd, termios.TCSANOW, self._before)
                termios.tcflush(self._fd, termios.TCIFLUSH)  # keys not read aren't for the shell

    def _end(number: int, frame: object) -> None:
        raise SystemExit(128 + number)
