"""Writes the image of a unit's memory soon after it changed, and never so that a reply is late.

Theory of operation.  The words of a sample are never changed once they are there, so a copy of the
books is a whole snapshot, and it takes microseconds.  It is taken while no dump runs: in the middle
of one the old sample may have gone and the new one is not there.  A thread makes the image of it
and writes it, beginning when the line is quiet and the one before is written; of several snapshots
only the last is.
"""

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Final

from msgspec import Struct

from dryload.emulator.ports.clock import Clock
from dryload.emulator.unit.board import RackUnit
from dryload.emulator.unit.image import image_of
from dryload.harness.files.image_file import ImageFile
from dryload.harness.files.problem import Problem

_QUIET_NS: Final = 20_000_000  # the unit has nothing to say for so long
_LONGEST_NS: Final = 2_000_000_000  # that a snapshot waits for a quiet line
_AGAIN_NS: Final = 5_000_000_000


class Written(Struct, frozen=True, kw_only=True):
    """What became of one image."""

    at_ns: int
    bytes: int
    problem: str
    """Why it could not be written, "" where it was."""


class ImageKeeper:
    """Keeps the file of one unit up to date; `look` is called whenever there is time.

    `tell` hears what became of each image, in the thread that looks.
    """

    def __init__(
        self, file: ImageFile, unit: RackUnit, clock: Clock, tell: Callable[[Written], None]
    ) -> None:
        self._file: Final = file
        self._unit: Final = unit
        self._clock: Final = clock
        self._seen = _books_of(unit)  # the last snapshot
        self._waiting: RackUnit | None = None  # a snapshot whose turn has not come yet
        self._waits_since_ns = 0
        self._again_ns: int | None = None  # when a file that could not be written is tried again
        self._thread: Final = ThreadPoolExecutor(1, "image")
        self._job: Future[Written] | None = None
        self._tell: Final = tell

    def look(self, now_ns: int) -> None:
        """See whether something has changed, and let it be written when the line is quiet."""
        unit = self._unit
        if not unit.is_receiving and not _are_same(unit, self._seen):
            if self._waiting is None:
                self._waits_since_ns = now_ns
            self._waiting = self._seen = _books_of(unit)
        self._collect()
        if self._again_ns is not None and now_ns >= self._again_ns:
            self.want_write()
        if self._waiting is None or self._job is not None:
            return
        if self._is_quiet(now_ns) or now_ns - self._waits_since_ns >= _LONGEST_NS:
            self._job, self._waiting = self._thread.submit(self._write, self._waiting), None

    def want_write(self) -> None:
        """Have the image written although nothing has changed: there may be no file yet."""
        self._waiting, self._again_ns = self._seen, None

    def finish(self) -> None:
        """Write what is not in the file yet and stop; a Problem where that is not possible."""
        self._thread.shutdown()
        self._collect()
        is_written = self._waiting is None and self._again_ns is None
        if not (is_written and _are_same(self._unit, self._seen)):
            self._tell(self._write(self._unit))

    def _collect(self) -> None:
        """Take what the thread has done, if it has."""
        if self._job is None or not self._job.done():
            return
        try:
            self._tell(self._job.result())
        except Problem as problem:
            now_ns = self._clock.now_ns()
            self._tell(Written(at_ns=now_ns, bytes=0, problem=str(problem)))
            self._again_ns = now_ns + _AGAIN_NS
        self._job = None

    def _is_quiet(self, now_ns: int) -> bool:
        if self._unit.is_receiving or self._unit.is_sending:
            return False
        deadline_ns = self._unit.next_deadline_ns()
        return deadline_ns is None or deadline_ns - now_ns >= _QUIET_NS

    def _write(self, unit: RackUnit) -> Written:
        image = image_of(unit)
        self._file.write(image)
        return Written(at_ns=self._clock.now_ns(), bytes=len(image), problem="")


def _books_of(unit: RackUnit) -> RackUnit:
    """Return a unit that holds the same and is connected to nothing."""
    copy = RackUnit(unit.profile)
    copy.memory.fitted = unit.memory.fitted
    copy.memory.initialised = unit.memory.initialised
    for field in ("device_id", "receive_exclusive", "awaiting_confirm"):
        setattr(copy.panel, field, getattr(unit.panel, field))
    for slot, kept in zip(unit.slots, copy.slots, strict=True):
        kept.name, kept.written, kept.holding = slot.name, slot.sample, slot.holding
        kept.protected, kept.cells = slot.protected, None
    return copy


def _are_same(unit: RackUnit, copy: RackUnit) -> bool:
    """Whether a unit holds what its books held."""
    return _held(unit) == _held(copy)


def _held(unit: RackUnit) -> object:
    memory, panel = unit.memory, unit.panel
    slots = [(slot.sample, slot.holding, slot.name, slot.protected) for slot in unit.slots]
    settings = panel.device_id, panel.receive_exclusive, panel.awaiting_confirm
    return memory.fitted, memory.initialised, settings, slots
