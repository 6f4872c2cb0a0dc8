"""Folders named where files are expected: the files in them, in order of name."""

import os
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """The files that were named, folders opened up."""

    files: tuple[str, ...]
    found: frozenset[str]
    """Those that nobody named one by one: they may be anything."""


def named(paths: Sequence[str]) -> Named:
    """Return the files at `paths`; of a folder those in it, without hidden ones and other folders.

    A folder that can't be read or has no file in it stays what it is: opening it says so.
    """
    files: list[str] = []
    found: set[str] = set()
    for path in paths:
        here = _files_in(path)
        files += here or [path]
        found.update(here)
    return Named(files=tuple(files), found=frozenset(found))


def _files_in(folder: str) -> list[str]:
    if not os.path.isdir(folder):
        return []
    try:
        names = sorted(name for name in os.listdir(folder) if not name.startswith("."))
    except OSError:
        return []
    return [path for name in names if os.path.isfile(path := os.path.join(folder, name))]
