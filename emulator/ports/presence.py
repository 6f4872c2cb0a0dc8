"""Whether the JACK server that our ports belong to is still there.

Theory of operation.  A client of a server that has died goes on without an error: its list of ports
is what it was, and what it sends waits for ever.  The server's socket tells: the kernel lists it as
long as the server lives.  Where that list or that socket can't be seen (another system, another
implementation) nothing is known, and the server counts as there.
"""

import os
from collections.abc import Callable
from pathlib import Path
from typing import Final

_SOCKETS: Final = Path("/proc/net/unix")
_FLAGS: Final = 3  # column of that list
_LISTENS: Final = "00010000"  # accepts connections; those of clients bear its name too


class JackServer:
    """The server that a client made now belongs to."""

    def __init__(self, sockets: Path = _SOCKETS) -> None:
        name = os.environ.get("JACK_DEFAULT_SERVER", "default")
        user = os.getuid() if hasattr(os, "getuid") else 0
        self._tail: Final = f"/jack_{name}_{user}_0"
        self._sockets: Final = sockets
        self._was_seen: Final = self._is_listed()

    def is_there(self) -> bool:
        """Whether it lives, as far as can be known."""
        return not self._was_seen or self._is_listed()

    def _is_listed(self) -> bool:
        try:
            listed = self._sockets.read_text(encoding="utf-8", errors="replace")
        except OSError:
            return False
        return any(
            line.endswith(self._tail) and line.split()[_FLAGS] == _LISTENS
            for line in listed.splitlines()
        )


def watch_server(system: str) -> Callable[[], str]:
    """Return what says of the server of `system` that it has gone, "" where it is there."""
    if system != "jack":
        return lambda: ""
    server = JackServer()
    return lambda: "" if server.is_there() else "the JACK server no longer runs"
