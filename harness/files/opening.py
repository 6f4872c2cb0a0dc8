"""Opening the files and folders that a user named, or one plain line that says why not."""

import io
import os
import stat
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from io import BufferedReader
from itertools import chain
from typing import BinaryIO, Final

from msgspec import Struct

from dryload.harness.files.kinds import HEAD_BYTES
from dryload.harness.files.problem import NoDump, Problem

STANDARD_INPUT: Final = "-"
LIST_NAME: Final = "contents.toml"
"""What the list of a backup is called in its folder; see `backup_file`."""
IS_WINDOWS: Final = os.name == "nt"
_BLOCK: Final = 1 << 20
_NOT_A_FILE: Final = (
    (stat.S_ISFIFO, "is a pipe, not a file.", "Send it to standard input and give - as the name."),
    (stat.S_ISCHR, "is a device, not a file.", "Name a file."),
    (stat.S_ISBLK, "is a device, not a file.", "Name a file."),
    (stat.S_ISSOCK, "is a socket, not a file.", "Name a file."),
)


class Held(str):
    """The name of something that is in memory already, and its content.

    It goes wherever a path goes, and is read where a file would be opened.
    """

    __slots__ = ("content",)
    content: bytes

    def __new__(cls, name: str, content: bytes) -> "Held":
        """Return the name, with its content."""
        held = super().__new__(cls, name)
        held.content = content
        return held


def shown(path: str) -> str:
    """Return a file's name in a form that can be printed, whatever bytes it consists of."""
    if path == STANDARD_INPUT:
        return "standard input"
    if not path:
        return "(an empty name)"
    return escaped(path)


def escaped(text: str, kept: str = "") -> str:
    """Return `text` with unprintable characters escaped, except those of `kept`."""
    if text.translate(dict.fromkeys(map(ord, kept))).isprintable():
        return text
    return "".join(
        sign if sign.isprintable() or sign in kept else sign.encode("unicode_escape").decode()
        for sign in text
    )


def quoted(word: str) -> str:
    """Return a word as the shell of this system takes it, in a form that can be printed.

    The shell of Windows knows no single quotes.
    """
    from shlex import quote
    from subprocess import list2cmdline

    plain = shown(word)
    return list2cmdline([plain]) if IS_WINDOWS else quote(plain)


def shown_lines(text: str) -> str:
    """Return lines with names in them in a form that can be printed."""
    return "\n".join(shown(line) for line in text.split("\n") if line)


def open_file(path: str) -> BinaryIO:
    """Return an ordinary file, open for reading and not empty; a Problem for anything else."""
    name = shown(path)
    if isinstance(path, Held):
        if not path.content:
            raise NoDump(f"{name} is empty: 0 bytes.", is_other=False)
        return io.BytesIO(path.content)
    with refusals(name):
        status = os.stat(path)
        # Looked at before it is opened: opening a pipe would wait for somebody to write.
        if stat.S_ISDIR(status.st_mode):
            raise _folder_problem(name, path)
        for is_kind, what, do in _NOT_A_FILE:
            if is_kind(status.st_mode):
                raise Problem(f"{name} {what}", do=do)
        if status.st_size == 0:
            raise NoDump(f"{name} is empty: 0 bytes.", is_other=False)
        return open(path, "rb")  # the caller closes it


class NamedFiles(Struct, frozen=True, kw_only=True):
    """The files that were named, with those of named folders in place of the folders."""

    files: tuple[str, ...]
    found: frozenset[str]
    """Those that were found in a folder: they may be anything."""


def named(paths: Sequence[str]) -> NamedFiles:
    """Return the files at `paths`; of a folder those in it, in order of name.

    Of a folder, hidden files, folders and the list of a backup are left out.  A folder without
    files, or one that can't be read, is returned itself: opening it says what is wrong.
    """
    files: list[str] = []
    found: set[str] = set()
    for path in paths:
        here = _files_in(path)
        files += here or [path]
        found.update(here)
    return NamedFiles(files=tuple(files), found=frozenset(found))


def _files_in(folder: str) -> list[str]:
    if not os.path.isdir(folder):
        return []
    try:
        there = (name for name in os.listdir(folder) if name != LIST_NAME)
        names = sorted(name for name in there if not name.startswith("."))
    except OSError:
        return []
    return [path for name in names if os.path.isfile(path := os.path.join(folder, name))]


def _folder_problem(name: str, path: str) -> Problem:
    if _files_in(path) or not os.access(path, os.R_OK):
        return Problem(f"{name} is a folder, not a file.", do="Name the file in it.")
    return Problem(f"{name} is a folder without files.", do="Name a file, or a folder with files.")


@contextmanager
def source(path: str) -> Iterator[BinaryIO]:
    """Yield a file that was named, open for reading, "-" being standard input."""
    if path == STANDARD_INPUT:
        yield standard_input()
        return
    with open_file(path) as file:
        yield file


@contextmanager
def refusals(name: str, done: str = "read", do: str = "") -> Iterator[None]:
    """Turn an OSError into a Problem that says what cannot be `done` to a file.

    `name` is as `shown` gives it; `do` replaces the usual advice.
    """
    try:
        yield
    except (OSError, ValueError) as problem:
        raise refusal(name, done, problem, do) from problem


def refusal(name: str, done: str, problem: OSError | ValueError, do: str = "") -> Problem:
    """Return the Problem of a file to which something cannot be `done`."""
    match problem:
        case FileNotFoundError() | NotADirectoryError() if done == "read":
            return Problem(
                f"{name}: there is no such file.", do=do or "Check the name and the folder."
            )
        case PermissionError():
            usual = "Get permission to read it." if done == "read" else "Choose another folder."
            return Problem(f"{name} may not be {done}.", do=do or usual)
        case OSError():
            return Problem(f"{name} cannot be {done}: {problem.strerror or problem}.", do=do)
        case _:
            return Problem(f"{name}: no file can have that name.")


def head_of(path: str) -> bytes:
    """Return the first HEAD_BYTES of a file; of standard input, without using them up."""
    if path == STANDARD_INPUT:
        stream = standard_input()
        return stream.peek(HEAD_BYTES)[:HEAD_BYTES] if isinstance(stream, BufferedReader) else b""
    with open_file(path) as file, refusals(shown(path)):
        return file.read(HEAD_BYTES)


def begun(file: BinaryIO, name: str) -> tuple[bytes, Iterator[bytes]]:
    """Return the first HEAD_BYTES of a file and its blocks; a Problem where there is nothing."""
    blocks = blocks_of(file, name)
    first = next(blocks, b"")
    if not first:
        raise Problem("standard input is empty: nothing was piped into it.")
    return first[:HEAD_BYTES], chain([first], blocks)


def blocks_of(file: BinaryIO, name: str) -> Iterator[bytes]:
    """Yield the rest of `file`, block by block; a Problem if it can't be read."""
    with refusals(name):
        while block := file.read(_BLOCK):
            yield block


def read_all(file: BinaryIO, name: str, limit: int) -> bytes:
    """Return the rest of `file`; a Problem if that is more than `limit` bytes."""
    return joined(blocks_of(file, name), name, limit)


def joined(blocks: Iterable[bytes], name: str, limit: int) -> bytes:
    """Return blocks as one; a Problem as soon as they are more than `limit` bytes."""
    kept = io.BytesIO()  # joining a list would hold everything twice
    for block in blocks:
        if kept.tell() + len(block) > limit:
            raise Problem(f"{name} is too large: more than {limit >> 20:,} MB.")
        kept.write(block)
    return kept.getvalue()


def standard_input() -> BinaryIO:
    """Return standard input for bytes; a Problem where nothing is piped into it."""
    stream = sys.stdin
    if stream is None or stream.closed:
        raise Problem("standard input is closed.", do="Give the file's name.")
    if stream.isatty():
        raise Problem(
            "standard input is the keyboard.", do="Pipe a file into it, or give the file's name."
        )
    return stream.buffer
