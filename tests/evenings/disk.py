"""What a disk still has when the computer loses its power, and when it is full.

Theory of operation.  Files are real ones in a folder of the evening.  `os.fsync` writes nothing
down but notes what the file held then; that of a folder notes which names were in it.  A power cut
puts the folder back to what was certain, and by the throw of dice to a part of what was not: a file
that was never synced may be there, be empty or not be there, a new name may still be the old one.
That a file which was synced is there under its name is the practice of today's file systems.
"""

from __future__ import annotations

import os
import random
import resource
import stat
from pathlib import Path
from typing import Final


class Disk:
    """The folder `root`, all of which is safe to begin with."""

    def __init__(self, root: Path) -> None:
        self.root: Final = root
        self.syncs = 0
        self._safe: dict[int, bytes] = {}  # content by inode
        self._names: dict[Path, int] = {}  # what was certainly called so
        for path, inode in self._present().items():
            self._safe[inode] = path.read_bytes()
            self._names[path] = inode

    def sync(self, handle: int) -> None:
        """Stand for `os.fsync`."""
        self.syncs += 1
        here = os.fstat(handle)
        present = self._present()
        if stat.S_ISDIR(here.st_mode):
            folder = Path(f"/proc/self/fd/{handle}").resolve()
            for path in [each for each in self._names if each.parent == folder]:
                del self._names[path]
            self._names |= {path: inode for path, inode in present.items() if path.parent == folder}
            return
        for path, inode in present.items():
            if inode == here.st_ino:
                self._safe[inode] = path.read_bytes()
                self._names.setdefault(path, inode)

    def cut(self, dice: random.Random) -> None:
        """Leave in the folder what a power cut leaves of it."""
        free()  # what is written here is there already
        keeps = dice.choice((0.0, 0.5, 1.0))  # how much of what was not synced
        present = self._present()
        now = {inode: path.read_bytes() for path, inode in present.items()}
        left: dict[Path, bytes] = {}
        for path in sorted({*present, *self._names}):
            inode = (present if dice.random() < keeps else self._names).get(path)
            if inode is None:
                continue
            safe = self._safe.get(inode, b"")
            left[path] = _some_of(safe, now.get(inode, safe), keeps, dice)
        for path in present:
            path.unlink()
        for path, content in left.items():
            path.write_bytes(content)

    def _present(self) -> dict[Path, int]:
        return {
            path: path.stat().st_ino
            for path in self.root.rglob("*")
            if path.is_file() and not path.is_symlink()
        }


def _some_of(safe: bytes, now: bytes, keeps: float, dice: random.Random) -> bytes:
    """Return what is left of a file that was synced as `safe` and stands as `now`."""
    if safe == now or dice.random() >= keeps:
        return safe
    if not now.startswith(safe) or dice.random() < 0.5:
        return now
    return now[: dice.randint(len(safe), len(now))]


def fill(left: int) -> None:
    """Let every file end at `left` bytes: what goes beyond fails as on a disk that is full."""
    hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
    resource.setrlimit(resource.RLIMIT_FSIZE, (left, hard))


def free() -> None:
    """Have room again."""
    hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
    resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
