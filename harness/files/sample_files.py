"""Where samples read from a unit are written: one file, or a folder with a file for each."""

import os
import re
from collections.abc import Iterable
from typing import Final

from dryload.harness.files import safe_write
from dryload.harness.files.opening import refusals, shown
from dryload.harness.files.problem import Problem

DUMP_ENDINGS: Final = (".syx", ".sds", ".mid", ".midi", ".smf")
_SOUNDS: Final = (".wav", ".wave", ".aif", ".aiff", ".flac", ".ogg")
_UNSAFE: Final = re.compile(r"[^A-Za-z0-9]+")
_OURS: Final = re.compile(r"sample-([0-9]{4,5})(?:-[A-Za-z0-9-]*)?\.syx")
_LONGEST: Final = 40


def file_name(number: int, name: str, *, says: int | None = None) -> str:
    """Return the name of the file of a sample: "sample-0004-Ships-bell.syx".

    `number` is the number that was requested; a dump that `says` another one gets both numbers.
    """
    plain = _UNSAFE.sub("-", name.replace("'", ""))[:_LONGEST].strip("-")
    other = "" if says in (None, number) else f"-says-{says:04}"
    return f"sample-{number:04}{other}{'-' if plain else ''}{plain}.syx"


def check_file(path: str, *, overwrite: bool) -> None:
    """Raise the Problem that writing a dump to the file `path` would meet."""
    if path.lower().endswith(_SOUNDS):
        raise Problem(
            f"-o {shown(path)}: this is the name of an audio file, but a dump is written.",
            do="Give a name that ends in .syx; dryload decode converts it to audio afterwards.",
        )
    if path and os.path.isdir(path):
        raise Problem(
            f"{shown(path)} is a folder.",
            do="For one sample give a file name after -o; a folder is for a range, such as 4-4.",
        )
    safe_write.check_target(path, overwrite=overwrite)


def check_folder(path: str, numbers: range, *, overwrite: bool) -> None:
    """Raise the Problem that writing these samples into the folder `path` would meet."""
    check_place(path)
    if os.path.isdir(path) and not overwrite and (there := _samples_in(path, numbers)):
        raise Problem(
            f"{shown(os.path.join(path, there[0]))} exists already.",
            do="--overwrite replaces it; or give another folder.",
        )


def check_place(path: str) -> None:
    """Raise the Problem that making the folder `path`, or writing into it, would meet."""
    if not path:
        raise Problem("-o is empty.", do="Give the name of a folder after -o.")
    name = shown(path)
    if not os.path.lexists(path):
        if path.lower().endswith((*DUMP_ENDINGS, *_SOUNDS)):
            raise Problem(
                f"-o {name}: this is the name of a file, but several samples are written.",
                do="Give the name of a folder; it gets a file for each sample.",
            )
        parent = os.path.dirname(os.path.realpath(path))
        if not os.path.isdir(parent):
            raise Problem(f"{name}: the folder above it does not exist.", do="Create that first.")
        if not os.access(parent, os.W_OK):
            raise Problem(f"{name} may not be created here.", do="Choose another folder.")
        return
    if not os.path.isdir(path):
        raise Problem(
            f"{name} is a file, but several samples are written.",
            do="Give the name of a folder after -o.",
        )
    if not os.access(path, os.W_OK):
        raise Problem(f"{name} may not be written to.", do="Choose another folder.")


def others_of(path: str, number: int) -> list[str]:
    """Return the files in the folder of `path` that hold the same sample under another name."""
    folder, own = os.path.split(path)
    return [
        os.path.join(folder, name)
        for name in _samples_in(folder, range(number, number + 1))
        if name != own
    ]


def make_folder(path: str) -> None:
    """Make the folder if it is not there."""
    with refusals(f"the folder {shown(path)}", "made"):
        os.makedirs(path, exist_ok=True)


def _samples_in(folder: str, numbers: range) -> list[str]:
    with refusals(shown(folder), "listed"):
        names: Iterable[str] = os.listdir(folder)
    return sorted(
        name
        for name in names
        if (found := _OURS.fullmatch(name)) is not None and int(found[1]) in numbers
    )
