"""The journal of a live replay: what has been loaded, so that an evening can go on where it ended.

A text file of JSON lines: `{"schema": "dryload/journal/1", "target": "midi:...", "began": "..."}`,
then a line a dump that was played: file, sample number, device ID, SHA-256 of its messages, what
became of it.  A line is on the disk before the next dump begins; one that was cut off by a power
failure is passed over.
"""

import hashlib
import json
import os
import re
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from harness.files.opening import shown
from harness.files.problem import Problem

FAMILY: Final = "dryload/journal/"
SCHEMA: Final = f"{FAMILY}1"
_LARGEST: Final = 64 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One dump that was played."""

    file: str
    dump: int
    """Which dump of its file, counted from 0."""
    sample_number: int
    device_id: int
    sha256: str
    """Of header and packets as they were sent."""
    outcome: str
    verified: bool | None
    is_well: bool
    """Whether it need not be played again."""

    @property
    def key(self) -> tuple[int, int, str]:
        """What makes a dump the same, whatever its file is called now."""
        return self.device_id, self.sample_number, self.sha256


def sha256_of(messages: Sequence[bytes]) -> str:
    """Return the fingerprint of what is sent."""
    return hashlib.sha256(b"".join(messages)).hexdigest()


def usual_path(target: str) -> str:
    """Return where the journal of a target is kept unless another place is given."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home())
    else:
        base = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state")
    name = re.sub(r"[^A-Za-z0-9.-]+", "-", target).strip("-.")[:60]
    mark = hashlib.sha256(target.encode("utf-8", "surrogateescape")).hexdigest()[:8]
    return str(base / "dryload" / f"journal-{name}-{mark}.jsonl")


class Journal:
    """Open for writing from `begin` or `resume` until `close`.

    A new one replaces what was there only when its first dump is entered: who finds no unit keeps
    the old one.
    """

    def __init__(self, path: str, entries: Sequence[Entry], *, head: bytes | None) -> None:
        self.path: Final = path
        self.entries: Final = tuple(entries)
        """What stood in it before."""
        self._head = head
        try:
            Path(path).parent.mkdir(parents=True, exist_ok=True)
            self._file = open(path, "ab")  # noqa: SIM115
        except OSError as problem:
            raise _unwritable(path, problem) from problem

    @classmethod
    def begin(cls, path: str, *, target: str, began: str) -> "Journal":
        """Start a new journal; what was there before is replaced if it was one."""
        if os.path.exists(path) and (content := _content(path)):
            _head_of(content, path)  # nobody's file is overwritten for a journal
        return cls(path, (), head=_line({"schema": SCHEMA, "target": target, "began": began}))

    @classmethod
    def resume(cls, path: str, *, target: str) -> "Journal":
        """Go on with a journal; a Problem where there is none, or one of another target."""
        if not os.path.exists(path):
            raise Problem(
                f"there is no journal at {shown(path)}, so there is nothing to go on with.",
                do="Leave --resume out to begin.",
            )
        content = _content(path)
        head = _head_of(content, path)
        if head.get("target") != target:
            raise Problem(
                f"the journal {shown(path)} is of {shown(str(head.get('target')))}, not of "
                f"{shown(target)}.",
                do="Give the same --to as then, or another --journal.",
            )
        journal = cls(path, _entries(content), head=None)
        if not content.endswith(b"\n"):
            journal._put(b"\n")  # the line that was cut off stays one of its own
        return journal

    def loaded(self) -> set[tuple[int, int, str]]:
        """Return the keys of the dumps that need not be played again: the last word counts."""
        last = {entry.key[:2]: entry for entry in self.entries}
        return {entry.key for entry in last.values() if entry.is_well}

    def enter(self, entry: Entry) -> None:
        """Write one dump down; it is on the disk when this returns."""
        try:
            if self._head is not None:
                self._file.truncate(0)
                self._put(self._head)
                self._head = None
            self._put(_line(asdict(entry)))
        except OSError as problem:
            raise _unwritable(self.path, problem) from problem

    def close(self) -> None:
        """End it."""
        self._file.close()

    def _put(self, line: bytes) -> None:
        self._file.write(line)
        self._file.flush()
        os.fsync(self._file.fileno())


def _line(fields: dict[str, Any]) -> bytes:
    return json.dumps(fields).encode() + b"\n"


def _content(path: str) -> bytes:
    try:
        if not os.path.isfile(path):
            raise Problem(f"{shown(path)} is no ordinary file.", do="Give another --journal.")
        with open(path, "rb") as file:
            return file.read(_LARGEST)
    except OSError as problem:
        raise Problem(
            f"the journal {shown(path)} can't be read: {problem.strerror or problem}."
        ) from problem


def _head_of(content: bytes, path: str) -> dict[str, Any]:
    head = _parsed(content.partition(b"\n")[0])
    schema = str(head.get("schema", ""))
    if schema == SCHEMA:
        return head
    if schema.startswith(FAMILY):
        raise Problem(f"the journal {shown(path)} is of another version of dryload.")
    raise Problem(
        f"{shown(path)} is there and no journal, so it is left alone.",
        do="Give another --journal.",
    )


def _entries(content: bytes) -> list[Entry]:
    entries = []
    for line in content.split(b"\n")[1:]:
        fields = _parsed(line)
        try:
            entries.append(Entry(**fields))
        except TypeError:
            continue  # cut off, or not ours
    return entries


def _parsed(line: bytes) -> dict[str, Any]:
    try:
        fields = json.loads(line)
    except (ValueError, RecursionError):
        return {}
    return fields if isinstance(fields, dict) else {}


def _unwritable(path: str, problem: OSError) -> Problem:
    return Problem(
        f"the journal {shown(path)} can't be written: {problem.strerror or problem}.",
        do="Give a place with --journal FILE.",
    )
