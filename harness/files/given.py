"""What a user gives to be looked at: a file, or bytes written in hexadecimal."""

import os
import re
from collections.abc import Sequence
from contextlib import suppress
from typing import Final

from msgspec import Struct

from dryload.harness.files import capture_file, opening
from dryload.harness.files.dumpfile import LARGEST, load
from dryload.harness.files.hex_text import number_of
from dryload.harness.files.kinds import kind_of
from dryload.harness.files.opening import (
    STANDARD_INPUT,
    open_file,
    quoted,
    read_all,
    refusal,
    shown,
)
from dryload.harness.files.problem import Problem

_BETWEEN: Final = re.compile(r"[\s,;:]+")
_EXCLUSIVE: Final = re.compile(rb"\xf0[\x00-\x7f\xf8-\xff]*\xf7")


class Given(Struct, frozen=True, kw_only=True):
    """Bytes, and the name of the file they came from; None where they were written out."""

    data: bytes
    file: str | None = None


def given(words: Sequence[str]) -> Given:
    """Return what the arguments of a command mean: an existing file, or hexadecimal bytes.

    The name of an existing file is a file, even if it looks like a number; "-" is standard input.
    """
    first = words[0]
    if first == STANDARD_INPUT or os.path.exists(first):
        if len(words) > 1:
            raise Problem(f"{shown(words[1])} is one name too many.", do="Give one file at a time.")
        return Given(data=_content(first), file=first)
    data = from_hex(" ".join(words))
    if data is None:
        with suppress(FileNotFoundError, NotADirectoryError, ValueError):
            try:
                os.stat(first)
            except PermissionError as problem:
                raise refusal(shown(first), "read", problem) from problem
        raise Problem(
            f"{shown(' '.join(words))}: this is neither a file nor bytes in hexadecimal.",
            do="Write bytes like this: F0 7E 00 7F 05 F7.",
        )
    return Given(data=data)


def from_hex(text: str) -> bytes | None:
    """Return bytes written in hexadecimal, apart or together; None where it is something else."""
    numbers = [number_of(word) for word in _BETWEEN.split(text) if word]
    found = [number for number in numbers if number is not None]
    return b"".join(found) if found and len(found) == len(numbers) else None


def _content(path: str) -> bytes:
    """Return the bytes of a dump file, of one side of a capture, or of other messages."""
    if capture_file.form_of(path) is not None:
        data = capture_file.load(path).one_way
        if data is None:
            raise Problem(
                f"{shown(path)} is a capture of both directions, but only one can be explained.",
                do=f"dryload validate {quoted(path)} judges both sides.",
            )
        return data
    try:
        return load(path).data
    except Problem:
        if path == STANDARD_INPUT:
            raise
        data = _other_messages(path)
        if data is None:
            raise
        return data


def _other_messages(path: str) -> bytes | None:
    head = opening.head_of(path)
    if kind_of(head) is not None or not _EXCLUSIVE.search(head):
        return None
    with open_file(path) as file:
        return read_all(file, shown(path), LARGEST)
