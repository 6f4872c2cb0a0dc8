"""The live panel: paints the view, takes keys, and restores the terminal.

Theory of operation.  The line, the keyboard and the snapshots of the unit share the main thread.
Painting has its own thread, because a terminal may block for any length of time (Ctrl-S, a slow
remote connection) and the line must never wait for it.  Only the newest of several frames is
painted, and only the lines of it that have changed.
"""

import os
import sys
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from dryload.harness.cli.keys import GONE, REPAINT, keyboard
from dryload.harness.cli.panel_desk import PanelDesk
from dryload.harness.cli.terminal import is_ascii_only
from dryload.harness.jobs.forecast import Arrivals

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

    from dryload.harness.jobs.front_panel import View
    from dryload.harness.jobs.serve import Serving

_FRAME_NS: Final = 125_000_000
_LAST_FRAME_S: Final = 0.5
_ENTER: Final = "\x1b[?1049h\x1b[?25l\x1b[2J"  # other screen, no cursor, empty
_LEAVE: Final = "\x1b[0m\x1b[?25h\x1b[?1049l"


def panel_possible() -> bool:
    """Whether there is a keyboard and a terminal that can be painted on."""
    from rich.console import Console

    if not (sys.stdin is not None and sys.stdin.isatty() and sys.stdout.isatty()):
        return False
    console = Console()
    return not (console.is_dumb_terminal or console.legacy_windows)


def run_panel(
    serving: "Serving", wants_end: Callable[[], bool], tick: Callable[[], None] | None = None
) -> None:
    """Serve with the live panel until `wants_end` or the user quits.

    To be called from the main thread, if `panel_possible`.  Raises what `serving.run` raises, after
    restoring the terminal.
    """
    screen = Screen()
    unit = serving.unit
    desk = PanelDesk(
        serving.post,
        has_battery=unit.profile.memory.battery,
        is_protected=lambda slot: unit.slots[slot].protected,
    )
    arrivals = Arrivals()
    gone = False
    drawn_ns = -_FRAME_NS

    with keyboard(leave=screen.leave, back=screen.enter) as read_key:

        def look() -> None:
            nonlocal gone, drawn_ns
            if tick is not None:
                tick()
            pressed = False
            while key := read_key():
                if key == GONE:
                    gone = True
                    return
                pressed = True
                if key == REPAINT:
                    screen.repaint()
                else:
                    desk.press(key, serving.view())
            if pressed or serving.time_ns - drawn_ns >= _FRAME_NS:
                drawn_ns = serving.time_ns
                view = serving.view()
                left_ns, still_ns = time_to_go(arrivals, view)
                screen.show(view, desk, left_ns, still_ns)

        screen.enter()
        try:
            serving.run(lambda: gone or wants_end(), look)
        finally:
            screen.end()


def time_to_go(arrivals: Arrivals, view: "View") -> tuple[int | None, int]:
    """Return the ns that a dump still takes, None for unknown, and those since its last packet."""
    coming = view.arriving or view.sending
    if coming is None:
        arrivals.take(0, 0, view.time_ns)
        return None, 0
    which = (view.arriving is None, coming.sample_number, coming.expected)
    left_ns = arrivals.take(coming.packets, coming.expected or 0, view.time_ns, which)
    return left_ns, view.time_ns - arrivals.since_ns


class Screen:
    """The alternate screen of the terminal, painted by its own thread."""

    def __init__(self) -> None:
        from rich.console import Console

        self._console: Final[Console] = Console(
            file=sys.stdout, force_terminal=True, legacy_windows=False, highlight=False
        )
        self._ascii: Final = is_ascii_only()
        self._fd: Final = sys.stdout.fileno()
        self._lock: Final = threading.Condition()
        self._next: Callable[[], list[Text]] | None = None
        self._size = (0, 0)
        self._old: list[str] = []
        self._is_open = False
        self._ends = False
        self._painting = False
        self._thread: Final = threading.Thread(target=self._paint, name="panel", daemon=True)
        self._thread.start()

    def enter(self) -> None:
        """Switch to the alternate screen."""
        with self._lock:
            self._old = []
            self._is_open = True
            self._write(_ENTER)

    def leave(self) -> None:
        """Switch back to the first screen; nothing is painted until `enter`."""
        with self._lock:
            self._is_open = False
            self._next = None
            self._lock.wait_for(lambda: not self._painting, _LAST_FRAME_S)
        if not self._painting:  # else the terminal takes nothing, and would not take this
            self._write(_LEAVE)

    def end(self) -> None:
        """Leave for good."""
        self.leave()
        with self._lock:
            self._ends = True
            self._lock.notify_all()

    def repaint(self) -> None:
        """Repaint every line next time."""
        with self._lock:
            self._old = []

    def show(self, view: "View", desk: PanelDesk, left_ns: int | None, still_ns: int) -> None:
        """Paint this soon."""
        shows = desk.shows(left_ns=left_ns, still_ns=still_ns, ascii_only=self._ascii)

        def lines() -> "list[Text]":
            from dryload.harness.report.panel import panel

            columns, rows = self._size
            return panel(view, width=columns, height=rows, shows=shows)

        with self._lock:
            self._next = lines
            self._lock.notify_all()

    def _paint(self) -> None:
        while True:
            with self._lock:
                self._lock.wait_for(lambda: self._ends or (self._next and self._is_open))
                if self._ends:
                    return
                make, self._next = self._next, None
                size = self._now()
                if size != self._size:
                    self._size, self._old = size, []
                old = self._old
                self._painting = True
            try:
                assert make is not None
                new = [_ansi(self._console, line) for line in make()]
                self._write(changes(old, new))
                with self._lock:
                    if self._old is old:  # no repaint was requested meanwhile
                        self._old = new
            finally:
                with self._lock:
                    self._painting = False
                    self._lock.notify_all()

    def _now(self) -> tuple[int, int]:
        try:
            size = os.get_terminal_size(self._fd)
        except OSError:
            return self._size
        return size.columns or 80, size.lines or 24

    def _write(self, text: str) -> None:
        data = text.encode(sys.stdout.encoding or "utf-8", "replace")
        try:
            while data:
                data = data[os.write(self._fd, data) :]
        except OSError:
            pass  # the terminal was closed: the keyboard reports it


def changes(old: list[str], new: list[str]) -> str:
    """Return what turns a screen with the lines `old` into one with `new`; [] is an unknown one."""
    whole = len(old) != len(new)
    parts = ["\x1b[2J"] if whole else []
    for row, line in enumerate(new):
        if whole or line != old[row]:
            # Erased first: after a full line, erasing would remove its last character.
            parts.append(f"\x1b[{row + 1};1H\x1b[0m\x1b[2K{line}\x1b[0m")
    return "".join(parts)


def _ansi(console: "Console", line: "Text") -> str:
    """Return a line with the colours that the terminal has, none where NO_COLOR is set."""
    with console.capture() as captured:
        console.print(line, end="", soft_wrap=True)
    return captured.get()
