"""The list of a backup: `contents.toml`, beside the dumps that were read from a unit.

Its order and its sample numbers are those in which the samples are put back; a person may edit it.
"""

import hashlib
import os
from datetime import datetime
from typing import Annotated, Final

import msgspec.toml
from msgspec import Meta, Struct

from dryload.harness.files import opening, safe_write, toml_file
from dryload.harness.files.problem import Problem

SCHEMA: Final = "dryload/contents/1"
_ABOUT: Final = b"""# What dryload read from a unit: a table for each sample, in the order in which
# dryload replay puts them back, each under its number here.
# sha256 is that of the file, so that a damaged one is noticed.
"""


class ListedSample(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One sample of a backup, as its dump describes it."""

    number: Annotated[int, Meta(ge=0, le=16_383)]
    """The sample number under which it was requested."""
    name: str
    """"" where it has none, or the unit does not tell."""
    file: str
    """Its name in the folder."""
    words: int
    """Of all channels."""
    bits: int
    channels: int
    period_ns: int | None = None
    """As in a standard header."""
    rate_hz: float | None = None
    loop: str
    more_loops: int = 0
    not_told: tuple[str, ...] = ()
    """What the unit was asked for beside the dump and did not tell: "loops", "name"."""
    sha256: str
    """Of the file."""
    when: datetime


class BackupList(
    Struct, frozen=True, kw_only=True, omit_defaults=True, rename={"samples": "sample"}
):
    """What a backup holds, and what it is worth."""

    schema: str
    target: str
    device_id: Annotated[int, Meta(ge=0, le=127)]
    began: datetime
    requested: str
    """Which sample numbers were requested, in words."""
    complete: bool
    why_not: tuple[str, ...] = ()
    """Why it is not complete, each without a full stop."""
    cannot_tell: tuple[str, ...] = ()
    """What the unit cannot tell, each without a full stop."""
    samples: tuple[ListedSample, ...] = ()


def is_backup(path: str) -> bool:
    """Return whether `path` is a folder with the list of a backup in it."""
    return os.path.isfile(list_in(path))


def list_in(folder: str) -> str:
    """Return where the list of a folder is."""
    return os.path.join(folder, opening.LIST_NAME)


def load(folder: str) -> BackupList:
    """Return the list in a folder; a Problem where it can't be read, or makes no sense."""
    path = list_in(folder)
    if not os.path.lexists(path):
        raise Problem(
            f"{opening.shown(folder)} has no {opening.LIST_NAME} in it, so it is not a backup.",
            do="dryload read --sample all -o FOLDER makes one.",
        )
    name = opening.shown(path)
    held = toml_file.read(path, BackupList, "a list")
    if held.schema != SCHEMA:
        raise Problem(f'{name}: schema: this must be "{SCHEMA}", so this is another kind of file.')
    numbers: set[int] = set()
    for place, each in enumerate(held.samples, start=1):
        here = f"{name}: [[sample]] {place}"
        if each.number in numbers:
            raise Problem(f"{here}: number: {each.number} stands there twice.")
        numbers.add(each.number)
        if not each.file or os.path.basename(each.file) != each.file:
            file_name = opening.shown(each.file)
            raise Problem(f"{here}: file: {file_name} is not the name of a file in this folder.")
    return held


def write(folder: str, held: BackupList) -> None:
    """Write the list of a folder, in place of the one there is: whole or not at all."""
    path = list_in(folder)
    with opening.refusals(opening.shown(path), "written"):
        safe_write.replace(path, _ABOUT + msgspec.toml.encode(held))


def fingerprint(path: str) -> str:
    """Return the SHA-256 of a file; a Problem where it can't be read."""
    digest = hashlib.sha256()
    with opening.open_file(path) as file:
        for block in opening.blocks_of(file, opening.shown(path)):
            digest.update(block)
    return digest.hexdigest()
