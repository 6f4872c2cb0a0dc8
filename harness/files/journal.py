"""The journal of a live replay: what became of each dump, so that a replay can be resumed later.

A text file of JSON lines.  The first is `{"schema": "dryload/journal/1", "target": "midi:...",
"began": "..."}`.  Then each dump has one to three lines with its file, sample number, device ID,
the SHA-256 of its messages, and the stage that it has reached: `sending` before its first byte is
sent, `sent` when all of it was sent but not read back, `ended` with the outcome.  The last line of
a sample counts.  A line without a stage was written by an older version, and is an end.

Theory of operation.  Whenever the process or the computer dies, what the disk holds is true.  A new
journal replaces an older one in one step, together with the line of its first dump and before the
first byte of that dump; later lines are appended, and are on the disk before what they announce
begins.  A line that was cut off is ignored.  A lock gives the journal to one process at a time.
All access to the disk goes through `Disk`.
"""

import hashlib
import json
import os
import re
import sys
from collections.abc import Sequence
from contextlib import AbstractContextManager
from enum import StrEnum
from pathlib import Path
from typing import Any, Final, Protocol

from msgspec import Struct
from msgspec.structs import asdict

from dryload.harness.files import safe_write
from dryload.harness.files.lock import FileLock, LockedError, lock_path
from dryload.harness.files.opening import refusals, shown
from dryload.harness.files.problem import Problem

FAMILY: Final = "dryload/journal/"
SCHEMA: Final = f"{FAMILY}1"
_LARGEST: Final = 64 << 20
_HEAD_BEGINS: Final = f'{{"schema": "{FAMILY}'.encode()


class JournalStage(StrEnum):
    """How far a dump has come."""

    SENDING = "sending"
    SENT = "sent"
    ENDED = "ended"


class JournalEntry(Struct, frozen=True, kw_only=True):
    """What is recorded about one dump at one stage."""

    step: JournalStage = JournalStage.ENDED
    """A line of an older version has none, and is an end."""
    file: str
    dump: int
    """Which dump of its file, counted from 0."""
    sample_number: int
    device_id: int
    sha256: str
    """Of its messages as they were sent."""
    outcome: str = ""
    """The outcome so far; "" while it is being sent."""
    verified: bool | None = None
    is_well: bool = False
    """Whether it need not be played again."""

    @property
    def place(self) -> tuple[int, int]:
        """Device ID and sample number: a unit holds one sample there."""
        return self.device_id, self.sample_number

    @property
    def claims(self) -> bool:
        """Whether it says that the unit should have the dump now."""
        return self.step is JournalStage.SENT or self.is_well


class Release(Protocol):
    """Something that is held."""

    def release(self) -> None:
        """Let others have it."""
        ...


class Disk:
    """All operations of a journal on the disk; each is durable when it returns.

    OSError if it failed; an `append` may then have written a part.
    """

    def lock(self, path: str) -> Release:
        """Lock `path` for this process; LockedError if another process has it."""
        os.makedirs(os.path.dirname(os.path.realpath(path)), exist_ok=True)
        return FileLock(lock_path(path))

    def read(self, path: str) -> bytes | None:
        """Return the content of a file, None if there is none."""
        if not os.path.exists(path):
            return None
        if not os.path.isfile(path):
            raise Problem(f"{shown(path)} is not an ordinary file.", do="Give another --journal.")
        with open(path, "rb") as file:
            return file.read(_LARGEST)

    def replace(self, path: str, content: bytes) -> None:
        """Replace a file: at any time there is either the old one or the new one."""
        safe_write.replace(path, content)

    def append(self, path: str, content: bytes) -> None:
        """Write at the end of a file."""
        with open(path, "ab") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())


def sha256_of(messages: Sequence[bytes]) -> str:
    """Return the fingerprint of the messages of a dump."""
    return hashlib.sha256(b"".join(messages)).hexdigest()


def usual_path(target: str, kind: str = "journal") -> str:
    """Return where the journal of a target, or a file of that kind, is kept by itself."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home())
    else:
        base = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state")
    name = re.sub(r"[^A-Za-z0-9.-]+", "-", target).strip("-.")[:60]
    mark = hashlib.sha256(target.encode("utf-8", "surrogateescape")).hexdigest()[:8]
    return str(base / "dryload" / f"{kind}-{name}-{mark}.jsonl")


class Journal:
    """A journal that this process owns from `begin` or `resume` until `close`.

    A new journal replaces an older one only with its first entry, so the old one is kept if no unit
    is found.
    """

    def __init__(self, path: str, disk: Disk, held: Release, began: bytes, content: bytes) -> None:
        self.path: Final = path
        self.is_blank: Final = not content
        """Whether nothing is known from before."""
        self._disk: Final = disk
        self._held: Final = held
        self._head: bytes | None = began if self.is_blank else None  # until it is on the disk
        self._is_torn = not content.endswith(b"\n")  # the last line is not whole
        entries = map(_entry, content.split(b"\n")[1:])
        self._last = {entry.place: entry for entry in entries if entry is not None}

    @classmethod
    def begin(cls, path: str, *, target: str, began: str, disk: Disk | None = None) -> "Journal":
        """Start a new journal; a Problem if the path is a file that is not a journal."""
        disk = disk or Disk()
        held = _held(path, disk)
        try:
            content = _content(path, disk) or b""
            if not _is_wreck(content):
                _head_of(content, path)  # never overwrite a file that is not a journal
        except Problem:
            held.release()
            raise
        return cls(path, disk, held, _head(target, began), b"")

    @classmethod
    def resume(cls, path: str, *, target: str, began: str, disk: Disk | None = None) -> "Journal":
        """Continue a journal; a Problem if there is none, or if it belongs to another target.

        A journal whose first line was never completed says nothing, so a new one is started.
        """
        disk = disk or Disk()
        held = _held(path, disk)
        try:
            content = _content(path, disk)
            if content is None:
                raise Problem(
                    f"there is no journal at {shown(path)}, so there is nothing to resume.",
                    do="Leave --resume out to start.",
                )
            if _is_wreck(content):
                return cls(path, disk, held, _head(target, began), b"")
            head = _head_of(content, path)
            if head.get("target") != target:
                raise Problem(
                    f"the journal {shown(path)} is about {shown(str(head.get('target')))}, not "
                    f"about {shown(target)}.",
                    do="Give the same --to as before, or another --journal.",
                )
        except Problem:
            held.release()
            raise
        return cls(path, disk, held, b"", content)

    @property
    def entries(self) -> tuple[JournalEntry, ...]:
        """The last entry of each sample, in the order of the first entries."""
        return tuple(self._last.values())

    def loaded(self) -> set[tuple[int, int, str]]:
        """Return device ID, sample number and fingerprint of what need not be played again."""
        return {(*each.place, each.sha256) for each in self._last.values() if each.is_well}

    def entry_at(self, device_id: int, sample_number: int) -> JournalEntry | None:
        """Return the last entry of a sample, None if there is none."""
        return self._last.get((device_id, sample_number))

    def entry_of(self, device_id: int, sample_number: int, sha256: str) -> JournalEntry | None:
        """Return the last entry of a sample, None if there is none or it is about other content."""
        entry = self.entry_at(device_id, sample_number)
        return entry if entry is not None and entry.sha256 == sha256 else None

    def enter(self, entry: JournalEntry) -> None:
        """Append one entry; it is on the disk when this returns, otherwise a Problem is raised."""
        line = _line(asdict(entry))
        with _writing(self.path):
            if self._head is not None:
                self._disk.replace(self.path, self._head + line)
                self._head, self._is_torn = None, False
            else:
                is_torn, self._is_torn = self._is_torn, True
                self._disk.append(self.path, b"\n" + line if is_torn else line)
                self._is_torn = False
        self._last[entry.place] = entry

    def close(self) -> None:
        """Let others have it."""
        self._held.release()


def _head(target: str, began: str) -> bytes:
    return _line({"schema": SCHEMA, "target": target, "began": began})


def _line(given: dict[str, Any]) -> bytes:
    return json.dumps(given).encode() + b"\n"


def _held(path: str, disk: Disk) -> Release:
    try:
        with _writing(path):
            return disk.lock(path)
    except LockedError as problem:
        raise Problem(
            f"another replay is writing the journal {shown(path)}.",
            do="Wait until it has ended, or give another --journal.",
        ) from problem


def _content(path: str, disk: Disk) -> bytes | None:
    with refusals(f"the journal {shown(path)}"):
        return disk.read(path)


def _is_wreck(content: bytes) -> bool:
    """Whether it is nothing, or what a crash leaves of a first line: its beginning, or zeros."""
    rest = content.rstrip(b"\0")
    if b"\n" in rest or _parsed(rest):
        return False
    return rest.startswith(_HEAD_BEGINS) or _HEAD_BEGINS.startswith(rest)


def _head_of(content: bytes, path: str) -> dict[str, Any]:
    head = _parsed(content.partition(b"\n")[0])
    schema = str(head.get("schema", ""))
    if schema == SCHEMA:
        return head
    if schema.startswith(FAMILY):
        raise Problem(f"the journal {shown(path)} is of another version of dryload.")
    raise Problem(
        f"{shown(path)} exists and is not a journal, so it is left alone.",
        do="Give another --journal.",
    )


def _entry(line: bytes) -> JournalEntry | None:
    """Return the entry of a line; None if it was cut off or is not an entry."""
    import msgspec

    try:
        return msgspec.json.decode(line, type=JournalEntry)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None


def _parsed(line: bytes) -> dict[str, Any]:
    try:
        given = json.loads(line)
    except (ValueError, RecursionError):
        return {}
    return given if isinstance(given, dict) else {}


def _writing(path: str) -> AbstractContextManager[None]:
    do = "Give a place with --journal FILE."
    return refusals(f"the journal {shown(path)}", "written", do)
