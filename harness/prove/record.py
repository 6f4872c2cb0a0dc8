"""What a proof has written so far, on the disk, so that it can go on after whatever stopped it.

A text file of JSON lines.  The first says of which unit it is and how many passes are wanted; the
others what was found out of the unit (`unit`; null before anything in it is lost), each test sample
as it found its place (`part`), that the memory is full and whether old samples stay in it (`full`),
each sample that was written in a pass (`written`, `pass`), the first word that came back wrong
(`wrong`; null where that was none), each pass that came back right (`right`), that samples are
written once more out of order (`again`), what was decided (`ended`), and that what was kept is back
(`restored`).  A last line that was cut off is ignored.

Words follow from their number, so no word is kept.  What had been read counts for nothing: a pass
is read from its beginning again.
"""

import json
from collections.abc import Mapping
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta, Struct, field
from msgspec.structs import replace

from dryload.emulator.wire.constants import MAX_BITS, MAX_SAMPLE_NUMBER, MIN_BITS
from dryload.harness.files.journal import Disk, Release
from dryload.harness.files.lock import LockedError
from dryload.harness.files.opening import quoted, refusals, shown
from dryload.harness.files.problem import Problem
from dryload.harness.prove.passes import Part

SCHEMA: Final = "dryload/prove-journal/1"
_HEAD: Final = ("passes", "device_id", "keep", "bits", "words")

_Width = Annotated[int, Meta(ge=MIN_BITS, le=MAX_BITS)]
_Number = Annotated[int, Meta(ge=0, le=MAX_SAMPLE_NUMBER)]


class UnitFacts(Struct, frozen=True, kw_only=True):
    """What was found out of a unit before the first test sample."""

    kept: _Width
    width: _Width
    capacity: int | None
    keeps_old: bool | None
    numbers: Annotated[tuple[_Number, ...], Meta(min_length=1)]
    """The sample numbers that it takes."""
    told: bool = False
    """Whether the capacity was given with --words."""
    spare: int = 0
    """Words that stay free, and are not in the capacity."""


class SoFar(Struct, kw_only=True):
    """How far a proof had come."""

    passes: int
    """How many are wanted."""
    device_id: int
    keep: str | None = None
    """The folder in which lies what the unit held."""
    bits: int | None = None
    """What the unit keeps by its manual, where that was said; so are `words`."""
    words: int | None = None
    unit: UnitFacts | None = None
    parts: list[Part] = field(default_factory=list)
    full: bool = False
    right: int = 0
    """Passes that came back right."""
    again: bool = False
    """Whether samples were being written once more, out of order."""
    wrong: Annotated[int, Meta(ge=0)] | None = None
    """A word that came back wrong."""
    ended: str = ""
    """What it came to; "" where it did not end."""
    restored: bool = False
    """Whether all that was kept is in the unit again."""
    written: set[int] = field(default_factory=set)
    """Numbers of the samples that were written in the pass behind these."""

    def take(self, line: Mapping[str, Any]) -> None:
        """Take one line; msgspec.ValidationError where it makes no sense."""
        if "unit" in line:  # also where it was begun anew
            self.unit = msgspec.convert(line["unit"], UnitFacts | None)
            self.parts, self.full, self.right, self.written = [], False, 0, set()
            self.again, self.wrong = False, None
        elif "part" in line:
            part = msgspec.convert(line["part"], Part)
            if part.start != (self.parts[-1].end if self.parts else 0) or part.words < 1:
                raise msgspec.ValidationError("its samples do not follow one another")
            self.parts.append(part)
            self.written.add(part.number)
            self.again = False
        elif "full" in line:
            self.full, self.again = True, False
            if line.get("keeps_old") and self.unit is not None:
                self.unit = replace(self.unit, keeps_old=True)
        elif "written" in line:
            self.written.add(msgspec.convert(line["written"], int))
        elif "right" in line:
            self.right, self.written = msgspec.convert(line["right"], int), set()
            self.full = True
        elif "wrong" in line:
            self.wrong = msgspec.convert(line["wrong"], int | None)
        elif "again" in line:
            self.again = True
        elif "ended" in line:
            self.ended, self.restored = str(line["ended"]), "restored" in line
        else:
            raise msgspec.ValidationError("a line is spoilt")


class ProofRecord:
    """The record of one proof, which this process has to itself until `close`."""

    def __init__(self, path: str, disk: Disk | None = None) -> None:
        """Take hold of the file; a Problem where another process has it."""
        self.path: Final = path
        self._disk: Final = disk or Disk()
        self._head = b""
        try:
            with self._writing():
                self._held: Release = self._disk.lock(path)
        except LockedError as problem:
            raise Problem(
                f"another proof is writing the record {shown(path)}.",
                do="Wait until it has ended, or give another --journal.",
            ) from problem

    def begin(self, target: str, so_far: SoFar) -> None:
        """Begin a new one; the old one stays until there is something to enter."""
        found = self._content()
        if found and _parsed(found.split(b"\n")[0]).get("schema") != SCHEMA:
            self.close()
            raise Problem(
                f"{shown(self.path)} exists and is no record of a proof, so it is left alone.",
                do="Give another --journal.",
            )
        head = {key: getattr(so_far, key) for key in _HEAD}
        self._head = _line({"schema": SCHEMA, "target": target, **head})

    def take_up(self, target: str) -> SoFar:
        """Return how far it had come; a Problem where there is nothing of this target."""
        first, *lines = self._content().split(b"\n")
        head = _parsed(first)
        if head.get("schema") != SCHEMA or head.get("target") != target:
            self.close()
            about = f" of {shown(target)}" if head else ""
            raise Problem(
                f"there is no record of a proof{about} at {shown(self.path)} to go on with.",
                do="Leave --resume out to begin one.",
            )
        if lines and not _parsed(lines[-1]):  # nothing, or cut off
            del lines[-1]
        whole = [first, *filter(None, lines)]
        try:
            so_far = msgspec.convert({key: head.get(key) for key in _HEAD}, SoFar)
            for line in whole[1:]:
                so_far.take(_parsed(line))
        except msgspec.ValidationError as problem:
            self.close()
            raise Problem(
                f"the record {shown(self.path)} makes no sense: {problem}.",
                do="Leave --resume out to begin a new proof.",
            ) from problem
        if so_far.ended:
            self.close()
            do = "Leave --resume out to begin another one."
            if so_far.keep is not None and not so_far.restored:
                again = f"dryload replay {quoted(so_far.keep)} --to {quoted(target)}"
                do = f"Initialise the memory of the unit, and {again} puts back what was kept."
            raise Problem(f"the last proof of {shown(target)} has ended ({so_far.ended}).", do=do)
        with self._writing():  # without what was cut off
            self._disk.replace(self.path, b"\n".join([*whole, b""]))
        return so_far

    def enter(self, line: Mapping[str, Any]) -> None:
        """Append one line; it is on the disk when this returns, or a Problem is raised."""
        with self._writing():
            if self._head:
                self._disk.replace(self.path, self._head + _line(line))
                self._head = b""
            else:
                self._disk.append(self.path, _line(line))

    def close(self) -> None:
        """Let others have it."""
        self._held.release()

    def _content(self) -> bytes:
        with refusals(f"the record {shown(self.path)}"):
            return self._disk.read(self.path) or b""

    def _writing(self) -> Any:
        do = "Give a place with --journal FILE."
        return refusals(f"the record {shown(self.path)}", "written", do)


def _line(given: Mapping[str, Any]) -> bytes:
    return json.dumps(msgspec.to_builtins(given)).encode() + b"\n"


def _parsed(line: bytes) -> dict[str, Any]:
    try:
        given = json.loads(line)
    except (ValueError, RecursionError):
        return {}
    return given if isinstance(given, dict) else {}
