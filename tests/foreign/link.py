"""How foreign programs get at a cable: a virtual or a listed MIDI port, or bytes over TCP."""

from __future__ import annotations

import contextlib
import ctypes
import os
import re
import select
import socket
import sys
import time
from collections.abc import Iterator
from typing import Any, Final, Protocol

_POLL_S: Final = 0.0005
_SETTLE_S: Final = 0.1  # messages in the first moments of a connection can get lost
_QUEUE: Final = 1 << 16
_FIND_S: Final = 5.0
_COUNT: Final = re.compile(r"-\d\d$")  # what JACK appends to the second client of a name


class GoneError(Exception):
    """The other side has hung up."""


class Link(Protocol):
    """One cable; `read` waits for so many seconds at most."""

    name: str

    def read(self, for_s: float) -> bytes: ...

    def write(self, message: bytes) -> None: ...

    def close(self) -> None: ...


class TcpListener:
    """Listens on a free port number; whoever comes next is the peer, one after the other."""

    def __init__(self) -> None:
        self._door = socket.create_server(("127.0.0.1", 0))
        self._peer: socket.socket | None = None
        host, number = self._door.getsockname()
        self.name = f"tcp:{host}:{number}"

    def read(self, for_s: float) -> bytes:
        if not _has_news(self._door if self._peer is None else self._peer, for_s):
            return b""
        if self._peer is None:
            self._peer, _ = self._door.accept()
            self._peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            return b""
        data = b""
        with contextlib.suppress(OSError):
            data = self._peer.recv(4096)
        if not data:
            self._peer.close()
            self._peer = None
        return data

    def write(self, message: bytes) -> None:
        if self._peer is not None:
            with contextlib.suppress(OSError):  # read() sees that it went
                self._peer.sendall(message)

    def close(self) -> None:
        if self._peer is not None:
            self._peer.close()
        self._door.close()


class TcpCaller:
    """A connection to somebody who listens."""

    def __init__(self, where: str) -> None:
        host, _, number = where.rpartition(":")
        self._peer = socket.create_connection((host, int(number)), timeout=10)
        self._peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.name = f"tcp:{where}"

    def read(self, for_s: float) -> bytes:
        if not _has_news(self._peer, for_s):
            return b""
        try:
            data = self._peer.recv(4096)
        except OSError as problem:
            raise GoneError(str(problem)) from problem
        if not data:
            raise GoneError("the other side has hung up")
        return data

    def write(self, message: bytes) -> None:
        try:
            self._peer.sendall(message)
        except OSError as problem:
            raise GoneError(str(problem)) from problem

    def close(self) -> None:
        self._peer.close()


class MidiLink:
    """A virtual MIDI port named `name`, or the port of that name which is there already."""

    def __init__(self, name: str, *, virtual: bool) -> None:
        with _hushed():
            self._in, self._out = _ends(name if virtual else "Foreign Sender")
        if virtual:
            self._in.open_virtual_port("in")
            self._out.open_virtual_port("out")
        else:
            self._out.open_port(_place(self._out, name), "out")
            self._in.open_port(_place(self._in, name), "in")
            time.sleep(_SETTLE_S)
        self.name = f"midi:{name}"

    def read(self, for_s: float) -> bytes:
        until_s = time.monotonic() + for_s
        while True:
            if (found := self._in.get_message()) is not None:
                return bytes(found[0])
            if time.monotonic() >= until_s:
                return b""
            time.sleep(_POLL_S)

    def write(self, message: bytes) -> None:
        self._out.send_message(message)

    def close(self) -> None:
        for end in (self._in, self._out):
            end.close_port()
            end.delete()


def has_ended() -> bool:
    """Whether standard input has ended."""
    return bool(select.select([sys.stdin], [], [], 0)[0])


def open_link(target: str) -> Link:
    """Call a `tcp:HOST:PORT`, or open the `midi:NAME` that is there."""
    kind, _, where = target.partition(":")
    return TcpCaller(where) if kind == "tcp" else MidiLink(where, virtual=False)


def _has_news(ear: socket.socket, for_s: float) -> bool:
    return bool(select.select([ear], [], [], max(for_s, 0))[0])


def _ends(client: str) -> tuple[Any, Any]:
    """Return an input and an output of the first MIDI system that works here."""
    library, systems = _library()
    problem: Exception | None = None
    for api in systems:
        try:
            source = library.MidiIn(api, client, _QUEUE)
            sink = library.MidiOut(api, client)
        except Exception as failed:  # the library has one kind of error a system
            problem = failed
            continue
        source.ignore_types(sysex=False, timing=False, active_sense=False)
        # Never an exception in the thread that hears: that ends the process.
        source.set_error_callback(lambda *_: None)
        return source, sink
    raise SystemExit(f"no MIDI system works here: {problem}")


def _library() -> tuple[Any, list[Any]]:
    """Return the binding of the MIDI library that is installed, and the systems it was built for.

    Those that do something: the last of the second binding's is a dummy.
    """
    try:
        import rtmidi
    except ImportError:
        # Its own libjack speaks another protocol than JACK 2; one that is loaded already wins.
        with contextlib.suppress(OSError):
            ctypes.CDLL("libjack.so.0", mode=ctypes.RTLD_GLOBAL)
        import supriya_midi

        return supriya_midi, list(supriya_midi.get_compiled_apis())[:-1]
    return rtmidi, list(rtmidi.get_compiled_api())


def _place(end: Any, name: str) -> int:
    """Return the place of the first listed port whose client is called `name`."""
    until_s = time.monotonic() + _FIND_S
    while True:
        names = end.get_ports()
        for place, listed in enumerate(names):
            if _COUNT.sub("", listed.partition(":")[0]) == name:
                return place
        if time.monotonic() > until_s:
            raise SystemExit(f"no MIDI port {name!r} among {names}")
        time.sleep(0.05)


@contextlib.contextmanager
def _hushed() -> Iterator[None]:
    """Keep standard error free of what MIDI systems say that are not there."""
    kept = os.dup(2)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    try:
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)
