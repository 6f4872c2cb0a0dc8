"""The file that stores a unit's battery-backed memory.

Theory of operation.  The file is replaced as a whole through a draft beside it, so a process that
is killed at any time leaves the old image or the new one.  One process owns it through a lock on a
file beside it, which the kernel releases however the process ends.  A file that is not an image of
this unit is never overwritten, and neither is an image whose samples are about to be wiped: it is
set aside under another name.
"""

import os
from contextlib import suppress
from typing import Final

from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.image import MAGIC, ImageError, restore
from dryload.harness.files import opening, safe_write
from dryload.harness.files.lock import FileLock, LockedError, lock_path
from dryload.harness.files.problem import Problem

_HEADER_ROOM: Final = 4096  # bytes of the books for each slot and for the unit, very generous
_LOOP_ROOM: Final = 128 << 14  # and for the loops that somebody may set in one slot
_WORD_BYTES: Final = 4  # of the widest words
_HEAD: Final = 64
_ASIDE: Final = "set-aside"


class ImageFile:
    """Opened before anything else: it is this process's own until `close`.

    A Problem where the path can hold no image, or another process has it.
    """

    def __init__(self, path: str) -> None:
        self.path: Final = path
        self._name: Final = opening.shown(path)
        _check(path, self._name)
        self._target: Final = os.path.realpath(path)
        self._lock: Final = self._locked()
        with suppress(OSError):  # left by a killed process: nobody else has the lock
            os.unlink(safe_write.draft_of(path))

    def load(self, unit: RackUnit) -> str:
        """Load the file into a newly made unit; without a file the unit is new.

        A file that cannot be loaded is set aside, and the unit has to be initialised; what is to
        be said about that is returned without a full stop, "" for nothing.
        """
        try:
            image = self._read(unit)
            if image is None:
                return ""
            restore(unit, image)
        except ImageError as problem:
            aside = self.set_aside()
            unit.panel.fit_banks(
                (), 0
            )  # the memory is in an unknown state: it has to be initialised
            unit.panel.fit_banks(unit.profile.memory.fitted, 0)
            return (
                f"{self._name} can't be loaded: {problem}. It is kept as {aside}, "
                "and the unit starts without its memory"
            )
        unit.panel.power_on(0)  # the display shows the new memory
        return ""

    def set_aside(self) -> str:
        """Rename the file to a free name; return that name as it is shown."""
        number = 1
        while True:
            aside = f"{self._target}.{_ASIDE}-{number}"
            try:
                safe_write.rename_to_new(self._target, aside)
            except FileExistsError:
                number += 1
            except OSError as problem:
                raise Problem(
                    f"{self._name} must not be overwritten and can't be set aside: "
                    f"{problem.strerror or problem}.",
                    do="Give another name after --image.",
                ) from problem
            else:
                return opening.shown(aside)

    def write(self, image: bytes) -> None:
        """Replace what the file holds; a Problem where that is not possible."""
        with opening.refusals(self._name, "written"):
            safe_write.replace(self.path, image)

    def close(self) -> None:
        """Let others have it."""
        self._lock.release()

    def _locked(self) -> FileLock:
        try:
            return FileLock(lock_path(self._target))
        except LockedError as problem:
            raise Problem(
                f"{self._name} is in use by another dryload serve.",
                do="End that one first, or give another name after --image.",
            ) from problem
        except OSError as problem:
            raise opening.refusal(self._name, "written", problem) from problem

    def _read(self, unit: RackUnit) -> bytes | None:
        """Return the content, None if there is no file; ImageError if it is not an image."""
        limit = _largest(unit)
        try:
            with open(self._target, "rb") as file:
                if not file.read(_HEAD).startswith(MAGIC):
                    raise ImageError("it is not a memory image of dryload")
                file.seek(0)
                image = file.read(limit + 1)
        except FileNotFoundError:
            return None
        except OSError as problem:
            raise opening.refusal(self._name, "read", problem) from problem
        if len(image) > limit:
            raise ImageError("it is larger than any image of this unit")
        return image


def _check(path: str, name: str) -> None:
    """Raise the Problem of a path that can hold no image."""
    safe_write.check_target(path, overwrite=True, option="--image")
    for access, word in ((os.R_OK, "read"), (os.W_OK, "written")):
        if os.path.exists(path) and not os.access(path, access):
            raise Problem(f"{name} may not be {word}.", do="Give another name after --image.")


def _largest(unit: RackUnit) -> int:
    traits, slots = unit.memory.traits, len(unit.slots)
    books = slots * (_HEADER_ROOM + _LOOP_ROOM) + _HEADER_ROOM
    return traits.places * traits.bank_words * _WORD_BYTES + books
