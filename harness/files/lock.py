"""One process at a time: a lock on a file beside the one to be protected.

The kernel releases it however its holder ends.  If the system or the file system has no locks,
nothing is locked and nobody is kept out.
"""

import importlib
import os
from contextlib import suppress
from types import ModuleType
from typing import Final


class LockedError(Exception):
    """Another process holds the lock."""


def lock_path(path: str) -> str:
    """Return the name of the lock file beside `path`."""
    folder, base = os.path.split(os.path.realpath(path))
    return os.path.join(folder, f".{base}.lock")


class FileLock:
    """Held from here on until it is released or the process ends.

    LockedError where another process holds it, OSError where the file can't be made.
    """

    def __init__(self, path: str) -> None:
        self._path: Final = path
        self._descriptor: int | None = None
        self._fcntl: Final = _module("fcntl")
        while self._descriptor is None:
            descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
            try:
                self._take(descriptor)
                if _is_at(descriptor, path):  # the former holder may have deleted the file
                    self._descriptor = descriptor
            except BlockingIOError as problem:
                raise LockedError from problem
            except OSError:  # a file system without locks
                if not _is_at(descriptor, path):
                    raise
                self._descriptor = descriptor
            finally:
                if self._descriptor is None:
                    os.close(descriptor)

    def release(self) -> None:
        """Let others have it; nothing happens the second time."""
        if self._descriptor is None:
            return
        if self._fcntl is not None:  # on other systems an open file can't be taken away
            with suppress(OSError):
                os.unlink(self._path)
        os.close(self._descriptor)
        self._descriptor = None

    def _take(self, descriptor: int) -> None:
        """Lock an open file; BlockingIOError where another process has."""
        if self._fcntl is not None:
            self._fcntl.flock(descriptor, self._fcntl.LOCK_EX | self._fcntl.LOCK_NB)
        elif (windows := _module("msvcrt")) is not None:
            try:
                windows.locking(descriptor, windows.LK_NBLCK, 1)
            except PermissionError as problem:
                raise BlockingIOError from problem


def _is_at(descriptor: int, path: str) -> bool:
    """Whether the file that is open is the one that bears the name."""
    try:
        return os.path.samestat(os.fstat(descriptor), os.stat(path))
    except OSError:
        return False


def _module(name: str) -> ModuleType | None:
    """Return a module that not every system has."""
    try:
        return importlib.import_module(name)
    except ImportError:
        return None
